//! The monitor chip INA228 at its registers: what the driver writes has its effect, what it reads is a conversion of
//! the bench with the chip's noise and errors.
//!
//! Source: INA228 data sheet, TI SLYS021A (January 2021, revised May 2022), sections 7.3, 7.6 and 8.1. Not modelled: the
//! alert pin and the latching of flags, the delay before conversions, high-speed mode. Energy and charge are summed
//! from the bench itself, without conversion noise, which averages out.

mod conversion;
pub mod noise;
mod parts;
#[cfg(test)]
mod tests;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use steadybench_firmware::ina228::Register;
use steadybench_firmware::ina228::registers::{config, diag_alert};
use steadybench_protocol::ShuntRange;
use steadybench_protocol::limits::{CURRENT_CODE_MAX, CURRENT_CODE_MIN, RAIL_CODE_MAX};

use conversion::{Plan, Quantity, Windows, average_code};

pub use parts::ChipParts;

/// Rail voltage of one step, volts.
const RAIL_STEP_V: f64 = 195.312_5e-6;

/// Temperature of one step, kelvins.
const TEMPERATURE_STEP_K: f64 = 7.812_5e-3;

/// What the chip's pins see. Times are bench seconds; windows never end later than the time of the transfer.
pub trait ChipInputs {
    /// Mean shunt voltage over a window, volts.
    fn shunt_v(&self, from_s: f64, to_s: f64) -> f64;
    /// Mean rail voltage over a window, volts.
    fn rail_v(&self, from_s: f64, to_s: f64) -> f64;
    /// Temperature of the chip, °C.
    fn chip_c(&self) -> f64;
    /// Integrals since the bench began.
    fn totals(&self, at_s: f64) -> Totals;
}

/// Integrals since the bench began.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Totals {
    /// Of the shunt voltage, volt-seconds.
    pub shunt_vs: f64,
    /// Of shunt voltage times rail voltage, volt-squared seconds.
    pub product_v2s: f64,
}

/// One finished conversion.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conversion {
    /// What the register reads.
    pub code: i32,
    /// When the conversion began, bench seconds; of the first one where several are averaged.
    pub from_s: f64,
    /// When it ended; of the last one where several are averaged.
    pub to_s: f64,
    /// The true mean of the input meanwhile: volts, or °C.
    pub truth: f64,
}

/// One chip.
#[derive(Debug)]
pub struct Chip {
    parts: ChipParts,
    manufacturer_id: u16,
    device_id: u16,
    /// Registers a host can write, by address.
    written: [u16; 0x12],
    pointer: u8,
    plan: Plan,
    /// Latest result by quantity and, while it is of the present plan, its round.
    results: [Option<(Conversion, Option<u64>)>; 3],
    /// The round whose finishing flag has been read.
    flag_read: Option<u64>,
    sum_from: Totals,
    noise: ChaCha8Rng,
}

impl Chip {
    /// A chip that has just been given its supply at `at_s`.
    #[must_use]
    pub fn new(parts: ChipParts, noise_seed: u64, at_s: f64) -> Self {
        let mut chip = Self {
            parts,
            manufacturer_id: Register::ManufacturerId.after_reset(),
            device_id: Register::DeviceId.after_reset(),
            written: [0; 0x12],
            pointer: 0,
            plan: Plan::new(0, at_s, 1.0),
            results: [None; 3],
            flag_read: None,
            sum_from: Totals::default(),
            noise: ChaCha8Rng::seed_from_u64(noise_seed),
        };
        chip.reset(at_s, Totals::default());
        chip
    }

    /// What was drawn for this chip.
    #[must_use]
    pub const fn parts(&self) -> &ChipParts {
        &self.parts
    }

    /// Answers from now on as another chip.
    pub const fn pretend(&mut self, manufacturer_id: u16, device_id: u16) {
        self.manufacturer_id = manufacturer_id;
        self.device_id = device_id;
    }

    /// Loses everything, as at power-up.
    pub fn reset(&mut self, at_s: f64, totals: Totals) {
        for register in Register::ALL {
            if let Some(content) = self.written.get_mut(usize::from(register.address())) {
                *content = register.after_reset();
            }
        }
        self.pointer = 0;
        self.results = [None; 3];
        self.sum_from = totals;
        self.begin(at_s);
    }

    /// Bytes written to the chip after its address: the register pointer, and two bytes of content or none.
    pub fn write(&mut self, bytes: &[u8], at_s: f64, inputs: &impl ChipInputs) {
        let Some((pointer, content)) = bytes.split_first() else {
            return;
        };
        self.pointer = *pointer;
        if let Ok(content) = content.try_into() {
            self.write_register(u16::from_be_bytes(content), at_s, inputs);
        }
    }

    /// Bytes read from the register the pointer stands at; past its width nobody drives the line.
    pub fn read(&mut self, bytes: &mut [u8], at_s: f64, inputs: &impl ChipInputs) {
        let (content, width) = self.content(at_s, inputs);
        let content = content.to_be_bytes();
        for (at, byte) in bytes.iter_mut().enumerate() {
            *byte = if at < width { content[8 - width + at] } else { 0xFF };
        }
    }

    /// The register the pointer stands at.
    #[must_use]
    pub fn pointed(&self) -> Option<Register> {
        Register::ALL
            .into_iter()
            .find(|register| register.address() == self.pointer)
    }

    /// The latest shunt conversion, if one has been read.
    #[must_use]
    pub fn latest_shunt(&self) -> Option<Conversion> {
        self.results[Quantity::Shunt.index()].map(|(conversion, _)| conversion)
    }

    /// The shunt range set.
    #[must_use]
    pub fn range(&self) -> ShuntRange {
        if self.setting(Register::Config) & config::ADCRANGE == 0 {
            ShuntRange::Millivolts164
        } else {
            ShuntRange::Millivolts41
        }
    }

    fn setting(&self, register: Register) -> u16 {
        self.written
            .get(usize::from(register.address()))
            .copied()
            .unwrap_or_default()
    }

    fn write_register(&mut self, content: u16, at_s: f64, inputs: &impl ChipInputs) {
        let Some(register) = self.pointed() else {
            return;
        };
        let writable = match register {
            Register::Config => !(config::RST | config::RSTACC) & 0xFFF0,
            Register::AdcConfig | Register::ShuntOverLimit | Register::ShuntUnderLimit => 0xFFFF,
            Register::TempLimit | Register::PowerLimit => 0xFFFF,
            Register::ShuntCal | Register::BusOverLimit | Register::BusUnderLimit => 0x7FFF,
            Register::ShuntTempco => 0x3FFF,
            Register::DiagAlert => 0xF000,
            _ => return,
        };
        if register == Register::Config && content & config::RST != 0 {
            self.reset(at_s, inputs.totals(at_s));
            self.pointer = register.address();
            return;
        }
        if register == Register::Config && content & config::RSTACC != 0 {
            self.sum_from = inputs.totals(at_s);
        }
        // What was converted so far was converted under the old settings.
        for quantity in Quantity::ALL {
            self.convert(quantity, at_s, inputs);
        }
        self.written[usize::from(register.address())] = content & writable;
        if matches!(register, Register::Config | Register::AdcConfig) {
            self.begin(at_s);
        }
    }

    /// Conversions begin anew; finished results stay until the next.
    fn begin(&mut self, at_s: f64) {
        self.plan = Plan::new(self.setting(Register::AdcConfig), at_s, self.parts.oscillator);
        self.flag_read = None;
        for (_, round) in self.results.iter_mut().flatten() {
            *round = None;
        }
    }

    /// Content and width in bytes of the register pointed at.
    fn content(&mut self, at_s: f64, inputs: &impl ChipInputs) -> (u64, usize) {
        let Some(register) = self.pointed() else {
            return (0, 2);
        };
        let content = match register {
            Register::Vshunt => shifted(self.convert(Quantity::Shunt, at_s, inputs)),
            Register::Vbus => shifted(self.convert(Quantity::Rail, at_s, inputs)),
            Register::DieTemp => self.convert(Quantity::Temperature, at_s, inputs) as u64,
            Register::Current => shifted(self.current(at_s, inputs)),
            Register::Power => self.power(at_s, inputs),
            Register::Charge => self.charge(at_s, inputs),
            Register::Energy => self.energy(at_s, inputs),
            Register::DiagAlert => u64::from(self.flags(at_s, inputs)),
            Register::ManufacturerId => u64::from(self.manufacturer_id),
            Register::DeviceId => u64::from(self.device_id),
            _ => u64::from(self.setting(register)),
        };
        (content, register.bytes())
    }

    /// The register's content for a quantity, converted now if a conversion has ended since.
    fn convert(&mut self, quantity: Quantity, at_s: f64, inputs: &impl ChipInputs) -> i32 {
        let held = self.results[quantity.index()];
        let Some(round) = self.plan.latest(quantity, at_s) else {
            return held.map_or(0, |(conversion, _)| conversion.code);
        };
        if let Some((conversion, Some(of))) = held
            && of == round
        {
            return conversion.code;
        }
        let windows = self.plan.windows(quantity, round);
        let truth = mean(&windows, |from_s, to_s| match quantity {
            Quantity::Rail => inputs.rail_v(from_s, to_s),
            Quantity::Shunt => inputs.shunt_v(from_s, to_s),
            Quantity::Temperature => inputs.chip_c(),
        });
        let conversion = Conversion {
            code: self.code(quantity, truth),
            from_s: windows.first_s,
            to_s: windows.first_s + windows.apart_s * f64::from(windows.count - 1) + windows.length_s,
            truth,
        };
        self.results[quantity.index()] = Some((conversion, Some(round)));
        conversion.code
    }

    /// Errors, noise and rounding.
    fn code(&mut self, quantity: Quantity, truth: f64) -> i32 {
        let adc_config = self.setting(Register::AdcConfig);
        let time = quantity.time_code(adc_config);
        let average = average_code(adc_config);
        let random: f64 = StandardNormal.sample(&mut self.noise);
        match quantity {
            Quantity::Shunt => {
                let noise_v = noise::shunt_noise_v(time, average, self.range());
                let volts =
                    truth * (1.0 + self.parts.shunt_gain) + self.parts.shunt_offset_v + noise_v * random;
                let step_v = f64::from(self.range().step_pv()) * 1e-12;
                rounded(volts / step_v, CURRENT_CODE_MIN, CURRENT_CODE_MAX)
            }
            Quantity::Rail => {
                let volts = truth * (1.0 + self.parts.rail_gain)
                    + self.parts.rail_offset_v
                    + noise::rail_noise_v(time, average) * random;
                rounded(volts / RAIL_STEP_V, 0, RAIL_CODE_MAX as i32)
            }
            Quantity::Temperature => {
                let celsius = truth + self.parts.temperature_offset_k;
                rounded(
                    celsius / TEMPERATURE_STEP_K,
                    i32::from(i16::MIN),
                    i32::from(i16::MAX),
                )
            }
        }
    }

    /// `CURRENT` (section 8.1.2): both ranges have the same formula, because the calibration holds their ratio.
    fn current(&mut self, at_s: f64, inputs: &impl ChipInputs) -> i32 {
        let code = self.convert(Quantity::Shunt, at_s, inputs);
        let scale = self.current_scale(at_s, inputs);
        (f64::from(code) * scale).clamp(f64::from(CURRENT_CODE_MIN), f64::from(CURRENT_CODE_MAX)) as i32
    }

    /// Steps of `CURRENT` in a step of `VSHUNT`.
    fn current_scale(&mut self, at_s: f64, inputs: &impl ChipInputs) -> f64 {
        let calibration = self.setting(Register::ShuntCal);
        if calibration == 0 {
            return 0.0;
        }
        let warmer_k = if self.setting(Register::Config) & config::TEMPCOMP == 0 {
            0.0
        } else {
            f64::from(self.convert(Quantity::Temperature, at_s, inputs)) * TEMPERATURE_STEP_K - 25.0
        };
        let tempco = f64::from(self.setting(Register::ShuntTempco)) * 1e-6;
        4_096.0 / f64::from(calibration) / (1.0 + warmer_k * tempco)
    }

    fn power(&mut self, at_s: f64, inputs: &impl ChipInputs) -> u64 {
        let current = f64::from(self.current(at_s, inputs)).abs();
        let rail = f64::from(self.convert(Quantity::Rail, at_s, inputs));
        (current * rail / 16_384.0).min(f64::from(0x00FF_FFFF)) as u64
    }

    /// Amperes a volt at the shunt, in steps of `CURRENT`, and the chip's seconds: for what is summed.
    fn summed_scale(&mut self, at_s: f64, inputs: &impl ChipInputs) -> f64 {
        let step_v = f64::from(self.range().step_pv()) * 1e-12;
        self.current_scale(at_s, inputs) * (1.0 + self.parts.shunt_gain) * self.parts.oscillator / step_v
    }

    fn charge(&mut self, at_s: f64, inputs: &impl ChipInputs) -> u64 {
        let sum = inputs.totals(at_s).shunt_vs - self.sum_from.shunt_vs;
        (sum * self.summed_scale(at_s, inputs)) as i64 as u64
    }

    fn energy(&mut self, at_s: f64, inputs: &impl ChipInputs) -> u64 {
        let sum = inputs.totals(at_s).product_v2s - self.sum_from.product_v2s;
        // E = 16 × 3.2 × step × ENERGY.
        (sum.abs() * self.summed_scale(at_s, inputs) / (16.0 * 3.2)) as u64
    }

    /// `DIAG_ALRT`; the finishing flag is cleared by the reading.
    fn flags(&mut self, at_s: f64, inputs: &impl ChipInputs) -> u16 {
        let shunt = self.convert(Quantity::Shunt, at_s, inputs);
        let rail = self.convert(Quantity::Rail, at_s, inputs);
        let celsius = self.convert(Quantity::Temperature, at_s, inputs);
        let power = self.power(at_s, inputs);
        let finished = Quantity::ALL
            .into_iter()
            .filter_map(|quantity| self.plan.latest(quantity, at_s))
            .min();
        let news = finished.is_some() && finished != self.flag_read;
        self.flag_read = finished;
        let signed = |register| i32::from(self.setting(register) as i16);
        // A step of a limit is 16 steps of what it limits.
        let conditions = [
            (diag_alert::CNVRF, news),
            (diag_alert::SHNTOL, shunt > signed(Register::ShuntOverLimit) * 16),
            (diag_alert::SHNTUL, shunt < signed(Register::ShuntUnderLimit) * 16),
            (
                diag_alert::BUSOL,
                rail > i32::from(self.setting(Register::BusOverLimit)) * 16,
            ),
            (
                diag_alert::BUSUL,
                rail < i32::from(self.setting(Register::BusUnderLimit)) * 16,
            ),
            (diag_alert::TMPOL, celsius > signed(Register::TempLimit)),
            (
                diag_alert::POL,
                power > u64::from(self.setting(Register::PowerLimit)) * 256,
            ),
        ];
        let flags = conditions
            .into_iter()
            .filter(|(_, met)| *met)
            .fold(0, |flags, (flag, _)| flags | flag);
        self.setting(Register::DiagAlert) & 0xF000 | flags | diag_alert::MEMSTAT
    }
}

/// A 20-bit result in bits 23 to 4.
const fn shifted(code: i32) -> u64 {
    (code as u32 as u64) << 4
}

fn rounded(steps: f64, lowest: i32, highest: i32) -> i32 {
    (steps + 0.5).floor().clamp(f64::from(lowest), f64::from(highest)) as i32
}

fn mean(windows: &Windows, input: impl Fn(f64, f64) -> f64) -> f64 {
    let sum: f64 = (0..windows.count)
        .map(|turn| {
            let from_s = windows.first_s + windows.apart_s * f64::from(turn);
            input(from_s, from_s + windows.length_s)
        })
        .sum();
    sum / f64::from(windows.count)
}
