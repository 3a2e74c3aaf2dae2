//! Which resistor to put in series with a thermistor.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::e_series::e12_between;
use super::text::engineering;

/// What a thermistor divider has to do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DividerNeed {
    /// Resistance of the thermistor at 25 °C, in ohms.
    pub r25_ohm: f64,
    /// Its Beta, in kelvins.
    pub beta_k: f64,
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
    /// 10 kΩ, 3977 K, 3.3 V, 12 bits, 0 to 100 °C, 3 mW/K (a small probe; makers' sheets give 2.7 to 7), 0.1 K.
    fn default() -> Self {
        Self {
            r25_ohm: 10e3,
            beta_k: 3977.0,
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
    /// Keeps the self-heating wanted.
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
}

/// Resistance of a thermistor by its Beta: `R25·exp(B·(1/T − 1/298.15))`.
fn thermistor_ohm(need: &DividerNeed, temperature_c: f64) -> f64 {
    need.r25_ohm * (need.beta_k * (1.0 / (temperature_c + 273.15) - 1.0 / 298.15)).exp()
}

/// One converter step in kelvins at a temperature: `T²/(B·x·(1 − x)·2ⁿ)` with the divider ratio `x`.
fn step_k(need: &DividerNeed, series_ohm: f64, temperature_c: f64) -> f64 {
    let thermistor = thermistor_ohm(need, temperature_c);
    let ratio = thermistor / (thermistor + series_ohm);
    let kelvin = temperature_c + 273.15;
    kelvin * kelvin / (need.beta_k * ratio * (1.0 - ratio) * 2.0_f64.powi(need.bits as i32))
}

/// What the thermistor's own heat does, in kelvins: `V²·R/(R + Rs)²/δ`.
fn self_heating_k(need: &DividerNeed, series_ohm: f64, temperature_c: f64) -> f64 {
    let thermistor = thermistor_ohm(need, temperature_c);
    let current_a = need.supply_v / (thermistor + series_ohm);
    current_a * current_a * thermistor / need.dissipation_w_per_k
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
    let (warm, cold) = (thermistor_ohm(need, need.to_c), thermistor_ohm(need, need.from_c));
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
            DividerOption {
                resistance_ohm,
                step_k: places.map(|temperature_c| step_k(need, resistance_ohm, temperature_c)),
                coarsest_step_k: over(step_k),
                self_heating_k: heating,
                fits: heating <= need.self_heating_k,
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
    reasoning.push(
        "Beta alone is wrong by up to 0.8 K between 0 and 100 °C on a common 10 kΩ part (computed against its maker's curve): \
         use the curve's coefficients or calibrate."
            .to_owned(),
    );
    Ok(DividerAdvice {
        chosen,
        table,
        reasoning,
    })
}

fn validate(need: &DividerNeed) -> Result<(), DividerError> {
    for (what, value) in [
        ("a resistance at 25 °C", need.r25_ohm),
        ("a Beta", need.beta_k),
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
    fn a_step_is_what_the_formula_of_the_divider_gives() {
        let need = DividerNeed::default();
        let code = |temperature_c: f64| {
            let thermistor = thermistor_ohm(&need, temperature_c);
            4096.0 * thermistor / (thermistor + 10e3)
        };
        for temperature_c in [0.0, 25.0, 80.0] {
            let slope = (code(temperature_c - 0.01) - code(temperature_c + 0.01)) / 0.02;
            assert!((step_k(&need, 10e3, temperature_c) * slope - 1.0).abs() < 1e-4);
        }
    }

    /// With B = 3977 K the Beta formula is 0.76 K wrong at 0 °C and 0.39 K at 100 °C against the maker's curve (Vishay
    /// NTCLE100E3103: 32554 Ω and 677 Ω).
    #[test]
    fn the_warning_about_beta_is_true() {
        let need = DividerNeed::default();
        for (ohm, temperature_c, error_k) in [(32_554.0, 0.0, 0.762), (677.0, 100.0, 0.392)] {
            let by_beta = 1.0 / (1.0 / 298.15 + (ohm / need.r25_ohm).ln() / need.beta_k) - 273.15;
            assert!((by_beta - temperature_c - error_k).abs() < 0.03, "{by_beta}");
        }
    }

    #[test]
    fn nonsense_is_refused_by_name() {
        for (need, part) in [
            (
                DividerNeed {
                    beta_k: 0.0,
                    ..DividerNeed::default()
                },
                "a Beta of 0",
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
