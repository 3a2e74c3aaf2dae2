//! A resistor in series.

use serde::{Deserialize, Serialize};

use super::FirstSwitchOn;
use crate::planning::e12_between;
use crate::planning::text::engineering;

/// What a series resistor does to a rail.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ResistorOption {
    /// Resistance, in ohms.
    pub resistance_ohm: f64,
    /// Current into a short, in amperes.
    #[serde(rename = "fault_A")]
    pub fault_a: f64,
    /// Heat in the resistor on a short, in watts.
    #[serde(rename = "fault_W")]
    pub fault_w: f64,
    /// Voltage left for a unit that behaves like a resistance, in volts.
    #[serde(rename = "left_resistive_V")]
    pub left_resistive_v: f64,
    /// Current of such a unit, in amperes.
    #[serde(rename = "resistive_A")]
    pub resistive_a: f64,
    /// Voltage left for a unit that draws its expected current whatever the voltage, in volts; 0 if none is left.
    #[serde(rename = "left_constant_current_V")]
    pub left_constant_current_v: f64,
    /// Heat in the resistor at the expected current, in watts.
    #[serde(rename = "running_W")]
    pub running_w: f64,
    /// Whether a converter that draws the expected power can run behind it.
    pub starts_a_converter: bool,
    /// The power rating to buy, in watts: twice the heat on a short (common practice, no source).
    #[serde(rename = "rating_W")]
    pub rating_w: f64,
}

impl ResistorOption {
    fn new(resistance_ohm: f64, first: &FirstSwitchOn) -> Self {
        let FirstSwitchOn {
            rail_v, expected_a, ..
        } = *first;
        let unit_ohm = rail_v / expected_a;
        let resistive_a = rail_v / (resistance_ohm + unit_ohm);
        let fault_w = rail_v * rail_v / resistance_ohm;
        Self {
            resistance_ohm,
            fault_a: rail_v / resistance_ohm,
            fault_w,
            left_resistive_v: resistive_a * unit_ohm,
            resistive_a,
            left_constant_current_v: (rail_v - expected_a * resistance_ohm).max(0.0),
            running_w: expected_a * expected_a * resistance_ohm,
            starts_a_converter: rail_v * expected_a <= rail_v * rail_v / (4.0 * resistance_ohm),
            rating_w: 2.0 * fault_w,
        }
    }

    pub(super) fn in_words(&self) -> String {
        format!(
            "{} in series passes {} into a short; at the expected draw it leaves {} to {} for the unit and gets {}.",
            engineering(self.resistance_ohm, "Ω"),
            engineering(self.fault_a, "A"),
            engineering(self.left_constant_current_v.min(self.left_resistive_v), "V"),
            engineering(self.left_resistive_v.max(self.left_constant_current_v), "V"),
            engineering(self.running_w, "W"),
        )
    }

    pub(super) fn rating_in_words(&self) -> String {
        format!(
            "On a short it gets {}: take one rated {} or more (twice; common practice, no source), or be ready to switch off \
             within seconds.",
            engineering(self.fault_w, "W"),
            engineering(self.rating_w, "W"),
        )
    }
}

/// The resistor nearest to three times the expected current into a short, and the E12 values from ten times to twice.
pub(super) fn resistors(first: &FirstSwitchOn) -> (ResistorOption, Vec<ResistorOption>) {
    let unit_ohm = first.rail_v / first.expected_a;
    let table: Vec<ResistorOption> = e12_between(unit_ohm / 10.0, unit_ohm / 2.0)
        .into_iter()
        .map(|resistance_ohm| ResistorOption::new(resistance_ohm, first))
        .collect();
    let wanted = unit_ohm / 3.0;
    let nearest = table
        .iter()
        .copied()
        .min_by(|left, right| {
            let away = |option: &ResistorOption| (option.resistance_ohm / wanted).ln().abs();
            away(left).total_cmp(&away(right))
        })
        .unwrap_or_else(|| ResistorOption::new(wanted, first));
    (nearest, table)
}

#[cfg(test)]
mod tests {
    use super::super::RailKind;
    use super::*;

    #[test]
    fn ohms_law_at_the_operating_points() {
        let first = FirstSwitchOn {
            rail_v: 24.0,
            kind: RailKind::Dc,
            expected_a: 0.5,
        };
        let option = ResistorOption::new(12.0, &first);
        assert_eq!(option.fault_a, 2.0);
        assert_eq!(option.fault_w, 48.0);
        // 48 Ω behind 12 Ω: 0.4 A and 19.2 V.
        assert!((option.resistive_a - 0.4).abs() < 1e-12 && (option.left_resistive_v - 19.2).abs() < 1e-12);
        assert_eq!(option.left_constant_current_v, 18.0);
        assert_eq!(option.running_w, 3.0);
    }

    /// A source of 24 V behind 12 Ω gives at most V²/(4R) = 12 W, exactly the 12 W wanted; behind more it gives less.
    #[test]
    fn a_converter_runs_up_to_the_most_power_the_source_gives() {
        let first = FirstSwitchOn {
            rail_v: 24.0,
            kind: RailKind::Dc,
            expected_a: 0.5,
        };
        assert!(ResistorOption::new(12.0, &first).starts_a_converter);
        assert!(!ResistorOption::new(12.1, &first).starts_a_converter);
    }
}
