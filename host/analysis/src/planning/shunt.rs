//! Which shunt to put in a rail.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::e_series::shunt_values_between;
use super::text::engineering;

/// Highest common-mode voltage of the monitor chip, in volts (INA228 data sheet, SLYS021A).
const HIGHEST_RAIL_V: f64 = 85.0;

/// The shunt ranges of the monitor chip (INA228 data sheet, SLYS021A: full scale and least step).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ShuntRange {
    /// ±163.84 mV in steps of 312.5 nV.
    #[serde(rename = "163.84 mV")]
    Wide,
    /// ±40.96 mV in steps of 78.125 nV.
    #[serde(rename = "40.96 mV")]
    Narrow,
}

impl ShuntRange {
    /// End of the range in volts.
    #[must_use]
    pub const fn full_scale_v(self) -> f64 {
        match self {
            Self::Wide => 0.163_84,
            Self::Narrow => 0.040_96,
        }
    }

    /// Least step in volts.
    #[must_use]
    pub const fn step_v(self) -> f64 {
        match self {
            Self::Wide => 312.5e-9,
            Self::Narrow => 78.125e-9,
        }
    }

    /// Noise of one conversion of 540 µs, peak to peak, in volts: 327.68 mV/2^14.2 and 81.92 mV/2^12.4 from the
    /// noise-free bits of table 8-2 of the data sheet.
    #[must_use]
    pub const fn noise_peak_to_peak_v(self) -> f64 {
        match self {
            Self::Wide => 17.411e-6,
            Self::Narrow => 15.157e-6,
        }
    }
}

/// What a shunt has to do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ShuntNeed {
    /// Voltage of the rail, in volts.
    pub rail_v: f64,
    /// Highest current that flows for good, in amperes.
    pub running_a: f64,
    /// Highest current to be read without clipping, such as the inrush, in amperes; by default the running current.
    pub peak_a: Option<f64>,
    /// The most voltage the shunt may take at the running current, in volts; by default 0.5 % of the rail.
    pub burden_v: Option<f64>,
    /// The most heat in the shunt at the running current, in watts.
    pub power_w: f64,
    /// Temperature coefficient of the shunt, per kelvin.
    pub coefficient_per_k: f64,
    /// How warm it gets, in kelvins per watt.
    pub thermal_resistance_k_per_w: f64,
}

impl ShuntNeed {
    /// A need with the usual values: 0.25 W, 75 ppm/K (an ordinary metal strip, from memory), 60 K/W (a large chip
    /// resistor on its board; common practice, no source).
    #[must_use]
    pub const fn new(rail_v: f64, running_a: f64) -> Self {
        Self {
            rail_v,
            running_a,
            peak_a: None,
            burden_v: None,
            power_w: 0.25,
            coefficient_per_k: 75e-6,
            thermal_resistance_k_per_w: 60.0,
        }
    }
}

/// What one shunt would do.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ShuntOption {
    /// Resistance, in ohms.
    pub resistance_ohm: f64,
    /// Range of the chip that holds the peak.
    pub range: ShuntRange,
    /// Current at the end of that range, in amperes.
    #[serde(rename = "full_scale_A")]
    pub full_scale_a: f64,
    /// Voltage across it at the running current, in volts.
    #[serde(rename = "burden_V")]
    pub burden_v: f64,
    /// The same in per cent of the rail.
    pub burden_percent: f64,
    /// Heat in it at the running current, in watts.
    #[serde(rename = "dissipation_W")]
    pub dissipation_w: f64,
    /// Least step of a reading, in amperes.
    #[serde(rename = "step_A")]
    pub step_a: f64,
    /// Noise of a reading at 1000 readings/s, peak to peak, in amperes.
    #[serde(rename = "noise_peak_to_peak_A")]
    pub noise_peak_to_peak_a: f64,
    /// How much warmer it gets at the running current, in kelvins.
    #[serde(rename = "self_heating_K")]
    pub self_heating_k: f64,
    /// What that does to the reading, in per cent.
    pub drift_percent: f64,
    /// Holds the peak, the burden and the heat.
    pub fits: bool,
    /// What it doesn't hold, if anything.
    pub objections: Vec<String>,
}

/// The shunt advised, the ones beside it, and why.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ShuntAdvice {
    /// The largest that fits; `None` if none does.
    pub chosen: Option<ShuntOption>,
    /// Neighbours, ascending.
    pub table: Vec<ShuntOption>,
    /// Why, in sentences.
    pub reasoning: Vec<String>,
}

/// Why no shunt can be advised.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum ShuntError {
    /// A figure that must be above 0 isn't.
    #[error("{what} of {value} can't be: give one above 0")]
    NotPositive {
        /// Which.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// The rail is above what the chip stands.
    #[error(
        "a rail of {rail_v} V is above the monitor chip's {HIGHEST_RAIL_V} V: don't connect it there; above 60 V DC a \
         rail isn't low voltage, and work on it is for those trained and licensed to do it"
    )]
    RailTooHigh {
        /// Volts.
        rail_v: f64,
    },
}

/// Chooses a shunt: the largest that keeps burden and heat within bounds and doesn't clip.
///
/// A larger shunt resolves more, as the chip's noise is a voltage; it also takes more of the rail and gets warmer.
/// Burden `I·R`, heat `I²·R`, self-heating `I²·R·Rth`, step and noise the chip's divided by `R`.
///
/// # Errors
/// When a figure isn't above 0, or the rail is above the chip's 85 V.
///
/// ```
/// use steadybench_analysis::planning::{ShuntNeed, choose_shunt};
///
/// // The vent controller: 24 V, 1.5 A running, 4 A at the switch-on.
/// let advice = choose_shunt(&ShuntNeed { peak_a: Some(4.0), ..ShuntNeed::new(24.0, 1.5) })?;
/// let chosen = advice.chosen.unwrap();
/// assert_eq!(chosen.resistance_ohm, 0.033);
/// assert!(chosen.full_scale_a > 4.0 && chosen.dissipation_w < 0.1);
/// # Ok::<(), steadybench_analysis::planning::ShuntError>(())
/// ```
pub fn choose_shunt(need: &ShuntNeed) -> Result<ShuntAdvice, ShuntError> {
    let (peak_a, burden_v) = validate(need)?;
    let by_burden = burden_v / need.running_a;
    let by_heat = need.power_w / (need.running_a * need.running_a);
    let by_range = ShuntRange::Wide.full_scale_v() / (1.1 * peak_a);
    let limit = by_burden.min(by_heat).min(by_range);
    let table: Vec<ShuntOption> = shunt_values_between(limit / 8.0, limit * 4.0)
        .into_iter()
        .map(|resistance_ohm| option(resistance_ohm, need, peak_a, burden_v))
        .collect();
    let chosen = table.iter().rev().find(|option| option.fits).cloned();
    let mut reasoning = vec![format!(
        "At {} the shunt may take {} ({} at most), may get {} ({} at most), and must read {} with a tenth to spare ({} at \
         most).",
        engineering(need.running_a, "A"),
        engineering(burden_v, "V"),
        engineering(by_burden, "Ω"),
        engineering(need.power_w, "W"),
        engineering(by_heat, "Ω"),
        engineering(peak_a, "A"),
        engineering(by_range, "Ω"),
    )];
    if let Some(option) = &chosen {
        reasoning.push(format!(
            "{} takes {} ({:.2} % of the rail) and {}; it resolves {} with {} of noise, peak to peak, at 1000 readings/s.",
            engineering(option.resistance_ohm, "Ω"),
            engineering(option.burden_v, "V"),
            option.burden_percent,
            engineering(option.dissipation_w, "W"),
            engineering(option.step_a, "A"),
            engineering(option.noise_peak_to_peak_a, "A"),
        ));
        reasoning.push(format!(
            "Choose one rated for at least {} (twice the heat; common practice, no source), with four terminals or leads \
             soldered inside its pads.",
            engineering(2.0 * option.dissipation_w, "W")
        ));
        if option.resistance_ohm < 3e-3 {
            reasoning.push(
                "Below about 3 mΩ the copper of the terminals counts: parts of 1 mΩ are sold with 170 to 275 ppm/K for the \
                 whole part."
                    .to_owned(),
            );
        }
    }
    if need.rail_v > 60.0 {
        reasoning.push(
            "Above 60 V DC a rail isn't low voltage any more: work on it is for those trained and licensed to do it."
                .to_owned(),
        );
    }
    Ok(ShuntAdvice {
        chosen,
        table,
        reasoning,
    })
}

/// What one shunt would do, a common value or not.
///
/// # Errors
/// As [`choose_shunt`], and when the resistance isn't above 0.
///
/// ```
/// use steadybench_analysis::planning::{ShuntNeed, shunt_option};
///
/// // 1.5 A through 50 mΩ: 75 mV and 112.5 mW.
/// let option = shunt_option(&ShuntNeed::new(24.0, 1.5), 0.05)?;
/// assert!((option.burden_v - 0.075).abs() < 1e-12 && (option.dissipation_w - 0.1125).abs() < 1e-12);
/// # Ok::<(), steadybench_analysis::planning::ShuntError>(())
/// ```
pub fn shunt_option(need: &ShuntNeed, resistance_ohm: f64) -> Result<ShuntOption, ShuntError> {
    let (peak_a, burden_v) = validate(need)?;
    if !(resistance_ohm.is_finite() && resistance_ohm > 0.0) {
        return Err(ShuntError::NotPositive {
            what: "a shunt",
            value: resistance_ohm,
        });
    }
    Ok(option(resistance_ohm, need, peak_a, burden_v))
}

/// Peak current and burden that hold, once every figure is found to be possible.
fn validate(need: &ShuntNeed) -> Result<(f64, f64), ShuntError> {
    let peak_a = need.peak_a.unwrap_or(need.running_a).max(need.running_a);
    let burden_v = need.burden_v.unwrap_or(0.005 * need.rail_v);
    for (what, value) in [
        ("a rail", need.rail_v),
        ("a running current", need.running_a),
        ("a peak current", need.peak_a.unwrap_or(peak_a)),
        ("a burden", burden_v),
        ("a power", need.power_w),
        ("a thermal resistance", need.thermal_resistance_k_per_w),
    ] {
        if !(value.is_finite() && value > 0.0) {
            return Err(ShuntError::NotPositive { what, value });
        }
    }
    if need.rail_v > HIGHEST_RAIL_V {
        return Err(ShuntError::RailTooHigh { rail_v: need.rail_v });
    }
    Ok((peak_a, burden_v))
}

fn option(resistance_ohm: f64, need: &ShuntNeed, peak_a: f64, burden_limit_v: f64) -> ShuntOption {
    let narrow = 1.1 * peak_a * resistance_ohm <= ShuntRange::Narrow.full_scale_v();
    let range = if narrow {
        ShuntRange::Narrow
    } else {
        ShuntRange::Wide
    };
    let burden_v = need.running_a * resistance_ohm;
    let dissipation_w = need.running_a * burden_v;
    let full_scale_a = range.full_scale_v() / resistance_ohm;
    let self_heating_k = dissipation_w * need.thermal_resistance_k_per_w;
    let mut objections = Vec::new();
    if 1.1 * peak_a > full_scale_a * (1.0 + 1e-9) {
        objections.push(format!(
            "its range ends at {}, too near the peak",
            engineering(full_scale_a, "A")
        ));
    }
    if burden_v > burden_limit_v * (1.0 + 1e-9) {
        objections.push(format!("takes {}", engineering(burden_v, "V")));
    }
    if dissipation_w > need.power_w * (1.0 + 1e-9) {
        objections.push(format!("gets {}", engineering(dissipation_w, "W")));
    }
    ShuntOption {
        resistance_ohm,
        range,
        full_scale_a,
        burden_v,
        burden_percent: 100.0 * burden_v / need.rail_v,
        dissipation_w,
        step_a: range.step_v() / resistance_ohm,
        noise_peak_to_peak_a: range.noise_peak_to_peak_v() / resistance_ohm,
        self_heating_k,
        drift_percent: 100.0 * self_heating_k * need.coefficient_per_k.abs(),
        fits: objections.is_empty(),
        objections,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The worked example of the chip's data sheet (8.2): 10 A at most on a 48 V rail in the ±163.84 mV range gives
    /// 16.384 mΩ at most.
    #[test]
    fn the_data_sheets_example_sets_the_same_limit() {
        let need = ShuntNeed {
            peak_a: Some(10.0 / 1.1),
            burden_v: Some(1.0),
            power_w: 5.0,
            ..ShuntNeed::new(48.0, 6.0)
        };
        let advice = choose_shunt(&need).unwrap();
        assert!(
            advice.reasoning[0].contains("16.4 mΩ at most"),
            "{}",
            advice.reasoning[0]
        );
        assert_eq!(advice.chosen.unwrap().resistance_ohm, 0.015);
    }

    #[test]
    fn nonsense_is_refused_by_name() {
        for (need, part) in [
            (ShuntNeed::new(0.0, 1.0), "a rail of 0"),
            (ShuntNeed::new(24.0, f64::NAN), "running current of NaN"),
            (ShuntNeed::new(230.0, 1.0), "above the monitor chip's 85 V"),
            (
                ShuntNeed {
                    peak_a: Some(-1.0),
                    ..ShuntNeed::new(24.0, 1.0)
                },
                "peak current of -1",
            ),
        ] {
            let message = choose_shunt(&need).unwrap_err().to_string();
            assert!(message.contains(part), "{message}");
        }
    }

    proptest! {
        #[test]
        fn the_chosen_one_fits_and_no_larger_one_does(
            rail in 1.0..60.0_f64, running in 1e-3..20.0_f64, more in 1.0..10.0_f64,
        ) {
            let advice = choose_shunt(&ShuntNeed { peak_a: Some(running * more), ..ShuntNeed::new(rail, running) }).unwrap();
            let chosen = advice.chosen.unwrap();
            prop_assert!(chosen.fits);
            prop_assert!(advice.table.iter().all(|option| option.fits == (option.resistance_ohm <= chosen.resistance_ohm)));
            for pair in advice.table.windows(2) {
                prop_assert!(pair[1].burden_v > pair[0].burden_v && pair[1].dissipation_w > pair[0].dissipation_w);
            }
        }
    }
}
