//! From a converter's code to a resistance.

use serde::{Deserialize, Serialize};

/// A code within this share of full scale (1/128) of either end is a state, not a resistance; the firmware draws the same
/// line.
const END_SHARE: f64 = 1.0 / 128.0;

/// The divider: thermistor from the pin to ground, series resistor from the pin to the converter's reference.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Divider {
    /// The series resistor in ohms.
    pub series_ohm: f64,
    /// Its tolerance, relative, to either side: 0.01 for 1 %.
    pub series_tolerance: f64,
    /// The code that would stand for the whole reference: 4096 for 12 bits.
    pub full_scale_code: f64,
    /// By how many codes the converter may be off to either side, steps and non-linearity included.
    pub converter_error_codes: f64,
    /// The reference voltage, which heats the thermistor, in volts.
    pub reference_v: f64,
}

impl Default for Divider {
    /// 10 kΩ ± 1 % on a 12-bit converter at 3.3 V that may be off by four codes (common practice, no source).
    fn default() -> Self {
        Self {
            series_ohm: 10_000.0,
            series_tolerance: 0.01,
            full_scale_code: 4096.0,
            converter_error_codes: 4.0,
            reference_v: 3.3,
        }
    }
}

/// What a code says about the thermistor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Resistance {
    /// A resistance in ohms.
    Ohm(f64),
    /// The code stands at the reference: no thermistor, or a broken lead.
    Open,
    /// The code stands at ground: a short.
    Shorted,
}

impl Divider {
    /// What `code` says; a mean of codes may be fractional. A code that is not a number counts as open.
    ///
    /// ```
    /// use steadybench_analysis::thermistor::{Divider, Resistance};
    ///
    /// let divider = Divider::default();
    /// assert_eq!(divider.resistance(2048.0), Resistance::Ohm(10_000.0));
    /// assert_eq!(divider.resistance(4090.0), Resistance::Open);
    /// assert_eq!(divider.resistance(3.0), Resistance::Shorted);
    /// ```
    #[must_use]
    pub fn resistance(&self, code: f64) -> Resistance {
        let margin = self.full_scale_code * END_SHARE;
        if code < margin {
            Resistance::Shorted
        } else if code < self.full_scale_code - margin {
            Resistance::Ohm(self.series_ohm * code / (self.full_scale_code - code))
        } else {
            Resistance::Open
        }
    }

    /// The code of a resistance, not rounded.
    #[must_use]
    pub fn code(&self, resistance_ohm: f64) -> f64 {
        self.full_scale_code * resistance_ohm / (resistance_ohm + self.series_ohm)
    }

    /// Relative change of resistance per code at `code`.
    #[must_use]
    pub fn relative_ohm_per_code(&self, code: f64) -> f64 {
        self.full_scale_code / (code * (self.full_scale_code - code))
    }

    /// Power that heats the thermistor at a resistance, in watts.
    #[must_use]
    pub fn power_w(&self, resistance_ohm: f64) -> f64 {
        (self.reference_v / (self.series_ohm + resistance_ohm)).powi(2) * resistance_ohm
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_resistance_comes_back_from_its_code(resistance_ohm in 100.0..1e6_f64) {
            let divider = Divider::default();
            let code = divider.code(resistance_ohm);
            let Resistance::Ohm(back) = divider.resistance(code) else { panic!("a state at {resistance_ohm}") };
            prop_assert!((back / resistance_ohm - 1.0).abs() < 1e-9);
            let Resistance::Ohm(next) = divider.resistance(code + 1e-3) else { return Ok(()) };
            prop_assert!(((next / back).ln() / 1e-3 / divider.relative_ohm_per_code(code) - 1.0).abs() < 0.01);
        }
    }

    #[test]
    fn not_a_number_is_no_temperature() {
        assert_eq!(Divider::default().resistance(f64::NAN), Resistance::Open);
    }
}
