//! Every message a board sends.

use postcard::experimental::max_size::MaxSize;
use serde::{Deserialize, Serialize};

use crate::block_bytes::read_block;
use crate::limits;
use crate::quantities::{BoardTime, Channel, Command, ConversionTime, ShuntRange};
use crate::readings::ReadingsBlock;

/// A message from the board to the host. The order of the variants is the wire's: never reorder, append only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub enum FromBoard {
    /// Who the board is and how it measures; sent when asked, when configured, and once after every start of the board.
    Hello(Hello),
    /// Readings of both channels.
    Readings(ReadingsBlock),
    /// Rail voltages, thermistors and chip temperatures, ten times a second while running.
    Slow(SlowValues),
    /// An edge of the foot switch.
    Mark(Mark),
    /// What the board counted, once a second and as the answer to most commands.
    Health(Health),
    /// The other half of a time exchange.
    Time(TimeReply),
    /// The guard opened the supply relay.
    GuardTrip(GuardTrip),
    /// A command was not carried out, and why.
    Refusal(Refusal),
}

/// Which variant [`FromBoard::Readings`] is, in the byte before it.
const READINGS: u8 = 1;

impl FromBoard {
    /// Reads the body of a frame; `None` when it is no message of this version.
    ///
    /// ```
    /// use steadybench_protocol::{Deframer, FrameBuffer, FromBoard, Mark, MarkEdge, BoardTime};
    ///
    /// let mark = Mark { number: 3, time: BoardTime::from_micros(5_000_000), edge: MarkEdge::Pressed };
    /// let mut buffer = FrameBuffer::new();
    /// let mut bytes = buffer.encode(&FromBoard::Mark(mark)).expect("a frame buffer holds every message");
    /// let mut deframer = Deframer::new();
    /// let body = deframer.next_body(&mut bytes).expect("a whole frame").expect("an undamaged one");
    /// assert_eq!(FromBoard::read(body), Some(FromBoard::Mark(mark)));
    /// ```
    #[inline]
    #[must_use]
    pub fn read(body: &[u8]) -> Option<Self> {
        if let [READINGS, block @ ..] = body {
            return read_block(block).map(Self::Readings);
        }
        match postcard::take_from_bytes(body) {
            Ok((message, [])) => Some(message),
            _ => None,
        }
    }
}

/// A board's name for itself, such as `pico` or `virtual greenhouse`.
pub type BoardName = heapless::String<{ limits::BOARD_NAME_BYTES_MAX }>;

/// Who the board is and how it measures. Its first field is the protocol version, in every version there will be.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct Hello {
    /// [`crate::PROTOCOL_VERSION`] of the firmware.
    pub protocol_version: u16,
    /// Unique to the board: the flash chip's identity.
    pub board_serial: [u8; 8],
    /// The kind of board.
    pub board: BoardName,
    /// Version of the firmware.
    pub firmware_version: FirmwareVersion,
    /// Drawn anew at each start of the board: while it stays the same, board time and reading index go on.
    pub boot_nonce: u32,
    /// Starts of the board since it was powered, the present one included.
    pub boot_count: u32,
    /// Why the board started last.
    pub reset_cause: ResetCause,
    /// Board time when this was made.
    pub time: BoardTime,
    /// Time from one reading to the next in microseconds.
    pub reading_period_us: u32,
    /// Whether readings are being taken.
    pub running: bool,
    /// What the guard is doing.
    pub guard: GuardState,
    /// The two measuring channels.
    pub channels: [ChannelDescription; limits::CHANNELS],
    /// The two thermistor dividers.
    pub thermistors: [DividerDescription; limits::CHANNELS],
}

/// A version in the sense of semantic versioning.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, MaxSize)]
pub struct FirmwareVersion {
    /// Incompatible changes.
    pub major: u16,
    /// Compatible additions.
    pub minor: u16,
    /// Mends.
    pub patch: u16,
}

/// Why a board started.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub enum ResetCause {
    /// Power was applied, or fell and came back (a brown-out counts here where the chip cannot tell).
    PowerOn,
    /// The watchdog found the program stuck.
    Watchdog,
    /// The reset pin or a debugger.
    External,
    /// The supply sagged below the chip's limit.
    BrownOut,
    /// The chip did not say.
    Unknown,
}

/// One measuring channel and the scale of its codes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct ChannelDescription {
    /// Whether the monitor chip answers, and as what.
    pub monitor: MonitorState,
    /// Nominal resistance of the fitted shunt in micro-ohms.
    pub shunt_micro_ohm: u32,
    /// Integration time of the shunt voltage.
    pub conversion_time: ConversionTime,
    /// Full scale of the shunt voltage.
    pub shunt_range: ShuntRange,
    /// Shunt voltage of one step of a current code, in picovolts.
    pub current_step_pv: u32,
    /// Rail voltage of one step of a rail code, in picovolts.
    pub rail_step_pv: u32,
}

/// Whether a channel's monitor chip can be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub enum MonitorState {
    /// The right chip, configured.
    Ready,
    /// Nobody answers at the chip's address.
    Absent,
    /// Somebody answers, but not as the chip this firmware knows.
    WrongChip {
        /// What the manufacturer register read; `0x5449` is right.
        manufacturer_id: u16,
        /// What the device register read; `0x228` followed by any revision digit is right.
        device_id: u16,
    },
    /// The bus itself does not move: a line is held low.
    BusStuck,
}

/// A thermistor divider: the thermistor from the converter's pin to ground, the series resistor from the pin to the
/// converter's reference. Hotter is a smaller code.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct DividerDescription {
    /// The series resistor in ohms.
    pub series_ohm: u32,
    /// The code that would stand for the whole reference, 4096 for a 12-bit converter.
    pub full_scale_code: u16,
}

/// Values that change slowly, each in raw codes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct SlowValues {
    /// Board time when these were taken.
    pub time: BoardTime,
    /// Voltage of the rail behind each shunt; `None` where the chip did not answer.
    pub rail: [Option<RailCodes>; limits::CHANNELS],
    /// The thermistors.
    pub thermistor: [ThermistorReading; limits::CHANNELS],
    /// The monitor chips' own temperature, 7.8125 m°C a step; `None` where the chip did not answer.
    pub chip_temperature: [Option<i16>; limits::CHANNELS],
}

/// Rail voltage over the time since the previous slow values, read at least a hundred times a second.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct RailCodes {
    /// The last code read.
    pub latest: u32,
    /// The lowest code read.
    pub lowest: u32,
    /// The highest code read.
    pub highest: u32,
}

/// What a thermistor's converter said.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub enum ThermistorReading {
    /// A code that can be a temperature.
    Code(u16),
    /// The code stands at the reference: no thermistor, or a broken lead.
    Open,
    /// The code stands at ground: a short.
    Shorted,
    /// The converter did not answer.
    Failed,
}

/// An edge of the foot switch.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct Mark {
    /// Counts the edges since the board started, from zero.
    pub number: u32,
    /// When the contact first moved; the debouncing waits, the stamp does not.
    pub time: BoardTime,
    /// Which way.
    pub edge: MarkEdge,
}

/// Which way a switch moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub enum MarkEdge {
    /// Pressed.
    Pressed,
    /// Let go.
    Released,
}

/// What the board counted since it started.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct Health {
    /// Board time when this was made.
    pub time: BoardTime,
    /// Whether readings are being taken. When it is clear every reading before `next_index` has been sent or dropped.
    pub running: bool,
    /// What the guard is doing.
    pub guard: GuardState,
    /// Index that the next reading will bear: how many reading instants there have been.
    pub next_index: u64,
    /// Reading instants dropped in whole blocks because the host did not take them in time.
    pub readings_dropped: u64,
    /// Reading instants that came late by more than half a period, or not at all.
    pub late_ticks: u32,
    /// Bus transactions that failed, by channel.
    pub bus_errors: [u32; limits::CHANNELS],
    /// Times the monitor chip had lost its settings and was given them again, by channel.
    pub monitor_restarts: [u32; limits::CHANNELS],
    /// Most blocks that ever waited for the host.
    pub buffer_high_water: u16,
    /// Blocks that the buffer holds.
    pub buffer_capacity: u16,
    /// Frames from the host that could not be read.
    pub frames_rejected: u32,
}

/// What the guard is doing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub enum GuardState {
    /// No limit is set; the relay is closed.
    #[default]
    Off,
    /// Limits are set; the relay is closed.
    Armed,
    /// A limit was passed; the relay is open until re-armed.
    Tripped,
}

/// The reply to [`crate::TimeRequest`]; the names T1 to T4 are those of RFC 5905, section 8.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct TimeReply {
    /// The request's number.
    pub number: u32,
    /// T1, as the request gave it.
    pub host_send_ns: u64,
    /// T2: when the request arrived at the board.
    pub board_receive: BoardTime,
    /// T3: when this reply was made.
    pub board_send: BoardTime,
}

/// The guard opened the supply relay.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct GuardTrip {
    /// When the relay output was dropped.
    pub time: BoardTime,
    /// Board time of the reading that passed the limit, or when the silence began.
    pub cause_time: BoardTime,
    /// What passed which limit.
    pub cause: GuardCause,
}

/// What made the guard act.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub enum GuardCause {
    /// A current passed its limit.
    OverCurrent {
        /// On which channel.
        channel: Channel,
        /// The code that passed.
        code: i32,
    },
    /// A thermistor was hotter than its limit.
    OverTemperature {
        /// Of which channel.
        channel: Channel,
        /// The code that passed.
        code: u16,
    },
    /// A thermistor that was required is open, shorted or does not answer.
    ThermistorLost {
        /// Of which channel.
        channel: Channel,
    },
    /// The host was silent for too long.
    HostSilent,
    /// A channel with an over-current limit has had no good reading for 10 ms: the guard is blind there.
    MonitorLost {
        /// Which channel.
        channel: Channel,
    },
}

/// A command was not carried out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct Refusal {
    /// Which command.
    pub command: Command,
    /// Why.
    pub reason: RefusalReason,
}

/// Why a command was not carried out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub enum RefusalReason {
    /// Not while readings are being taken: stop first.
    WhileRunning,
    /// The reading period is out of its range.
    ReadingPeriodOutOfRange,
    /// The conversions do not fit into the reading period: choose a shorter conversion time.
    ConversionTooLong,
    /// A guard limit is out of its range.
    LimitOutOfRange,
    /// No monitor chip answers on either channel.
    NoMonitor,
    /// What tripped the guard is still past its limit.
    StillPastLimit,
    /// The guard has not tripped, so there is nothing to re-arm.
    NotTripped,
}
