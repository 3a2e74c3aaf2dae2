//! A lamp in series: little resistance at a small current, much at a large one.

use serde::{Deserialize, Serialize};

use super::FirstSwitchOn;
use crate::planning::text::engineering;

/// Share of its hot resistance that a filament has when cold (common practice, no source).
const COLD_SHARE: f64 = 0.1;
/// Exponent of the current in the voltage of a glowing filament (from memory).
const EXPONENT: f64 = 0.55;

/// Voltage and power of vehicle lamps that are easily had (common practice, no source).
const COMMON_LAMPS: [(f64, f64); 10] = [
    (12.0, 2.0),
    (12.0, 5.0),
    (12.0, 10.0),
    (12.0, 21.0),
    (12.0, 55.0),
    (24.0, 2.0),
    (24.0, 5.0),
    (24.0, 10.0),
    (24.0, 21.0),
    (24.0, 70.0),
];

/// What a lamp, or several in series, does to a rail.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LampOption {
    /// Rated voltage of one lamp, in volts.
    #[serde(rename = "voltage_V")]
    pub voltage_v: f64,
    /// Rated power of one lamp, in watts.
    #[serde(rename = "power_W")]
    pub power_w: f64,
    /// Lamps in series.
    pub in_series: u32,
    /// Current into a lasting short, lamps lit, in amperes.
    #[serde(rename = "fault_A")]
    pub fault_a: f64,
    /// Current in the first instant of a short, lamps cold, in amperes.
    #[serde(rename = "cold_fault_A")]
    pub cold_fault_a: f64,
    /// Voltage left for the unit at its expected current, in volts.
    #[serde(rename = "left_V")]
    pub left_v: f64,
    /// Heat in the lamps at the expected current, in watts.
    #[serde(rename = "running_W")]
    pub running_w: f64,
    /// Resistance of the lamps cold, in ohms.
    pub cold_ohm: f64,
    /// Resistance of the lamps lit at their rated voltage, in ohms.
    pub hot_ohm: f64,
}

/// Voltage across a filament that carries `current_a`, from its rated voltage and power.
///
/// `V = Vn·(I/In)^(1/0.55)` once it glows, but never below the cold resistance times the current.
///
/// ```
/// use steadybench_analysis::limiter::filament_voltage_v;
///
/// assert!((filament_voltage_v(24.0, 21.0, 21.0 / 24.0) - 24.0).abs() < 1e-9);
/// // At a tenth of its rated current it has its cold resistance, a tenth of the hot one.
/// assert!((filament_voltage_v(24.0, 21.0, 2.1 / 24.0) - 0.36).abs() < 0.15);
/// ```
#[must_use]
pub fn filament_voltage_v(rated_v: f64, rated_w: f64, current_a: f64) -> f64 {
    let rated_a = rated_w / rated_v;
    let cold_ohm = COLD_SHARE * rated_v / rated_a;
    let lit_v = rated_v * (current_a.max(0.0) / rated_a).powf(1.0 / EXPONENT);
    lit_v.max(cold_ohm * current_a)
}

/// Current through a filament at a voltage up to its rated one.
fn filament_current_a(rated_v: f64, rated_w: f64, voltage_v: f64) -> f64 {
    let rated_a = rated_w / rated_v;
    let cold_ohm = COLD_SHARE * rated_v / rated_a;
    (rated_a * (voltage_v / rated_v).powf(EXPONENT)).min(voltage_v / cold_ohm)
}

/// Lamps that light on a short and leave the unit most of its rail: a rated current of 1.5 to 8 times the expected.
pub(super) fn lamps(first: &FirstSwitchOn) -> Vec<LampOption> {
    let mut options: Vec<LampOption> = COMMON_LAMPS
        .iter()
        .filter_map(|&(voltage_v, power_w)| {
            let in_series = (first.rail_v / voltage_v - 1e-9).ceil().max(1.0);
            // A lamp of twice the rail's voltage hardly lights and tells little.
            if voltage_v > 2.0 * first.rail_v || in_series > 3.0 {
                return None;
            }
            let each_v = first.rail_v / in_series;
            let fault_a = filament_current_a(voltage_v, power_w, each_v);
            if !(1.5..=8.0).contains(&(fault_a / first.expected_a)) {
                return None;
            }
            let lost_v = in_series * filament_voltage_v(voltage_v, power_w, first.expected_a);
            let hot_ohm = in_series * voltage_v * voltage_v / power_w;
            let cold_ohm = COLD_SHARE * hot_ohm;
            Some(LampOption {
                voltage_v,
                power_w,
                in_series: in_series as u32,
                fault_a,
                cold_fault_a: first.rail_v / cold_ohm,
                left_v: first.rail_v - lost_v,
                running_w: lost_v * first.expected_a,
                cold_ohm,
                hot_ohm,
            })
        })
        .filter(|option| option.left_v > 0.0)
        .collect();
    options.sort_by(|left, right| {
        left.in_series
            .cmp(&right.in_series)
            .then(left.fault_a.total_cmp(&right.fault_a))
    });
    options
}

impl LampOption {
    pub(super) fn in_words(&self) -> String {
        let count = match self.in_series {
            1 => "A lamp".to_owned(),
            number => format!("{number} lamps in series, each"),
        };
        format!(
            "{count} of {} V {} W leaves {} at the expected draw and holds a short to {} once lit; in the first instant, cold, \
             it passes about {} (cold resistance a tenth of the hot one: common practice, no source).",
            self.voltage_v,
            self.power_w,
            engineering(self.left_v, "V"),
            engineering(self.fault_a, "A"),
            engineering(self.cold_fault_a, "A"),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::super::RailKind;
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_lamp_lit_by_the_full_rail_has_its_rated_current() {
        let first = FirstSwitchOn {
            rail_v: 24.0,
            kind: RailKind::Dc,
            expected_a: 0.3,
        };
        let options = lamps(&first);
        let lamp = options
            .iter()
            .find(|option| option.voltage_v == 24.0 && option.power_w == 21.0)
            .unwrap();
        assert!((lamp.fault_a - 0.875).abs() < 1e-9);
        assert!((lamp.cold_fault_a - 8.75).abs() < 1e-9);
        assert!(lamp.left_v > 20.0, "{}", lamp.left_v);
    }

    proptest! {
        #[test]
        fn current_and_voltage_of_a_filament_undo_each_other(share in 0.001..1.0_f64) {
            let current_a = filament_current_a(24.0, 21.0, 24.0 * share);
            prop_assert!((filament_voltage_v(24.0, 21.0, current_a) / (24.0 * share) - 1.0).abs() < 1e-9);
        }

        #[test]
        fn more_current_is_more_voltage(low in 0.001..1.0_f64, more in 1.001..3.0_f64) {
            prop_assert!(filament_voltage_v(12.0, 21.0, low * more) > filament_voltage_v(12.0, 21.0, low));
        }
    }
}
