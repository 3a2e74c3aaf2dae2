//! What this board's makers wired where, and with which parts. A different wiring changes this file and no other.
//!
//! | pin | wired to |
//! |---|---|
//! | GPIO 4, 5 | data and clock of the monitor chip of channel 1, each with 2.2 kΩ to 3.3 V |
//! | GPIO 6, 7 | data and clock of the monitor chip of channel 2, likewise |
//! | GPIO 14 | supply relay's driver: high closes the relay, and 10 kΩ to ground hold it open while the pin floats |
//! | GPIO 15 | foot switch to ground |
//! | GPIO 25 | lamp |
//! | GPIO 26, 27 | thermistor dividers of channels 1 and 2: 10 kΩ to 3.3 V, thermistor to ground |
//!
//! `hardware-notes/` draws the same, and `tests/emulator/pins.mjs` has it for the emulated board.

use embassy_rp::Peri;
use embassy_rp::peripherals::{
    ADC, FLASH, I2C0, I2C1, PIN_4, PIN_5, PIN_6, PIN_7, PIN_14, PIN_15, PIN_25, PIN_26, PIN_27, USB, WATCHDOG,
};
use steadybench_protocol::DividerDescription;
use steadybench_protocol::limits::CHANNELS;

/// Number of the supply relay's pin, for the panic handler, which cannot own it.
pub(crate) const SUPPLY_RELAY: usize = 14;

/// Address of each monitor chip on its bus: both address pins to ground.
pub(crate) const MONITOR_ADDRESS: u8 = 0x40;

/// Clock of the monitor buses in hertz.
pub(crate) const MONITOR_BUS_HZ: u32 = 400_000;

/// Shunt of each channel in micro-ohms: 50 mΩ. Planning another shunt: `steady plan shunt`.
pub(crate) const SHUNT_MICRO_OHM: [u32; CHANNELS] = [50_000; CHANNELS];

/// The thermistor dividers: 10 kΩ to the converter's reference, twelve bits.
pub(crate) const THERMISTORS: [DividerDescription; CHANNELS] = [DividerDescription {
    series_ohm: 10_000,
    full_scale_code: 4_096,
}; CHANNELS];

/// Bytes of the flash chip.
pub(crate) const FLASH_BYTES: usize = 2 * 1024 * 1024;

/// Every peripheral and pin that the image uses, by what it is for.
pub(crate) struct Wiring {
    pub(crate) monitor_1: (Peri<'static, I2C0>, Peri<'static, PIN_4>, Peri<'static, PIN_5>),
    pub(crate) monitor_2: (Peri<'static, I2C1>, Peri<'static, PIN_6>, Peri<'static, PIN_7>),
    pub(crate) supply_relay: Peri<'static, PIN_14>,
    pub(crate) foot_switch: Peri<'static, PIN_15>,
    pub(crate) lamp: Peri<'static, PIN_25>,
    pub(crate) converter: Peri<'static, ADC>,
    pub(crate) thermistor_1: Peri<'static, PIN_26>,
    pub(crate) thermistor_2: Peri<'static, PIN_27>,
    pub(crate) usb: Peri<'static, USB>,
    pub(crate) flash: Peri<'static, FLASH>,
    pub(crate) watchdog: Peri<'static, WATCHDOG>,
}

impl Wiring {
    pub(crate) fn new(chip: embassy_rp::Peripherals) -> Self {
        Self {
            monitor_1: (chip.I2C0, chip.PIN_4, chip.PIN_5),
            monitor_2: (chip.I2C1, chip.PIN_6, chip.PIN_7),
            supply_relay: chip.PIN_14,
            foot_switch: chip.PIN_15,
            lamp: chip.PIN_25,
            converter: chip.ADC,
            thermistor_1: chip.PIN_26,
            thermistor_2: chip.PIN_27,
            usb: chip.USB,
            flash: chip.FLASH,
            watchdog: chip.WATCHDOG,
        }
    }
}
