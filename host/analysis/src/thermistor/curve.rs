//! Resistance against temperature.

use super::ICE_POINT_K;
use serde::{Deserialize, Serialize};

/// 25 °C in kelvin, where a thermistor's nominal resistance is stated.
const NOMINAL_K: f64 = ICE_POINT_K + 25.0;

/// Why a curve could not be made.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ThermistorError {
    /// A resistance or temperature that cannot be.
    #[error("{what} is {value}, but must be {rule}")]
    OutOfRange {
        /// The figure.
        what: &'static str,
        /// Its value.
        value: f64,
        /// The range, in words.
        rule: &'static str,
    },
    /// Points that no thermistor of this kind passes through.
    #[error(
        "the points do not fall on the curve of an NTC thermistor: {why}; check that each resistance belongs to its temperature"
    )]
    Points {
        /// What is wrong with them.
        why: &'static str,
    },
}

/// A thermistor's curve.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Curve {
    /// R = R25·exp(B·(1/T − 1/298.15 K)).
    Beta {
        /// Resistance at 25 °C in ohms.
        r25_ohm: f64,
        /// B in kelvin.
        beta_k: f64,
    },
    /// 1/T = A + B·ln R + C·(ln R)³, R in ohms, T in kelvin.
    SteinhartHart {
        /// A in 1/K.
        a: f64,
        /// B in 1/K.
        b: f64,
        /// C in 1/K.
        c: f64,
    },
    /// ln(R/R25) = A + B/T + C/T² + D/T³ and 1/T = A₁ + B₁·L + C₁·L² + D₁·L³ with L = ln(R/R25).
    FourCoefficient {
        /// Resistance at 25 °C in ohms.
        r25_ohm: f64,
        /// A, B, C, D: from temperature to resistance.
        to_resistance: [f64; 4],
        /// A₁, B₁, C₁, D₁: from resistance to temperature.
        to_temperature: [f64; 4],
    },
}

impl Curve {
    /// The 10 kΩ part with B25/85 = 3977 K ± 0.75 %, −40 to 125 °C.
    ///
    /// Coefficients: Vishay application note 29089 (to resistance) and data sheet 29049 (to temperature); the two
    /// directions agree within 0.012 K.
    pub const NTC_10K_B3977: Self = Self::FourCoefficient {
        r25_ohm: 10_000.0,
        to_resistance: [-14.633_72, 4_791.842, -115_334.0, -3_730_535.0],
        to_temperature: [3.354_016e-3, 2.569_850e-4, 2.620_131e-6, 6.383_091e-8],
    };

    /// The Steinhart–Hart curve through three points (°C, Ω).
    ///
    /// # Errors
    /// A resistance not above 0, a temperature not above absolute zero, two equal points, or points that rise with
    /// temperature or bend the wrong way somewhere between them.
    ///
    /// ```
    /// use steadybench_analysis::thermistor::Curve;
    ///
    /// let curve = Curve::through([(5.0, 25_000.0), (25.0, 10_000.0), (45.0, 4_000.0)])?;
    /// assert!((curve.temperature_c(6_000.0) - 36.1674).abs() < 1e-4);
    /// # Ok::<(), steadybench_analysis::thermistor::ThermistorError>(())
    /// ```
    pub fn through(points: [(f64, f64); 3]) -> Result<Self, ThermistorError> {
        for (temperature_c, resistance_ohm) in points {
            positive("a resistance in ohms", resistance_ohm)?;
            positive("a temperature in kelvin", temperature_c + ICE_POINT_K)?;
        }
        let [l1, l2, l3] = points.map(|(_, r)| r.ln());
        let [y1, y2, y3] = points.map(|(t, _)| 1.0 / (t + ICE_POINT_K));
        if l1 == l2 || l2 == l3 || l1 == l3 {
            return Err(ThermistorError::Points {
                why: "two resistances are equal",
            });
        }
        let (g2, g3) = ((y2 - y1) / (l2 - l1), (y3 - y1) / (l3 - l1));
        let c = (g3 - g2) / (l3 - l2) / (l1 + l2 + l3);
        let b = g2 - c * (l1 * l1 + l1 * l2 + l2 * l2);
        let a = y1 - (b + c * l1 * l1) * l1;
        // 1/T must rise with ln R all the way between the points, and its slope is least at one of the ends or at ln R = 0.
        let rises = |l: f64| b + 3.0 * c * l * l > 0.0;
        if ![l1, l2, l3].into_iter().all(rises) {
            return Err(ThermistorError::Points {
                why: "resistance does not fall with temperature throughout",
            });
        }
        Ok(Self::SteinhartHart { a, b, c })
    }

    /// The Beta curve through two points (°C, Ω).
    ///
    /// # Errors
    /// As [`Curve::through`].
    pub fn beta_through(points: [(f64, f64); 2]) -> Result<Self, ThermistorError> {
        for (temperature_c, resistance_ohm) in points {
            positive("a resistance in ohms", resistance_ohm)?;
            positive("a temperature in kelvin", temperature_c + ICE_POINT_K)?;
        }
        let [(t1, r1), (t2, r2)] = points;
        let inverse = |t: f64| 1.0 / (t + ICE_POINT_K);
        let beta_k = (r1 / r2).ln() / (inverse(t1) - inverse(t2));
        if !(beta_k.is_finite() && beta_k > 0.0) {
            return Err(ThermistorError::Points {
                why: "resistance does not fall with temperature",
            });
        }
        Ok(Self::Beta {
            r25_ohm: r1 / (beta_k * (inverse(t1) - 1.0 / NOMINAL_K)).exp(),
            beta_k,
        })
    }

    /// Temperature in °C at a resistance in ohms; NaN unless the resistance is above 0.
    #[must_use]
    pub fn temperature_c(&self, resistance_ohm: f64) -> f64 {
        if resistance_ohm.is_nan() || resistance_ohm <= 0.0 {
            return f64::NAN;
        }
        let inverse = match *self {
            Self::Beta { r25_ohm, beta_k } => 1.0 / NOMINAL_K + (resistance_ohm / r25_ohm).ln() / beta_k,
            Self::SteinhartHart { a, b, c } => {
                let log = resistance_ohm.ln();
                a + (b + c * log * log) * log
            }
            Self::FourCoefficient {
                r25_ohm,
                to_temperature: [a, b, c, d],
                ..
            } => {
                let log = (resistance_ohm / r25_ohm).ln();
                a + (b + (c + d * log) * log) * log
            }
        };
        1.0 / inverse - ICE_POINT_K
    }

    /// Resistance in ohms at a temperature in °C; NaN at or below absolute zero.
    #[must_use]
    pub fn resistance_ohm(&self, temperature_c: f64) -> f64 {
        let kelvin = temperature_c + ICE_POINT_K;
        if kelvin.is_nan() || kelvin <= 0.0 {
            return f64::NAN;
        }
        match *self {
            Self::Beta { r25_ohm, beta_k } => r25_ohm * (beta_k * (1.0 / kelvin - 1.0 / NOMINAL_K)).exp(),
            Self::SteinhartHart { a, b, c } => steinhart_hart_log(a - 1.0 / kelvin, b, c).exp(),
            Self::FourCoefficient {
                r25_ohm,
                to_resistance: [a, b, c, d],
                ..
            } => r25_ohm * (a + (b + (c + d / kelvin) / kelvin) / kelvin).exp(),
        }
    }

    /// Change of temperature per relative change of resistance at a resistance, in kelvin; negative for an NTC thermistor.
    #[must_use]
    pub fn kelvin_per_relative_ohm(&self, resistance_ohm: f64) -> f64 {
        let step = 1e-4_f64;
        let (above, below) = (resistance_ohm * step.exp(), resistance_ohm * (-step).exp());
        (self.temperature_c(above) - self.temperature_c(below)) / (2.0 * step)
    }
}

/// The real root l of c·l³ + b·l + d = 0 where the cubic rises from zero to l.
///
/// By Newton's method from the root without the cubic term. From there the cubic bends away from the axis, so every step
/// comes nearer and none passes the root. The closed form would divide by c, which three points of a nearly plain Beta
/// curve leave at rounding noise.
fn steinhart_hart_log(d: f64, b: f64, c: f64) -> f64 {
    const STEPS_MAX: usize = 60;
    let mut log = -d / b;
    for _ in 0..STEPS_MAX {
        let step = ((c * log * log + b) * log + d) / (3.0 * c * log * log + b);
        log -= step;
        if step.abs() <= 2.0 * f64::EPSILON * log.abs() {
            break;
        }
    }
    log
}

fn positive(what: &'static str, value: f64) -> Result<(), ThermistorError> {
    if value.is_finite() && value > 0.0 {
        Ok(())
    } else {
        Err(ThermistorError::OutOfRange {
            what,
            value,
            rule: "above 0 and finite",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_way_there_and_back_ends_where_it_began(temperature_c in -40.0..125.0_f64, beta_k in 2500.0..5000.0_f64) {
            let beta = Curve::Beta { r25_ohm: 10_000.0, beta_k };
            prop_assert!((beta.temperature_c(beta.resistance_ohm(temperature_c)) - temperature_c).abs() < 1e-9);
            let points = [0.0, 25.0, 70.0].map(|t| (t, beta.resistance_ohm(t)));
            let steinhart = Curve::through(points).unwrap();
            prop_assert!((steinhart.temperature_c(steinhart.resistance_ohm(temperature_c)) - temperature_c).abs() < 1e-6);
            let part = Curve::NTC_10K_B3977;
            prop_assert!((part.temperature_c(part.resistance_ohm(temperature_c)) - temperature_c).abs() < 0.012);
        }

        #[test]
        fn hotter_is_a_smaller_resistance(temperature_c in -40.0..124.0_f64) {
            let part = Curve::NTC_10K_B3977;
            prop_assert!(part.resistance_ohm(temperature_c) > part.resistance_ohm(temperature_c + 1.0));
            prop_assert!(part.kelvin_per_relative_ohm(part.resistance_ohm(temperature_c)) < 0.0);
        }

        #[test]
        fn two_points_give_back_their_beta(beta_k in 2500.0..5000.0_f64, r25_ohm in 1e3..1e5_f64) {
            let curve = Curve::Beta { r25_ohm, beta_k };
            let found = Curve::beta_through([20.0, 60.0].map(|t| (t, curve.resistance_ohm(t)))).unwrap();
            let Curve::Beta { r25_ohm: r, beta_k: b } = found else { panic!("not a Beta curve") };
            prop_assert!((b / beta_k - 1.0).abs() < 1e-9 && (r / r25_ohm - 1.0).abs() < 1e-9);
        }
    }

    #[test]
    fn points_in_the_wrong_order_are_refused() {
        let swapped = Curve::through([(5.0, 4_000.0), (25.0, 10_000.0), (45.0, 25_000.0)]);
        assert!(swapped.unwrap_err().to_string().contains("does not fall"));
        assert!(Curve::through([(5.0, 4_000.0), (25.0, 4_000.0), (45.0, 100.0)]).is_err());
        assert!(Curve::through([(5.0, 0.0), (25.0, 4_000.0), (45.0, 100.0)]).is_err());
        assert!(Curve::beta_through([(20.0, 1.0), (30.0, 2.0)]).is_err());
        assert!(Curve::NTC_10K_B3977.temperature_c(-1.0).is_nan());
    }
}
