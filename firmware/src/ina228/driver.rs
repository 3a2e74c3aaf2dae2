//! The driver: one chip on one bus.

use embedded_hal_async::i2c::I2c;
use steadybench_protocol::limits::RAIL_CODE_MAX;
use steadybench_protocol::{Configure, ConversionTime, ShuntRange};

use super::registers::{self, DEVICE_228, MANUFACTURER_TI, Register};

/// What the driver sets in the chip: shunt range and shunt conversion time. Rail and chip temperature take the shortest
/// conversion, 50 µs each, and all three are converted in turn for ever.
///
/// ```
/// use steadybench_firmware::ina228::Settings;
///
/// let settings = Settings::default();
/// assert_eq!((settings.config(), settings.adc_config()), (0x0000, 0xF100));
/// assert_eq!(settings.first_round_us(), 653);
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Settings {
    /// Full scale of the shunt voltage.
    pub shunt_range: ShuntRange,
    /// Integration time of the shunt voltage.
    pub conversion_time: ConversionTime,
}

impl Settings {
    /// Content of [`Register::Config`].
    #[must_use]
    pub const fn config(self) -> u16 {
        match self.shunt_range {
            ShuntRange::Millivolts164 => 0,
            ShuntRange::Millivolts41 => registers::config::ADCRANGE,
        }
    }

    /// Content of [`Register::AdcConfig`].
    #[must_use]
    pub const fn adc_config(self) -> u16 {
        use registers::adc_config::{MODE_CONTINUOUS_ALL, VBUSCT, VSHCT, VTCT};
        let shortest = ConversionTime::Us50.code() as u16;
        MODE_CONTINUOUS_ALL
            | shortest << VBUSCT
            | (self.conversion_time.code() as u16) << VSHCT
            | shortest << VTCT
    }

    /// Time in microseconds from writing the settings until every result is of a conversion under them: one round, and
    /// 2 % for the chip's oscillator (±1 % over its temperatures).
    #[must_use]
    pub const fn first_round_us(self) -> u64 {
        let round_us = self.conversion_time.micros() as u64 + 2 * ConversionTime::Us50.micros() as u64;
        round_us + round_us / 50 + 1
    }
}

impl From<Configure> for Settings {
    fn from(configure: Configure) -> Self {
        Self {
            shunt_range: configure.shunt_range,
            conversion_time: configure.conversion_time,
        }
    }
}

/// What the chip's two identity registers read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Identity {
    /// [`Register::ManufacturerId`].
    pub manufacturer_id: u16,
    /// [`Register::DeviceId`].
    pub device_id: u16,
}

impl Identity {
    /// Whether this is the chip the driver knows, in any revision.
    #[must_use]
    pub const fn is_ina228(self) -> bool {
        self.manufacturer_id == MANUFACTURER_TI && self.device_id >> 4 == DEVICE_228
    }
}

/// One chip on one bus, which it has for itself.
///
/// The chip's register pointer stays where it was put, so a register that is read again costs 37 bit times on the bus
/// (address byte, three data bytes, start and stop) in place of 57.
///
/// Every method fails with the bus's error; the driver then takes the register pointer as unknown.
#[derive(Debug)]
pub struct Ina228<B> {
    bus: B,
    address: u8,
    pointer: Option<Register>,
}

impl<B: I2c> Ina228<B> {
    /// A chip at a bus address of seven bits, 40h to 4Fh by its two address pins. Nothing is sent yet.
    #[must_use]
    pub const fn new(bus: B, address: u8) -> Self {
        Self {
            bus,
            address,
            pointer: None,
        }
    }

    /// The bus, to clock a held line free.
    pub const fn bus_mut(&mut self) -> &mut B {
        self.pointer = None;
        &mut self.bus
    }

    /// Asks who is there.
    ///
    /// # Errors
    /// The bus's.
    pub async fn identity(&mut self) -> Result<Identity, B::Error> {
        Ok(Identity {
            manufacturer_id: self.read_u16(Register::ManufacturerId).await?,
            device_id: self.read_u16(Register::DeviceId).await?,
        })
    }

    /// Writes the settings; a round of conversions begins anew, and until it ends the results are not the settings'.
    ///
    /// # Errors
    /// The bus's.
    pub async fn configure(&mut self, settings: Settings) -> Result<(), B::Error> {
        self.write_u16(Register::Config, settings.config()).await?;
        self.write_u16(Register::AdcConfig, settings.adc_config()).await
    }

    /// Whether the chip still holds the settings: a chip that lost its supply for a moment does not. Looks at one of the
    /// two registers, the second when `second` is set, so that the look takes no longer than another reading.
    ///
    /// # Errors
    /// The bus's.
    pub async fn holds(&mut self, settings: Settings, second: bool) -> Result<bool, B::Error> {
        if second {
            Ok(self.read_u16(Register::AdcConfig).await? == settings.adc_config())
        } else {
            Ok(self.read_u16(Register::Config).await? == settings.config())
        }
    }

    /// Shunt voltage of the latest conversion: 20 bits, the ends of the range mean that the input is beyond it.
    ///
    /// # Errors
    /// The bus's.
    pub async fn shunt_code(&mut self) -> Result<i32, B::Error> {
        let [high, middle, low] = self.read(Register::Vshunt).await?;
        // The code's sign bit lands in the word's, and the shift back carries it down: 8 bits of padding, 4 reserved.
        Ok(i32::from_be_bytes([high, middle, low, 0]) >> 12)
    }

    /// Rail voltage of the latest conversion, 0 to [`RAIL_CODE_MAX`].
    ///
    /// # Errors
    /// The bus's.
    pub async fn rail_code(&mut self) -> Result<u32, B::Error> {
        let [high, middle, low] = self.read(Register::Vbus).await?;
        Ok((u32::from_be_bytes([0, high, middle, low]) >> 4).min(RAIL_CODE_MAX))
    }

    /// Temperature of the chip, 7.8125 m°C a step.
    ///
    /// # Errors
    /// The bus's.
    pub async fn chip_temperature(&mut self) -> Result<i16, B::Error> {
        self.read(Register::DieTemp).await.map(i16::from_be_bytes)
    }

    /// Reads a 16-bit register.
    ///
    /// # Errors
    /// The bus's.
    pub async fn read_u16(&mut self, register: Register) -> Result<u16, B::Error> {
        self.read(register).await.map(u16::from_be_bytes)
    }

    /// Writes a 16-bit register.
    ///
    /// # Errors
    /// The bus's.
    pub async fn write_u16(&mut self, register: Register, content: u16) -> Result<(), B::Error> {
        self.pointer = None;
        let [high, low] = content.to_be_bytes();
        self.bus
            .write(self.address, &[register.address(), high, low])
            .await?;
        self.pointer = Some(register);
        Ok(())
    }

    async fn read<const N: usize>(&mut self, register: Register) -> Result<[u8; N], B::Error> {
        let mut bytes = [0; N];
        if self.pointer == Some(register) {
            self.pointer = None;
            self.bus.read(self.address, &mut bytes).await?;
        } else {
            self.pointer = None;
            self.bus
                .write_read(self.address, &[register.address()], &mut bytes)
                .await?;
        }
        self.pointer = Some(register);
        Ok(bytes)
    }
}
