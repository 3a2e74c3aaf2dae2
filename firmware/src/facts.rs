//! What a board tells about itself.

use steadybench_protocol::limits::CHANNELS;
use steadybench_protocol::{BoardName, DividerDescription, FirmwareVersion, ResetCause};

/// What only the board knows, handed in once at its start; the hello message repeats it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BoardFacts {
    /// The kind of board.
    pub board: BoardName,
    /// Unique to the board.
    pub board_serial: [u8; 8],
    /// Version of the firmware.
    pub firmware_version: FirmwareVersion,
    /// Drawn anew at each start of the board.
    pub boot_nonce: u32,
    /// Starts since power was applied, the present one included.
    pub boot_count: u32,
    /// Why the board started.
    pub reset_cause: ResetCause,
    /// Nominal resistance of each channel's shunt in micro-ohms.
    pub shunt_micro_ohm: [u32; CHANNELS],
    /// Each channel's thermistor divider.
    pub thermistors: [DividerDescription; CHANNELS],
}

/// The version of this library, which is the firmware's.
pub const FIRMWARE_VERSION: FirmwareVersion = FirmwareVersion {
    major: decimal(env!("CARGO_PKG_VERSION_MAJOR")),
    minor: decimal(env!("CARGO_PKG_VERSION_MINOR")),
    patch: decimal(env!("CARGO_PKG_VERSION_PATCH")),
};

/// Reads a decimal number when the program is compiled.
const fn decimal(digits: &str) -> u16 {
    match u16::from_str_radix(digits, 10) {
        Ok(number) => number,
        Err(_) => panic!("a version part is a decimal number below 65536"),
    }
}
