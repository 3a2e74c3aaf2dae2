//! Which resistor to put in series with a thermistor.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::e_series::e12_between;
use super::text::engineering;
use crate::thermistor::{Curve, Divider, Resistance};

/// What a thermistor divider has to do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DividerNeed {
    /// The thermistor's curve.
    pub curve: Curve,
    /// Voltage of the divider, the converter's reference, in volts.
    pub supply_v: f64,
    /// Bits of the converter.
    pub bits: u32,
    /// Lowest temperature of interest, in degrees Celsius.
    pub from_c: f64,
    /// Highest temperature of interest, in degrees Celsius.
    pub to_c: f64,
    /// Dissipation factor where it is mounted, in watts per kelvin.
    pub dissipation_w_per_k: f64,
    /// The most it may warm itself, in kelvins.
    pub self_heating_k: f64,
}

impl Default for DividerNeed {
    /// The 10 kΩ part of B 3977 K, 3.3 V, 12 bits, 0 to 100 °C, 3 mW/K (a small probe; makers' sheets give 2.7 to 7),
    /// 0.1 K.
    fn default() -> Self {
        Self {
            curve: Curve::NTC_10K_B3977,
            supply_v: 3.3,
            bits: 12,
            from_c: 0.0,
            to_c: 100.0,
            dissipation_w_per_k: 3e-3,
            self_heating_k: 0.1,
        }
    }
}

/// What one resistor would do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DividerOption {
    /// Resistance in series, in ohms.
    pub resistance_ohm: f64,
    /// One step of the converter, in kelvins, at the lowest, the middle and the highest temperature.
    #[serde(rename = "step_K")]
    pub step_k: [f64; 3],
    /// The coarsest step over the range, in kelvins.
    #[serde(rename = "coarsest_step_K")]
    pub coarsest_step_k: f64,
    /// The most the thermistor warms itself over the range, in kelvins.
    #[serde(rename = "self_heating_K")]
    pub self_heating_k: f64,
    /// Keeps the self-heating wanted, and the code clear of the ends that stand for an open or shorted thermistor.
    pub fits: bool,
}

/// The resistor advised, the ones beside it, and why.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DividerAdvice {
    /// The one with the finest coarsest step among those that fit; `None` if none does.
    pub chosen: Option<DividerOption>,
    /// Neighbours, ascending.
    pub table: Vec<DividerOption>,
    /// Why, in sentences.
    pub reasoning: Vec<String>,
}

/// Why no divider can be advised.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum DividerError {
    /// A figure that can't be.
    #[error("{what} of {value} can't be: {remedy}")]
    OutOfRange {
        /// Which.
        what: &'static str,
        /// Its value.
        value: f64,
        /// What to give.
        remedy: &'static str,
    },
    /// A curve that is no thermistor's over the range.
    #[error(
        "the thermistor's curve gives no falling resistance from {from_c} to {to_c} °C: check its coefficients"
    )]
    Curve {
        /// Lowest temperature.
        from_c: f64,
        /// Highest temperature.
        to_c: f64,
    },
}

fn divider(need: &DividerNeed, series_ohm: f64) -> Divider {
    Divider {
        series_ohm,
        full_scale_code: 2.0_f64.powi(need.bits as i32),
        reference_v: need.supply_v,
        ..Divider::default()
    }
}

/// One converter step in kelvins at a temperature: the divider's slope through the curve's.
fn step_k(need: &DividerNeed, series_ohm: f64, temperature_c: f64) -> f64 {
    let ohm = need.curve.resistance_ohm(temperature_c);
    let divider = divider(need, series_ohm);
    (need.curve.kelvin_per_relative_ohm(ohm) * divider.relative_ohm_per_code(divider.code(ohm))).abs()
}

/// What the thermistor's own heat does, in kelvins.
fn self_heating_k(need: &DividerNeed, series_ohm: f64, temperature_c: f64) -> f64 {
    divider(need, series_ohm).power_w(need.curve.resistance_ohm(temperature_c)) / need.dissipation_w_per_k
}

/// Chooses the series resistor of a thermistor divider.
///
/// The finest step lies where thermistor and resistor are alike, so the best resistor for a range lies between the
/// thermistor's resistances at its ends; a small one warms the thermistor.
///
/// # Errors
/// When a figure can't be: not above 0, a temperature below absolute zero, an empty range, more than 32 bits.
///
/// ```
/// use steadybench_analysis::planning::{DividerNeed, choose_divider};
///
/// let advice = choose_divider(&DividerNeed { from_c: 10.0, to_c: 70.0, ..DividerNeed::default() })?;
/// let chosen = advice.chosen.unwrap();
/// assert!(chosen.coarsest_step_k < 0.06 && chosen.self_heating_k < 0.1);
/// # Ok::<(), steadybench_analysis::planning::DividerError>(())
/// ```
pub fn choose_divider(need: &DividerNeed) -> Result<DividerAdvice, DividerError> {
    validate(need)?;
    let (warm, cold) = (
        need.curve.resistance_ohm(need.to_c),
        need.curve.resistance_ohm(need.from_c),
    );
    if !(warm.is_finite() && cold.is_finite() && warm > 0.0 && cold > warm) {
        return Err(DividerError::Curve {
            from_c: need.from_c,
            to_c: need.to_c,
        });
    }
    let table: Vec<DividerOption> = e12_between(warm / 2.0, cold * 2.0)
        .into_iter()
        .map(|resistance_ohm| {
            let over = |of: fn(&DividerNeed, f64, f64) -> f64| {
                (0..=100)
                    .map(|percent| need.from_c + (need.to_c - need.from_c) * f64::from(percent) / 100.0)
                    .map(|temperature_c| of(need, resistance_ohm, temperature_c))
                    .fold(0.0, f64::max)
            };
            let places = [need.from_c, 0.5 * (need.from_c + need.to_c), need.to_c];
            let heating = over(self_heating_k);
            let divider = divider(need, resistance_ohm);
            let clear_of_ends = [warm, cold]
                .into_iter()
                .all(|ohm| matches!(divider.resistance(divider.code(ohm)), Resistance::Ohm(_)));
            DividerOption {
                resistance_ohm,
                step_k: places.map(|temperature_c| step_k(need, resistance_ohm, temperature_c)),
                coarsest_step_k: over(step_k),
                self_heating_k: heating,
                fits: heating <= need.self_heating_k && clear_of_ends,
            }
        })
        .collect();
    let chosen = table
        .iter()
        .filter(|option| option.fits)
        .min_by(|left, right| left.coarsest_step_k.total_cmp(&right.coarsest_step_k))
        .cloned();
    let mut reasoning = vec![format!(
        "The thermistor goes from {} at {} °C to {} at {} °C; the resistor belongs in between.",
        engineering(cold, "Ω"),
        need.from_c,
        engineering(warm, "Ω"),
        need.to_c
    )];
    match &chosen {
        Some(option) => reasoning.push(format!(
            "{} gives steps of {:.3} K at worst, and the thermistor warms itself by {:.3} K at most (with {} of dissipation \
             factor).",
            engineering(option.resistance_ohm, "Ω"),
            option.coarsest_step_k,
            option.self_heating_k,
            engineering(need.dissipation_w_per_k, "W/K"),
        )),
        None => reasoning.push(format!(
            "None keeps the self-heating below {} K: lower the divider's voltage, switch it on only to read, or mount the \
             thermistor on metal.",
            need.self_heating_k
        )),
    }
    if matches!(need.curve, Curve::Beta { .. }) {
        reasoning.push(
            "Beta alone is wrong by up to 0.8 K between 0 and 100 °C on a common 10 kΩ part (computed against its maker's \
             curve): use the curve's coefficients or calibrate."
                .to_owned(),
        );
    }
    Ok(DividerAdvice {
        chosen,
        table,
        reasoning,
    })
}

fn validate(need: &DividerNeed) -> Result<(), DividerError> {
    for (what, value) in [
        ("a supply", need.supply_v),
        ("a dissipation factor", need.dissipation_w_per_k),
        ("a self-heating", need.self_heating_k),
    ] {
        if !(value.is_finite() && value > 0.0) {
            return Err(DividerError::OutOfRange {
                what,
                value,
                remedy: "give one above 0",
            });
        }
    }
    for (what, value) in [
        ("a lowest temperature", need.from_c),
        ("a highest temperature", need.to_c),
    ] {
        if !(-100.0..=350.0).contains(&value) {
            return Err(DividerError::OutOfRange {
                what,
                value,
                remedy: "give one from -100 to 350 °C",
            });
        }
    }
    if need.from_c >= need.to_c {
        let remedy = "give one below the highest";
        return Err(DividerError::OutOfRange {
            what: "a lowest temperature",
            value: need.from_c,
            remedy,
        });
    }
    if !(1..=32).contains(&need.bits) {
        let remedy = "give 1 to 32 bits";
        return Err(DividerError::OutOfRange {
            what: "a resolution",
            value: f64::from(need.bits),
            remedy,
        });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 10 kΩ and 10 kΩ at 3.3 V: 0.272 mW at 25 °C, 0.039 K with 7 mW/K, 0.091 K with 3 mW/K (dissipation factors from
    /// makers' sheets; computed).
    #[test]
    fn self_heating_of_the_usual_divider() {
        for (factor, wanted) in [(7e-3, 0.0389), (3e-3, 0.0908)] {
            let need = DividerNeed {
                dissipation_w_per_k: factor,
                ..DividerNeed::default()
            };
            assert!((self_heating_k(&need, 10e3, 25.0) - wanted).abs() < 1e-4);
        }
    }

    #[test]
    fn a_step_is_what_the_code_changes_by() {
        let need = DividerNeed::default();
        let code = |temperature_c: f64| divider(&need, 10e3).code(need.curve.resistance_ohm(temperature_c));
        for temperature_c in [0.0, 25.0, 80.0] {
            let slope = (code(temperature_c - 0.01) - code(temperature_c + 0.01)) / 0.02;
            assert!((step_k(&need, 10e3, temperature_c) * slope - 1.0).abs() < 1e-3);
        }
    }

    /// With B = 3977 K the Beta formula is 0.76 K wrong at 0 °C and 0.39 K at 100 °C against the maker's curve (Vishay
    /// NTCLE100E3103: 32554 Ω and 677 Ω).
    #[test]
    fn the_warning_about_beta_is_true_and_only_given_for_beta() {
        let beta = Curve::Beta {
            r25_ohm: 10e3,
            beta_k: 3977.0,
        };
        for (ohm, temperature_c, error_k) in [(32_554.0, 0.0, 0.762), (677.0, 100.0, 0.392)] {
            let error = beta.temperature_c(ohm) - temperature_c;
            assert!((error - error_k).abs() < 0.03, "{error}");
        }
        let warned = |curve| {
            choose_divider(&DividerNeed {
                curve,
                ..DividerNeed::default()
            })
            .unwrap()
            .reasoning
            .len()
                == 3
        };
        assert!(warned(beta) && !warned(Curve::NTC_10K_B3977));
    }

    #[test]
    fn the_code_stays_clear_of_the_ends() {
        let advice = choose_divider(&DividerNeed {
            from_c: -40.0,
            to_c: 125.0,
            ..DividerNeed::default()
        })
        .unwrap();
        let chosen = advice.chosen.unwrap();
        for temperature_c in [-40.0, 125.0] {
            let divider = divider(&DividerNeed::default(), chosen.resistance_ohm);
            let code = divider.code(Curve::NTC_10K_B3977.resistance_ohm(temperature_c));
            assert!(matches!(divider.resistance(code), Resistance::Ohm(_)));
        }
    }

    #[test]
    fn nonsense_is_refused_by_name() {
        for (need, part) in [
            (
                DividerNeed {
                    curve: Curve::Beta {
                        r25_ohm: 1e4,
                        beta_k: 0.0,
                    },
                    ..DividerNeed::default()
                },
                "coefficients",
            ),
            (
                DividerNeed {
                    supply_v: 0.0,
                    ..DividerNeed::default()
                },
                "a supply of 0",
            ),
            (
                DividerNeed {
                    from_c: 50.0,
                    to_c: 40.0,
                    ..DividerNeed::default()
                },
                "below the highest",
            ),
            (
                DividerNeed {
                    to_c: f64::NAN,
                    ..DividerNeed::default()
                },
                "highest temperature of NaN",
            ),
            (
                DividerNeed {
                    bits: 0,
                    ..DividerNeed::default()
                },
                "1 to 32 bits",
            ),
        ] {
            let message = choose_divider(&need).unwrap_err().to_string();
            assert!(message.contains(part), "{message}");
        }
    }

    #[test]
    fn a_divider_that_heats_too_much_is_not_chosen() {
        let advice = choose_divider(&DividerNeed {
            supply_v: 24.0,
            ..DividerNeed::default()
        })
        .unwrap();
        assert!(advice.chosen.is_none());
        assert!(advice.reasoning[1].contains("lower the divider's voltage"));
    }
}
