//! One measuring channel: codes to amperes and volts.

use super::{RAIL_STEP_V, Shunt, ShuntRange, noise_standard_deviation_v};
use crate::statistics::{MeanEstimate, StatisticsError};
use crate::uncertainty::{Budget, Component, Distribution, UncertaintyError};
use serde::{Deserialize, Serialize};

/// Limits of the chip at 25 °C, each to either side. INA228 data sheet (TI SLYS021A), electrical characteristics.
mod limit {
    pub(super) const GAIN: f64 = 0.000_5;
    pub(super) const GAIN_DRIFT_PER_K: f64 = 20e-6;
    pub(super) const OFFSET_V: f64 = 1e-6;
    pub(super) const OFFSET_DRIFT_V_PER_K: f64 = 10e-9;
    pub(super) const NON_LINEARITY_OF_FULL_SCALE: f64 = 2e-5;
    pub(super) const RAIL_GAIN: f64 = 0.000_5;
    pub(super) const RAIL_OFFSET_V: f64 = 2.5e-3;
    pub(super) const SPECIFIED_AT_C: f64 = 25.0;
}

/// How the chip is set.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct MonitorSetting {
    /// Range of shunt voltage.
    pub range: ShuntRange,
    /// Conversion time of the shunt voltage in microseconds; one of [`super::CONVERSION_TIMES_US`].
    pub conversion_time_us: u32,
    /// Conversions averaged into one code; one of [`super::AVERAGES`].
    pub averages: u32,
}

/// A code, and how well it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CodeReading {
    /// The code, or the mean of many.
    pub code: f64,
    /// Its standard error in codes with the degrees of freedom of that; none for one reading, which has the noise of the
    /// data sheet.
    pub standard_error: Option<(f64, f64)>,
}

impl CodeReading {
    /// One reading.
    #[must_use]
    pub fn single(code: f64) -> Self {
        Self {
            code,
            standard_error: None,
        }
    }
}

impl From<&MeanEstimate> for CodeReading {
    fn from(mean: &MeanEstimate) -> Self {
        Self {
            code: mean.mean.value,
            standard_error: Some((mean.standard_error, mean.degrees_of_freedom)),
        }
    }
}

/// The corrections of one channel. What was not measured is none, and the data sheet's limits stand in for it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelCalibration {
    /// Shunt voltage read with no current, in volts.
    #[serde(default)]
    pub zero_v: f64,
    /// Its standard uncertainty in volts; none when the zero was not measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zero_uncertainty_v: Option<f64>,
    /// Factor to the current; 1 when not measured.
    #[serde(default = "one")]
    pub current_gain: f64,
    /// Its standard uncertainty, relative; none when the gain was not measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub current_gain_uncertainty: Option<f64>,
    /// Factor to the rail voltage; 1 when not measured.
    #[serde(default = "one")]
    pub voltage_gain: f64,
    /// Its standard uncertainty, relative; none when the gain was not measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub voltage_gain_uncertainty: Option<f64>,
    /// Temperature of the board when it was calibrated, in °C; 25 when it was not.
    #[serde(default = "specified_at_c")]
    pub temperature_c: f64,
    /// The shunt.
    pub shunt: Shunt,
}

fn one() -> f64 {
    1.0
}

fn specified_at_c() -> f64 {
    limit::SPECIFIED_AT_C
}

fn rectangular(name: &str, half_width: f64, unit: &str) -> Component {
    Component::within(name, 0.0, unit, half_width, Distribution::Rectangular)
}

impl ChannelCalibration {
    /// A channel nobody has calibrated.
    #[must_use]
    pub fn uncalibrated(shunt: Shunt) -> Self {
        Self {
            zero_v: 0.0,
            zero_uncertainty_v: None,
            current_gain: 1.0,
            current_gain_uncertainty: None,
            voltage_gain: 1.0,
            voltage_gain_uncertainty: None,
            temperature_c: limit::SPECIFIED_AT_C,
            shunt,
        }
    }

    /// The current in amperes behind a code of the shunt voltage; positive from the supply into the load.
    ///
    /// ```
    /// use steadybench_analysis::calibration::{ChannelCalibration, Shunt, ShuntRange};
    ///
    /// let shunt = Shunt { nominal_ohm: 0.0162, tolerance: 0.01, temperature_coefficient_per_k: 75e-6 };
    /// let current_a = ChannelCalibration::uncalibrated(shunt).current_a(311_040.0, ShuntRange::Wide);
    /// assert!((current_a - 6.0).abs() < 1e-12);
    /// ```
    #[must_use]
    pub fn current_a(&self, code: f64, range: ShuntRange) -> f64 {
        self.current_gain * (code * range.step_v() - self.zero_v) / self.shunt.nominal_ohm
    }

    /// The rail voltage in volts behind a code.
    #[must_use]
    pub fn rail_v(&self, code: f64) -> f64 {
        self.voltage_gain * code * RAIL_STEP_V
    }

    /// The current with its sources of uncertainty, at a temperature of the board in °C.
    ///
    /// # Errors
    /// A conversion time or average the chip does not have, or an uncertainty that is negative or not finite.
    ///
    /// ```
    /// use steadybench_analysis::calibration::{ChannelCalibration, CodeReading, MonitorSetting, Shunt, ShuntRange};
    ///
    /// let shunt = Shunt { nominal_ohm: 0.1, tolerance: 0.01, temperature_coefficient_per_k: 75e-6 };
    /// let setting = MonitorSetting { range: ShuntRange::Wide, conversion_time_us: 540, averages: 1 };
    /// let channel = ChannelCalibration::uncalibrated(shunt);
    /// let budget = channel.current_budget(&setting, CodeReading::single(80_000.0), 25.0)?;
    /// // 250 mA, and an uncalibrated 1 % shunt says how well.
    /// assert!((budget.bounded(0.95)?.half_width() / 0.25 - 0.0113).abs() < 3e-4);
    /// assert_eq!(budget.largest().unwrap().name, "tolerance of the shunt");
    /// # Ok::<(), steadybench_analysis::uncertainty::UncertaintyError>(())
    /// ```
    pub fn current_budget(
        &self,
        setting: &MonitorSetting,
        reading: CodeReading,
        temperature_c: f64,
    ) -> Result<Budget, UncertaintyError> {
        let current_a = self.current_a(reading.code, setting.range);
        let per_volt = self.current_gain / self.shunt.nominal_ohm;
        let per_code = per_volt * setting.range.step_v();
        let away_k = (temperature_c - self.temperature_c).abs();
        let noise = match reading.standard_error {
            Some((codes, freedom)) => {
                Component::measured("scatter of the readings", reading.code, "codes", codes, freedom)
                    .sensitivity(per_code)
            }
            None => {
                let (time_us, averages) = (setting.conversion_time_us, setting.averages);
                let noise_v = noise_standard_deviation_v(time_us, averages, setting.range).ok_or(
                    StatisticsError::OutOfRange {
                        what: "the conversion time in microseconds or the number of averages",
                        value: f64::from(time_us),
                        rule: "one the chip has: 50, 84, 150, 280, 540, 1052, 2074 or 4120 us; 1, 4, 16, 64 … 1024 averages",
                    },
                )?;
                Component::stated("noise of one reading", 0.0, "V", noise_v).sensitivity(per_volt)
            }
        };
        let mut components = vec![noise];
        components.push(match self.zero_uncertainty_v {
            Some(u) => Component::stated("measured zero", self.zero_v, "V", u),
            None => rectangular("offset of the chip", limit::OFFSET_V, "V"),
        });
        components.push(rectangular(
            "drift of the offset",
            limit::OFFSET_DRIFT_V_PER_K * away_k,
            "V",
        ));
        let full_scale_v = setting.range.full_scale_v();
        components.push(rectangular(
            "non-linearity of the chip",
            limit::NON_LINEARITY_OF_FULL_SCALE * full_scale_v,
            "V",
        ));
        for component in &mut components[1..] {
            component.sensitivity = per_volt;
        }
        components.push(rectangular("step of the code", 0.5, "codes").sensitivity(per_code));
        match self.current_gain_uncertainty {
            Some(u) => {
                components.push(Component::stated("measured gain", 1.0, "", u).sensitivity(current_a));
            }
            None => {
                let shunt = rectangular("tolerance of the shunt", self.shunt.tolerance, "");
                components.push(shunt.sensitivity(current_a));
                components.push(rectangular("gain of the chip", limit::GAIN, "").sensitivity(current_a));
            }
        }
        let shunt_drift = self.shunt.temperature_coefficient_per_k * away_k;
        components.push(rectangular("drift of the shunt", shunt_drift, "").sensitivity(current_a));
        let chip_drift = limit::GAIN_DRIFT_PER_K * away_k;
        components.push(rectangular("drift of the gain", chip_drift, "").sensitivity(current_a));
        Budget::new("current", "A", current_a, components)
    }

    /// The rail voltage with its sources of uncertainty, at a temperature of the board in °C.
    ///
    /// # Errors
    /// An uncertainty that is negative or not finite.
    pub fn rail_budget(&self, reading: CodeReading, temperature_c: f64) -> Result<Budget, UncertaintyError> {
        let rail_v = self.rail_v(reading.code);
        let per_code = self.voltage_gain * RAIL_STEP_V;
        let drift = limit::GAIN_DRIFT_PER_K * (temperature_c - self.temperature_c).abs();
        let mut components = vec![
            rectangular("offset of the chip", limit::RAIL_OFFSET_V, "V"),
            rectangular("step of the code", 0.5, "codes").sensitivity(per_code),
            rectangular("drift of the gain", drift, "").sensitivity(rail_v),
            match self.voltage_gain_uncertainty {
                Some(u) => Component::stated("measured gain", 1.0, "", u).sensitivity(rail_v),
                None => rectangular("gain of the chip", limit::RAIL_GAIN, "").sensitivity(rail_v),
            },
        ];
        if let Some((codes, freedom)) = reading.standard_error {
            let scatter =
                Component::measured("scatter of the readings", reading.code, "codes", codes, freedom);
            components.push(scatter.sensitivity(per_code));
        }
        Budget::new("rail voltage", "V", rail_v, components)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SHUNT: Shunt = Shunt {
        nominal_ohm: 0.1,
        tolerance: 0.01,
        temperature_coefficient_per_k: 75e-6,
    };
    const SETTING: MonitorSetting = MonitorSetting {
        range: ShuntRange::Wide,
        conversion_time_us: 540,
        averages: 1,
    };

    fn half_width(channel: &ChannelCalibration, reading: CodeReading, temperature_c: f64) -> f64 {
        channel
            .current_budget(&SETTING, reading, temperature_c)
            .unwrap()
            .bounded(0.95)
            .unwrap()
            .half_width()
    }

    proptest! {
        /// A board drawn within the limits reads within the sum of the half-widths of the true current.
        #[test]
        fn a_board_within_its_limits_reads_within_the_bound(
            current_a in -1.5..1.5_f64, shunt in -1.0..1.0_f64, gain in -1.0..1.0_f64, offset in -1.0..1.0_f64,
            away_k in 0.0..40.0_f64, drift in -1.0..1.0_f64,
        ) {
            let ohm = SHUNT.nominal_ohm * (1.0 + 0.01 * shunt) * (1.0 + 75e-6 * away_k * drift);
            let shunt_v = current_a * ohm * (1.0 + 0.000_5 * gain) + 1e-6 * offset;
            let code = (shunt_v / SETTING.range.step_v()).round();
            let channel = ChannelCalibration::uncalibrated(SHUNT);
            let budget = channel.current_budget(&SETTING, CodeReading::single(code), 25.0 + away_k).unwrap();
            let worst: f64 = budget.components.iter().map(|c| c.contribution() * c.distribution.divisor()).sum();
            prop_assert!((budget.value - current_a).abs() <= 1.02 * worst);
        }

        #[test]
        fn calibrating_and_averaging_narrow_the_bound(code in 10_000.0..500_000.0_f64) {
            let raw = ChannelCalibration::uncalibrated(SHUNT);
            let calibrated = ChannelCalibration { current_gain_uncertainty: Some(0.001), zero_uncertainty_v: Some(1e-7), ..raw };
            let mean = CodeReading { code, standard_error: Some((0.5, 100.0)) };
            let single = CodeReading::single(code);
            prop_assert!(half_width(&calibrated, single, 25.0) < half_width(&raw, single, 25.0));
            prop_assert!(half_width(&calibrated, mean, 25.0) < half_width(&calibrated, single, 25.0));
            prop_assert!(half_width(&calibrated, mean, 45.0) > half_width(&calibrated, mean, 25.0));
        }
    }

    #[test]
    fn a_setting_the_chip_does_not_have_is_refused() {
        let channel = ChannelCalibration::uncalibrated(SHUNT);
        let setting = MonitorSetting {
            conversion_time_us: 500,
            ..SETTING
        };
        let error = channel
            .current_budget(&setting, CodeReading::single(1.0), 25.0)
            .unwrap_err();
        assert!(error.to_string().contains("540"), "{error}");
    }
}
