//! The chip's registers and their bits, as sections 7.6.1.1 to 7.6.1.20 of the data sheet print them.

/// A register and its address.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Register {
    /// Reset, delay before conversions, temperature compensation, shunt range.
    Config = 0x00,
    /// Mode, conversion times, averaging.
    AdcConfig = 0x01,
    /// Scale of the chip's own current calculation.
    ShuntCal = 0x02,
    /// Temperature coefficient of the shunt, 1 ppm/K a step.
    ShuntTempco = 0x03,
    /// Shunt voltage: 20 bits, two's complement, in bits 23 to 4.
    Vshunt = 0x04,
    /// Rail voltage: 20 bits in bits 23 to 4, never negative.
    Vbus = 0x05,
    /// Chip temperature, two's complement, 7.8125 m°C a step.
    DieTemp = 0x06,
    /// Current: 20 bits, two's complement, in bits 23 to 4.
    Current = 0x07,
    /// Power: 24 bits, unsigned.
    Power = 0x08,
    /// Energy: 40 bits, unsigned.
    Energy = 0x09,
    /// Charge: 40 bits, two's complement.
    Charge = 0x0A,
    /// Alert settings and flags.
    DiagAlert = 0x0B,
    /// Shunt over-voltage limit.
    ShuntOverLimit = 0x0C,
    /// Shunt under-voltage limit.
    ShuntUnderLimit = 0x0D,
    /// Rail over-voltage limit.
    BusOverLimit = 0x0E,
    /// Rail under-voltage limit.
    BusUnderLimit = 0x0F,
    /// Chip temperature limit.
    TempLimit = 0x10,
    /// Power limit.
    PowerLimit = 0x11,
    /// `TI` in ASCII.
    ManufacturerId = 0x3E,
    /// Device in bits 15 to 4, revision in bits 3 to 0.
    DeviceId = 0x3F,
}

impl Register {
    /// Every register, by address.
    pub const ALL: [Self; 20] = [
        Self::Config,
        Self::AdcConfig,
        Self::ShuntCal,
        Self::ShuntTempco,
        Self::Vshunt,
        Self::Vbus,
        Self::DieTemp,
        Self::Current,
        Self::Power,
        Self::Energy,
        Self::Charge,
        Self::DiagAlert,
        Self::ShuntOverLimit,
        Self::ShuntUnderLimit,
        Self::BusOverLimit,
        Self::BusUnderLimit,
        Self::TempLimit,
        Self::PowerLimit,
        Self::ManufacturerId,
        Self::DeviceId,
    ];

    /// The address that goes over the bus.
    #[must_use]
    pub const fn address(self) -> u8 {
        self as u8
    }

    /// Width in bytes: 2, 3 or 5.
    #[must_use]
    pub const fn bytes(self) -> usize {
        match self {
            Self::Vshunt | Self::Vbus | Self::Current | Self::Power => 3,
            Self::Energy | Self::Charge => 5,
            _ => 2,
        }
    }

    /// Content after power-up or reset, where the data sheet gives one that is not a result.
    #[must_use]
    pub const fn after_reset(self) -> u16 {
        match self {
            Self::AdcConfig => 0xFB68,
            Self::ShuntCal => 0x1000,
            Self::DiagAlert => 0x0001,
            Self::ShuntOverLimit | Self::BusOverLimit | Self::TempLimit => 0x7FFF,
            Self::ShuntUnderLimit => 0x8000,
            Self::PowerLimit => 0xFFFF,
            Self::ManufacturerId => MANUFACTURER_TI,
            Self::DeviceId => DEVICE_228 << 4 | 1,
            _ => 0,
        }
    }
}

/// What [`Register::ManufacturerId`] reads.
pub const MANUFACTURER_TI: u16 = 0x5449;

/// What [`Register::DeviceId`] reads above the revision digit.
pub const DEVICE_228: u16 = 0x228;

/// Bits of [`Register::Config`].
pub mod config {
    /// Resets the chip.
    pub const RST: u16 = 1 << 15;
    /// Clears the energy and charge registers.
    pub const RSTACC: u16 = 1 << 14;
    /// Corrects the current for the shunt's temperature.
    pub const TEMPCOMP: u16 = 1 << 5;
    /// Clear: ±163.84 mV. Set: ±40.96 mV.
    pub const ADCRANGE: u16 = 1 << 4;
}

/// Fields of [`Register::AdcConfig`].
pub mod adc_config {
    /// Rail, shunt and temperature, one after the other, continuously.
    pub const MODE_CONTINUOUS_ALL: u16 = 0xF << 12;
    /// Position of the rail's conversion time.
    pub const VBUSCT: u16 = 9;
    /// Position of the shunt's conversion time.
    pub const VSHCT: u16 = 6;
    /// Position of the chip temperature's conversion time.
    pub const VTCT: u16 = 3;
}

/// Bits of [`Register::DiagAlert`], data sheet table 7-16.
pub mod diag_alert {
    /// The alert stays until read.
    pub const ALATCH: u16 = 1 << 15;
    /// The alert line shows finished conversions.
    pub const CNVR: u16 = 1 << 14;
    /// The alert compares averaged values.
    pub const SLOWALERT: u16 = 1 << 13;
    /// The alert line is active high.
    pub const APOL: u16 = 1 << 12;
    /// The energy register overflowed.
    pub const ENERGYOF: u16 = 1 << 11;
    /// The charge register overflowed.
    pub const CHARGEOF: u16 = 1 << 10;
    /// The current calculation overflowed.
    pub const MATHOF: u16 = 1 << 9;
    /// The chip is above its temperature limit.
    pub const TMPOL: u16 = 1 << 7;
    /// The shunt is above its limit.
    pub const SHNTOL: u16 = 1 << 6;
    /// The shunt is below its limit.
    pub const SHNTUL: u16 = 1 << 5;
    /// The rail is above its limit.
    pub const BUSOL: u16 = 1 << 4;
    /// The rail is below its limit.
    pub const BUSUL: u16 = 1 << 3;
    /// The power is above its limit.
    pub const POL: u16 = 1 << 2;
    /// A round of conversions is finished.
    pub const CNVRF: u16 = 1 << 1;
    /// The chip's trim memory is whole.
    pub const MEMSTAT: u16 = 1 << 0;
}
