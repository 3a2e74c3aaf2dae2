//! The USB serial port: what the board says of itself to the host's operating system.

use embassy_rp::Peri;
use embassy_rp::bind_interrupts;
use embassy_rp::peripherals::USB;
use embassy_rp::usb::{Driver, InterruptHandler};
use embassy_usb::class::cdc_acm::{CdcAcmClass, State};
use embassy_usb::{Builder, Config, UsbDevice};
use heapless::String;
use static_cell::StaticCell;

bind_interrupts!(struct Interrupts {
    USBCTRL_IRQ => InterruptHandler<USB>;
});

/// The vendor and product numbers of pid.codes that are set aside for tests on one's own bench.
///
/// **Before anyone sells or hands out boards these must be replaced** by numbers that were given for the purpose: two
/// devices that share them can be mistaken for each other by a host. Steadybench finds its boards by the product string
/// and the hello message, not by these numbers.
pub(crate) const TEST_VENDOR: u16 = 0x1209;
/// See [`TEST_VENDOR`].
pub(crate) const TEST_PRODUCT: u16 = 0x0001;

/// Bytes of a packet of the serial port, the most that full speed allows.
pub(crate) const PACKET_BYTES: usize = 64;

pub(crate) type UsbDriver = Driver<'static, USB>;
pub(crate) type Device = UsbDevice<'static, UsbDriver>;
pub(crate) type SerialPort = CdcAcmClass<'static, UsbDriver>;

/// Builds the USB device; its serial number is `board_serial` in hexadecimal.
pub(crate) fn build(usb: Peri<'static, USB>, board_serial: [u8; 8]) -> (Device, SerialPort) {
    static SERIAL: StaticCell<String<16>> = StaticCell::new();
    static CONFIGURATION: StaticCell<[u8; 128]> = StaticCell::new();
    static BOS: StaticCell<[u8; 16]> = StaticCell::new();
    static CONTROL: StaticCell<[u8; 64]> = StaticCell::new();
    static STATE: StaticCell<State<'static>> = StaticCell::new();

    let mut config = Config::new(TEST_VENDOR, TEST_PRODUCT);
    config.manufacturer = Some("Steadybench");
    config.product = Some("Steadybench recorder");
    config.serial_number = Some(SERIAL.init(hexadecimal(board_serial)));
    config.device_release = release();
    config.max_power = 250;

    let mut builder = Builder::new(
        Driver::new(usb, Interrupts),
        config,
        CONFIGURATION.init([0; 128]),
        BOS.init([0; 16]),
        &mut [],
        CONTROL.init([0; 64]),
    );
    let port = CdcAcmClass::new(&mut builder, STATE.init(State::new()), PACKET_BYTES as u16);
    (builder.build(), port)
}

/// The firmware's version as USB writes it: two decimal digits of major, one of minor, one of patch.
const fn release() -> u16 {
    let version = steadybench_firmware::facts::FIRMWARE_VERSION;
    version.major << 8 | (version.minor & 15) << 4 | version.patch & 15
}

fn hexadecimal(bytes: [u8; 8]) -> String<16> {
    const DIGITS: [char; 16] = [
        '0', '1', '2', '3', '4', '5', '6', '7', '8', '9', 'A', 'B', 'C', 'D', 'E', 'F',
    ];
    bytes
        .into_iter()
        .flat_map(|byte| [byte >> 4, byte & 15])
        .map(|digit| DIGITS[usize::from(digit)])
        .collect()
}
