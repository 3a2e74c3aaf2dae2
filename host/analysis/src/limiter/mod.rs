//! The first switch-on of a unit that may be shorted: through a series resistor or a lamp.
//!
//! # Model
//!
//! The unit is taken as a load that draws its expected current at the full rail. Behind a series resistance `R` it may
//! behave in two ways, and both are given: as a resistance (`V·Ru/(R+Ru)`), or as a converter that draws constant power,
//! which runs only where `P ≤ V²/(4R)` (the most a source of `V` behind `R` can give). Into a short the resistor alone
//! limits: `V/R`, and gets `V²/R`.
//!
//! A lamp's filament has about a tenth of its hot resistance when cold (common practice, no source), and its current
//! follows the voltage as `I/In = (V/Vn)^0.55` once it glows (from memory). So it starts soft on the unit (little
//! voltage lost at the small running current) and hard on a short (it lights).
//!
//! # Refusal
//!
//! Rails above the limits of low voltage get no advice but a caution: 60 V DC or 42.4 V peak, 30 V rms AC (ES1 of
//! IEC 62368-1, table 4, verified second-hand).
//!
//! # Not enough data
//!
//! Without the expected current nothing can be sized; it is a required input. What the unit does at less than its rail
//! isn't known: the advice says for which kind of unit which row holds.
//!
//! # Validated
//!
//! Ohm's law at the operating points, the power limit of the constant-power load, and properties (a larger resistor never
//! passes more), in this module's tests.
#![doc = include_str!("../../docs/validation/limiter.md")]

mod lamp;
mod resistor;

use serde::{Deserialize, Serialize};
use thiserror::Error;

pub use lamp::{LampOption, filament_voltage_v};
pub use resistor::ResistorOption;

/// Direct or alternating.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RailKind {
    /// Direct voltage.
    #[default]
    Dc,
    /// Alternating voltage, given as root mean square.
    Ac,
}

/// What is to be switched on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FirstSwitchOn {
    /// Voltage of the rail in volts (root mean square if alternating).
    pub rail_v: f64,
    /// Direct or alternating.
    pub kind: RailKind,
    /// What a healthy unit draws from it, in amperes.
    pub expected_a: f64,
}

/// What to put in series, and what it does.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LimiterAdvice {
    /// The resistor advised: into a short it passes about three times the expected current.
    pub resistor: ResistorOption,
    /// Resistors from about twice to ten times.
    pub resistors: Vec<ResistorOption>,
    /// Lamps, smallest first; empty where none of the common ones suits.
    pub lamps: Vec<LampOption>,
    /// Why, and how to go about it, in sentences.
    pub reasoning: Vec<String>,
    /// Cautions.
    pub cautions: Vec<String>,
}

/// Why there is no advice.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum LimiterRefusal {
    /// The rail isn't low voltage.
    #[error(
        "{rail_v} V {kind} isn't low voltage (60 V DC, or 30 V rms AC, is the limit here): no advice is given. A shock \
         from it can kill, stored charge stays after switching off, and a limiter in series doesn't make it safe. Leave it \
         to those trained and licensed for it under your local code"
    )]
    NotLowVoltage {
        /// Volts.
        rail_v: f64,
        /// `DC` or `AC`.
        kind: &'static str,
    },
    /// A figure that can't be.
    #[error("{what} of {value} can't be: give one above 0")]
    NotPositive {
        /// Which.
        what: &'static str,
        /// Its value.
        value: f64,
    },
}

/// Limits of energy source class 1, IEC 62368-1 table 4 (verified second-hand): volts DC, and volts rms AC.
const LOW_VOLTAGE_V: [f64; 2] = [60.0, 30.0];

/// Advises a series resistor and lamps for a first switch-on.
///
/// # Errors
/// When the rail isn't low voltage, or a figure isn't above 0.
///
/// ```
/// use steadybench_analysis::limiter::{FirstSwitchOn, RailKind, advise};
///
/// // The vent controller: 24 V DC, 0.5 A expected.
/// let advice = advise(&FirstSwitchOn { rail_v: 24.0, kind: RailKind::Dc, expected_a: 0.5 })?;
/// assert_eq!(advice.resistor.resistance_ohm, 15.0);
/// assert!((advice.resistor.fault_a - 1.6).abs() < 1e-9);
/// assert!(advise(&FirstSwitchOn { rail_v: 230.0, kind: RailKind::Ac, expected_a: 0.5 }).is_err());
/// # Ok::<(), steadybench_analysis::limiter::LimiterRefusal>(())
/// ```
pub fn advise(first: &FirstSwitchOn) -> Result<LimiterAdvice, LimiterRefusal> {
    for (what, value) in [
        ("a rail", first.rail_v),
        ("an expected current", first.expected_a),
    ] {
        if !(value.is_finite() && value > 0.0) {
            return Err(LimiterRefusal::NotPositive { what, value });
        }
    }
    let (limit_v, kind) = match first.kind {
        RailKind::Dc => (LOW_VOLTAGE_V[0], "DC"),
        RailKind::Ac => (LOW_VOLTAGE_V[1], "AC"),
    };
    if first.rail_v > limit_v {
        return Err(LimiterRefusal::NotLowVoltage {
            rail_v: first.rail_v,
            kind,
        });
    }
    let (resistor, resistors) = resistor::resistors(first);
    let lamps = lamp::lamps(first);
    let mut reasoning = vec![resistor.in_words(), resistor.rating_in_words()];
    if !resistor.starts_a_converter {
        reasoning.push(
            "A unit with a switching converter draws more current the less voltage it gets: behind this resistor it can't \
             run at its full load and will start and stop. That is no fault; look for the current of a short instead."
                .to_owned(),
        );
    }
    match lamps.first() {
        Some(lamp) => reasoning.push(lamp.in_words()),
        None => reasoning.push("No common low-voltage lamp suits this current: use the resistor.".to_owned()),
    }
    reasoning.push(
        "Go on to the full rail only when the current falls to the expected one within a second or two and nothing gets \
         warm; take the limiter out again, and note both in the job's alterations."
            .to_owned(),
    );
    Ok(LimiterAdvice {
        resistor,
        resistors,
        lamps,
        reasoning,
        cautions: cautions(),
    })
}

fn cautions() -> Vec<String> {
    [
        "On the low-voltage side only: nothing here is for mains-side wiring. Where mains is reachable, leave the lid on or \
         the work to those licensed for it.",
        "A resistor that limits a short gets hot enough to burn skin and bench: keep it clear, and don't leave it.",
        "Capacitors stay charged after switching off; measure before touching.",
        "A limiter is no fuse: keep the fuse, and the supply's own limit, in.",
    ]
    .map(str::to_owned)
    .into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn vents() -> FirstSwitchOn {
        FirstSwitchOn {
            rail_v: 24.0,
            kind: RailKind::Dc,
            expected_a: 0.5,
        }
    }

    #[test]
    fn rails_above_low_voltage_get_a_caution_only() {
        for (rail_v, kind, refused) in [
            (60.0, RailKind::Dc, false),
            (60.1, RailKind::Dc, true),
            (30.0, RailKind::Ac, false),
            (48.0, RailKind::Ac, true),
            (325.0, RailKind::Dc, true),
        ] {
            let answer = advise(&FirstSwitchOn {
                rail_v,
                kind,
                ..vents()
            });
            assert_eq!(answer.is_err(), refused, "{rail_v} {kind:?}");
            if let Err(error) = answer {
                assert!(error.to_string().contains("licensed"), "{error}");
            }
        }
    }

    #[test]
    fn nonsense_is_refused_by_name() {
        let error = advise(&FirstSwitchOn {
            expected_a: 0.0,
            ..vents()
        })
        .unwrap_err();
        assert!(error.to_string().contains("expected current of 0"));
        assert!(
            advise(&FirstSwitchOn {
                rail_v: f64::NAN,
                ..vents()
            })
            .is_err()
        );
    }

    #[test]
    fn mains_side_is_cautioned_in_every_advice() {
        assert!(advise(&vents()).unwrap().cautions[0].contains("mains-side"));
    }

    proptest! {
        #[test]
        fn every_low_voltage_rail_gets_an_advice_that_holds(rail_v in 1.0..60.0_f64, expected_a in 1e-3..10.0_f64) {
            let advice = advise(&FirstSwitchOn { rail_v, kind: RailKind::Dc, expected_a }).unwrap();
            let multiple = advice.resistor.fault_a / expected_a;
            prop_assert!((2.4..3.8).contains(&multiple), "{multiple}");
            for pair in advice.resistors.windows(2) {
                prop_assert!(pair[1].fault_a < pair[0].fault_a);
                prop_assert!(pair[1].left_resistive_v < pair[0].left_resistive_v);
            }
            for lamp in &advice.lamps {
                prop_assert!(lamp.fault_a > expected_a && lamp.left_v > 0.0 && lamp.left_v < rail_v);
                prop_assert!(f64::from(lamp.in_series) * lamp.voltage_v >= rail_v);
            }
        }
    }
}
