//! Codes to amperes, volts and degrees.

use steadybench_analysis::calibration::{Calibration, ChannelCalibration};
use steadybench_analysis::thermistor::{Divider, Thermistor};
use steadybench_protocol::{
    ChannelDescription, DividerDescription, Hello, RailCodes, SlowValues, ThermistorReading,
};

use crate::calibrations;
use crate::recorder::serial_digits;

/// The monitor chip's own temperature, per step (INA228 data sheet, register `DIETEMP`).
const CHIP_TEMPERATURE_STEP_C: f64 = 7.8125e-3;

/// What the fitted thermistors are unless a calibration says otherwise: 10 kΩ, B 3977 K, ±5 %.
const R25_TOLERANCE: f64 = 0.05;

/// Scales of one board, from its hello and its calibration.
///
/// ```
/// # use steadybench_host::units::ChannelScale;
/// // 10 mΩ and 312.5 nV a step make 31.25 µA a step.
/// let scale = ChannelScale::nominal(312_500, 10_000, 195_312_500);
/// assert!((scale.current_a(800) - 0.025).abs() < 1e-12);
/// assert_eq!(scale.current_decimals(), 7);
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChannelScale {
    current_step_a: f64,
    current_offset_a: f64,
    rail_step_v: f64,
}

impl ChannelScale {
    /// The scale that the nominal shunt gives: picovolts a step, the shunt in micro-ohms, picovolts a rail step.
    #[must_use]
    pub fn nominal(current_step_pv: u32, shunt_micro_ohm: u32, rail_step_pv: u32) -> Self {
        // pV / µΩ = µA. One division rounds once, so that a round step is printed as one.
        Self {
            current_step_a: f64::from(current_step_pv) / (f64::from(shunt_micro_ohm.max(1)) * 1e6),
            current_offset_a: 0.0,
            rail_step_v: f64::from(rail_step_pv) / 1e12,
        }
    }

    fn of(channel: &ChannelDescription) -> Self {
        Self::nominal(
            channel.current_step_pv,
            channel.shunt_micro_ohm,
            channel.rail_step_pv,
        )
    }

    /// The same scale with a channel's corrections; unchanged where they were made with another shunt.
    fn corrected(self, by: &ChannelCalibration, shunt_micro_ohm: u32) -> Self {
        let fitted_ohm = f64::from(shunt_micro_ohm) * 1e-6;
        if (by.shunt.nominal_ohm / fitted_ohm - 1.0).abs() > 1e-6 {
            return self;
        }
        Self {
            current_step_a: by.current_gain * self.current_step_a,
            current_offset_a: -by.current_gain * by.zero_v / fitted_ohm,
            rail_step_v: by.voltage_gain * self.rail_step_v,
        }
    }

    /// Current in amperes, positive from the supply into the load.
    #[must_use]
    pub fn current_a(&self, code: i32) -> f64 {
        f64::from(code) * self.current_step_a + self.current_offset_a
    }

    /// The code nearest to a current.
    #[must_use]
    pub fn current_code(&self, current_a: f64) -> f64 {
        ((current_a - self.current_offset_a) / self.current_step_a).round()
    }

    /// Current of one step, in amperes.
    #[must_use]
    pub const fn current_step_a(&self) -> f64 {
        self.current_step_a
    }

    /// Rail voltage in volts.
    #[must_use]
    pub fn rail_v(&self, code: u32) -> f64 {
        f64::from(code) * self.rail_step_v
    }

    /// Decimals by which a current gives its code back: finer than a hundredth of a step.
    #[must_use]
    pub fn current_decimals(&self) -> usize {
        decimals(self.current_step_a)
    }

    /// Decimals by which a rail voltage gives its code back.
    #[must_use]
    pub fn rail_decimals(&self) -> usize {
        decimals(self.rail_step_v)
    }
}

/// Three digits more than the step has, but at least 2 and at most 12.
fn decimals(step: f64) -> usize {
    // Steps of a legal hello lie far inside this range; a nonsense one must not make a nonsense column.
    const LARGEST_STEPS: [f64; 11] = [10.0, 1.0, 1e-1, 1e-2, 1e-3, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8, 1e-9];
    let fit = LARGEST_STEPS
        .iter()
        .take_while(|largest| step <= **largest)
        .count();
    fit.max(1) + 1
}

/// Everything that turns one board's codes into quantities.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Units {
    /// The two channels.
    pub channels: [ChannelScale; 2],
    dividers: [Divider; 2],
    thermistors: [Thermistor; 2],
}

/// Slow values in their units; `None` is missing.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SlowQuantities {
    /// Rail voltage behind each shunt: latest, lowest and highest since the slow values before, in volts.
    pub rail_v: [Option<[f64; 3]>; 2],
    /// Thermistors, in degrees Celsius; open and shorted ones are missing.
    pub temperature_c: [Option<f64>; 2],
    /// The monitor chips' own temperature, in degrees Celsius.
    pub chip_c: [Option<f64>; 2],
    /// The thermistors' raw codes; `None` when it is open, shorted, or did not answer.
    pub thermistor_code: [Option<u16>; 2],
}

impl Units {
    /// The units of the board that said `hello`: by its calibration in use, or nominal.
    #[must_use]
    pub fn of(hello: &Hello) -> Self {
        match calibrations::of(&serial_digits(hello)) {
            Some(calibration) => Self::calibrated(hello, calibration),
            None => Self::nominal(hello),
        }
    }

    /// The units of a board as built.
    #[must_use]
    pub fn nominal(hello: &Hello) -> Self {
        Self {
            channels: [
                ChannelScale::of(&hello.channels[0]),
                ChannelScale::of(&hello.channels[1]),
            ],
            dividers: hello.thermistors.map(|described| divider_of(&described)),
            thermistors: [thermistor_as_built(); 2],
        }
    }

    /// The units of a board by a calibration that was made for it.
    #[must_use]
    pub fn calibrated(hello: &Hello, by: &Calibration) -> Self {
        let nominal = Self::nominal(hello);
        Self {
            channels: [0, 1].map(|at| {
                nominal.channels[at].corrected(&by.channels[at], hello.channels[at].shunt_micro_ohm)
            }),
            dividers: nominal.dividers,
            thermistors: [0, 1].map(|at| by.thermistors[at].thermistor),
        }
    }

    /// Temperature of a thermistor; `None` when it is open, shorted, or did not answer.
    #[must_use]
    pub fn temperature_c(&self, channel: usize, reading: ThermistorReading) -> Option<f64> {
        let ThermistorReading::Code(code) = reading else {
            return None;
        };
        let celsius =
            self.thermistors[channel].temperature_of_code_c(&self.dividers[channel], f64::from(code));
        celsius.is_finite().then_some(celsius)
    }

    /// The highest code that stands for more than `celsius`, for the guard's limit; `None` when no code does.
    #[must_use]
    pub fn thermistor_code(&self, channel: usize, celsius: f64) -> Option<u16> {
        let full_scale = self.dividers[channel].full_scale_code as u16;
        // Hotter is a smaller code; a guard is set once a run, so the table is searched and not the curve inverted.
        (1..full_scale).rev().find(|code| {
            self.temperature_c(channel, ThermistorReading::Code(*code))
                .is_some_and(|at_code| at_code > celsius)
        })
    }

    /// Slow values in their units.
    #[must_use]
    pub fn slow(&self, slow: &SlowValues) -> SlowQuantities {
        let rail = |channel: usize, codes: RailCodes| {
            [codes.latest, codes.lowest, codes.highest].map(|code| self.channels[channel].rail_v(code))
        };
        SlowQuantities {
            rail_v: [0, 1].map(|channel| slow.rail[channel].map(|codes| rail(channel, codes))),
            temperature_c: [0, 1].map(|channel| self.temperature_c(channel, slow.thermistor[channel])),
            chip_c: slow
                .chip_temperature
                .map(|code| code.map(|code| f64::from(code) * CHIP_TEMPERATURE_STEP_C)),
            thermistor_code: slow.thermistor.map(|reading| match reading {
                ThermistorReading::Code(code) => Some(code),
                _ => None,
            }),
        }
    }
}

/// A thermistor as built.
pub(crate) fn thermistor_as_built() -> Thermistor {
    Thermistor::ntc_10k_b3977(R25_TOLERANCE)
}

/// The divider that a board describes.
pub(crate) fn divider_of(described: &DividerDescription) -> Divider {
    Divider {
        series_ohm: f64::from(described.series_ohm),
        full_scale_code: f64::from(described.full_scale_code),
        ..Divider::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked example of the INA228 data sheet (TI SLYS021A, section 8.2.2): 16.2 mΩ, VSHUNT 311040 = 97.2 mV = 6 A,
    /// VBUS 245760 = 48 V.
    #[test]
    fn data_sheet_example() {
        let scale = ChannelScale::nominal(312_500, 16_200, 195_312_500);
        assert!((scale.current_a(311_040) - 6.0).abs() < 1e-9);
        assert!((scale.current_a(-311_040) + 6.0).abs() < 1e-9);
        assert!((scale.rail_v(245_760) - 48.0).abs() < 1e-9);
    }

    #[test]
    fn printed_currents_give_their_codes_back() {
        for scale in [
            ChannelScale::nominal(312_500, 10_000, 195_312_500),
            ChannelScale::nominal(78_125, 1_000_000, 195_312_500),
            ChannelScale::nominal(312_500, 333, 195_312_500),
        ] {
            for code in [-524_288, -77_777, -1, 0, 1, 3, 123_457, 524_287] {
                let printed = format!("{:.*}", scale.current_decimals(), scale.current_a(code));
                let read: f64 = printed.parse().unwrap();
                assert_eq!(scale.current_code(read), f64::from(code), "{printed}");
            }
        }
    }
}
