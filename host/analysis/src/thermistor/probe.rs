//! A thermistor as fitted: its curve, its correction, its tolerances.

use super::{Curve, Divider, Resistance};
use crate::uncertainty::{Budget, Component, Distribution, UncertaintyError};
use serde::{Deserialize, Serialize};

/// A thermistor with its curve and what may be wrong with it.
///
/// A calibration narrows the tolerances and sets the correction ln R′ = `log_offset` + `log_slope`·ln R, which is applied
/// before the curve; see [`crate::calibration`].
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Thermistor {
    /// The curve.
    pub curve: Curve,
    /// Added to ln R before the curve; 0 when not calibrated.
    #[serde(default)]
    pub log_offset: f64,
    /// Multiplies ln R before the curve; 1 when not calibrated.
    #[serde(default = "one")]
    pub log_slope: f64,
    /// Tolerance of the resistance at the pivot, relative, to either side: 0.05 for 5 %.
    pub resistance_tolerance: f64,
    /// Tolerance of B, relative, to either side: 0.0075 for 0.75 %.
    pub beta_tolerance: f64,
    /// Where the tolerance of B does nothing: the nominal resistance, or that at the calibration point, in ohms.
    pub pivot_ohm: f64,
    /// By how much the curve itself may be off, to either side, in kelvin.
    pub curve_error_k: f64,
    /// Standard uncertainty of the reference thermometer it was calibrated with, in kelvin; 0 when not calibrated.
    #[serde(default)]
    pub reference_uncertainty_k: f64,
    /// Whether the series resistor and the converter were part of the calibration, so that their tolerance is in it.
    #[serde(default)]
    pub divider_calibrated: bool,
    /// Dissipation factor in still air, in watts per kelvin.
    pub dissipation_w_per_k: f64,
}

fn one() -> f64 {
    1.0
}

/// What a code says in the end.
#[derive(Clone, Debug, PartialEq)]
pub enum ThermistorReading {
    /// A temperature in °C, with its sources of uncertainty.
    Temperature(Budget),
    /// No thermistor, or a broken lead.
    Open,
    /// A short.
    Shorted,
}

impl Thermistor {
    /// The part of [`Curve::NTC_10K_B3977`] with the given tolerance of R25 (0.05 for 5 %); B ± 0.75 %, 7 mW/K in still
    /// air (Vishay data sheet 29049).
    #[must_use]
    pub fn ntc_10k_b3977(r25_tolerance: f64) -> Self {
        Self {
            curve: Curve::NTC_10K_B3977,
            curve_error_k: 0.012,
            dissipation_w_per_k: 0.007,
            ..Self::beta(10_000.0, 3_977.0, r25_tolerance, 0.0075)
        }
    }

    /// A part of which only R25 and B are known. The curve may be off by 0.8 K between 0 and 100 °C (computed for one
    /// 10 kΩ part with B = 3977 K); 3 mW/K in still air, as small beads have.
    #[must_use]
    pub fn beta(r25_ohm: f64, beta_k: f64, r25_tolerance: f64, beta_tolerance: f64) -> Self {
        Self {
            curve: Curve::Beta { r25_ohm, beta_k },
            log_offset: 0.0,
            log_slope: 1.0,
            resistance_tolerance: r25_tolerance,
            beta_tolerance,
            pivot_ohm: r25_ohm,
            curve_error_k: 0.8,
            reference_uncertainty_k: 0.0,
            divider_calibrated: false,
            dissipation_w_per_k: 0.003,
        }
    }

    /// The resistance as the curve takes it: after the correction of the calibration.
    #[must_use]
    pub fn corrected_ohm(&self, resistance_ohm: f64) -> f64 {
        (self.log_offset + self.log_slope * resistance_ohm.ln()).exp()
    }

    /// Temperature of the thermistor's body in °C at a resistance in ohms, self-heating included; NaN unless the resistance
    /// is above 0.
    #[must_use]
    pub fn temperature_c(&self, resistance_ohm: f64) -> f64 {
        self.curve.temperature_c(self.corrected_ohm(resistance_ohm))
    }

    /// How much warmer than its surroundings the thermistor may be by its own current, at most, in kelvin.
    #[must_use]
    pub fn self_heating_k(&self, divider: &Divider, resistance_ohm: f64) -> f64 {
        divider.power_w(resistance_ohm) / self.dissipation_w_per_k
    }

    /// The temperature in °C that a code stands for, half of the self-heating taken off; NaN when open or shorted. For a
    /// stream of codes; the bound comes from [`Thermistor::budget`].
    #[must_use]
    pub fn temperature_of_code_c(&self, divider: &Divider, code: f64) -> f64 {
        match divider.resistance(code) {
            Resistance::Ohm(ohm) => self.temperature_c(ohm) - self.self_heating_k(divider, ohm) / 2.0,
            Resistance::Open | Resistance::Shorted => f64::NAN,
        }
    }

    /// The temperature a code stands for, with its sources of uncertainty. `code_uncertainty` is the standard uncertainty of
    /// the code by noise, 0 if unknown: steps and errors of the converter are in the divider.
    ///
    /// # Errors
    /// A tolerance or uncertainty that is negative or not finite.
    ///
    /// ```
    /// use steadybench_analysis::thermistor::{Divider, Thermistor, ThermistorReading};
    ///
    /// let part = Thermistor::ntc_10k_b3977(0.02);
    /// let ThermistorReading::Temperature(budget) = part.budget(&Divider::default(), 1500.0, 0.5)? else { panic!() };
    /// let bounded = budget.bounded(0.95)?;
    /// assert!(bounded.value > 37.5 && bounded.value < 38.5 && bounded.half_width() < 1.5);
    /// # Ok::<(), steadybench_analysis::uncertainty::UncertaintyError>(())
    /// ```
    pub fn budget(
        &self,
        divider: &Divider,
        code: f64,
        code_uncertainty: f64,
    ) -> Result<ThermistorReading, UncertaintyError> {
        let resistance_ohm = match divider.resistance(code) {
            Resistance::Ohm(resistance_ohm) => resistance_ohm,
            Resistance::Open => return Ok(ThermistorReading::Open),
            Resistance::Shorted => return Ok(ThermistorReading::Shorted),
        };
        let corrected_ohm = self.corrected_ohm(resistance_ohm);
        let per_relative = self.curve.kelvin_per_relative_ohm(corrected_ohm) * self.log_slope;
        let per_code = per_relative * divider.relative_ohm_per_code(code);
        let from_pivot = (resistance_ohm / self.pivot_ohm).ln();
        let heating_k = self.self_heating_k(divider, resistance_ohm);
        let tolerance = |name, half_width, sensitivity| {
            Component::within(name, 0.0, "", half_width, Distribution::Rectangular).sensitivity(sensitivity)
        };
        let mut components = vec![
            Component::stated("noise of the code", code, "codes", code_uncertainty).sensitivity(per_code),
            tolerance(
                "tolerance of the thermistor",
                self.resistance_tolerance,
                per_relative,
            ),
            tolerance("tolerance of B", self.beta_tolerance, per_relative * from_pivot),
            Component::within("curve", 0.0, "K", self.curve_error_k, Distribution::Rectangular),
            Component::within(
                "self-heating",
                -heating_k / 2.0,
                "K",
                heating_k / 2.0,
                Distribution::Rectangular,
            ),
        ];
        if self.divider_calibrated {
            components.push(Component::stated(
                "reference thermometer",
                0.0,
                "K",
                self.reference_uncertainty_k,
            ));
            // Offset and slope went into the calibration; the steps did not.
            let half_step = Component::within(
                "step of the converter",
                code,
                "codes",
                0.5,
                Distribution::Rectangular,
            );
            components.push(half_step.sensitivity(per_code));
        } else {
            components.push(tolerance(
                "series resistor",
                divider.series_tolerance,
                per_relative,
            ));
            let error = divider.converter_error_codes;
            let converter = Component::within("converter", code, "codes", error, Distribution::Rectangular);
            components.push(converter.sensitivity(per_code));
        }
        let value = self.temperature_c(resistance_ohm) - heating_k / 2.0;
        Ok(ThermistorReading::Temperature(Budget::new(
            "temperature",
            "°C",
            value,
            components,
        )?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn budget(part: &Thermistor, code: f64) -> Budget {
        match part.budget(&Divider::default(), code, 0.0).unwrap() {
            ThermistorReading::Temperature(budget) => budget,
            state => panic!("{state:?}"),
        }
    }

    proptest! {
        /// A part drawn anywhere within its tolerances, on a resistor within its own, reads within the sum of the
        /// half-widths of the true temperature: what a budget is for.
        #[test]
        fn any_part_within_tolerance_reads_within_the_bound(
            temperature_c in 0.0..90.0_f64, r25 in -1.0..1.0_f64, beta in -1.0..1.0_f64, series in -1.0..1.0_f64,
        ) {
            let part = Thermistor::beta(10_000.0, 3_977.0, 0.02, 0.0075);
            let true_part = Curve::Beta { r25_ohm: 10_000.0 * (1.0 + 0.02 * r25), beta_k: 3_977.0 * (1.0 + 0.0075 * beta) };
            let divider = Divider { series_ohm: 10_000.0 * (1.0 + 0.01 * series), ..Divider::default() };
            let code = divider.code(true_part.resistance_ohm(temperature_c)).round();
            let budget = budget(&part, code);
            let worst: f64 = budget.components.iter().map(|c| c.contribution() * c.distribution.divisor()).sum();
            prop_assert!((budget.value - temperature_c).abs() <= 1.02 * worst);
            prop_assert!((part.temperature_of_code_c(&Divider::default(), code) - budget.value).abs() < 1e-12);
        }
    }

    #[test]
    fn a_state_is_never_a_temperature() {
        let part = Thermistor::ntc_10k_b3977(0.05);
        let read = |code| part.budget(&Divider::default(), code, 0.0).unwrap();
        assert_eq!(read(4095.0), ThermistorReading::Open);
        assert_eq!(read(0.0), ThermistorReading::Shorted);
        assert!(part.temperature_of_code_c(&Divider::default(), 4095.0).is_nan());
    }

    #[test]
    fn hotter_is_a_smaller_code() {
        let part = Thermistor::ntc_10k_b3977(0.05);
        let at = |code| part.temperature_of_code_c(&Divider::default(), code);
        assert!(at(1000.0) > at(1001.0) && at(1001.0) > at(3000.0));
    }
}
