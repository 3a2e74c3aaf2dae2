//! A fuse against a measured switch-on, a running current and the rail it is to protect.

use serde::{Deserialize, Serialize};

use super::gates::{FuseStandard, Gate, Vouched, gates};
use super::marking::FuseMarking;
use super::melting::{MeltingI2t, MeltingSource, pulse_share};
use super::protection::{breaking_capacity, protection};
use super::pulse::pulse;
use super::running::running;
use crate::power_up::ChannelPowerUp;

/// A measured figure with its interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// The figure.
    pub value: f64,
    /// Lower end of its interval.
    pub low: f64,
    /// Upper end; `None` when the figure is only a lower bound (a clipped input).
    pub high: Option<f64>,
}

impl Measured {
    /// A figure taken as it is.
    #[must_use]
    pub const fn exactly(value: f64) -> Self {
        Self {
            value,
            low: value,
            high: Some(value),
        }
    }

    pub(super) fn is_known(&self) -> bool {
        self.value.is_finite() && self.low.is_finite() && self.high.is_none_or(f64::is_finite)
    }
}

/// What a fuse check needs to know.
///
/// ```
/// use steadybench_analysis::fuse::{FuseCheck, FuseVerdict, Measured, MeltingSeries, MeltingSource, check, parse_marking};
///
/// // The vent controller's 24 V rail: 0.55 A running, 1.2 A²s at switch-on, from a supply that gives 10 A at most.
/// let finding = check(&FuseCheck {
///     i2t_a2s: Some(Measured { value: 1.2, low: 1.1, high: Some(1.35) }),
///     running_a: Some(Measured::exactly(0.55)),
///     supply_limit_a: Some(10.0),
///     switch_ons: 1000,
///     melting: MeltingSource::Typical(MeltingSeries::Bel5Ht),
///     ..FuseCheck::new(parse_marking("T1.6AH250V")?)
/// });
/// assert_eq!(finding.verdict, FuseVerdict::Carries);
/// # Ok::<(), steadybench_analysis::fuse::MarkingError>(())
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FuseCheck {
    /// The fuse fitted, or thought of.
    pub fuse: FuseMarking,
    /// The rule it is made to; by default what its letters say.
    pub standard: Option<FuseStandard>,
    /// The fuse the maker of the unit asks for, if it is marked beside the holder.
    pub marked: Option<FuseMarking>,
    /// I²t of one switch-on, in ampere² seconds.
    pub i2t_a2s: Option<Measured>,
    /// How long the switch-on lasts, in seconds (the I²t window, or the settling time).
    pub pulse_s: Option<f64>,
    /// Running current through the fuse, root mean square, in amperes.
    pub running_a: Option<Measured>,
    /// The most the rail's supply gives into a short, in amperes (prospective fault current).
    pub supply_limit_a: Option<f64>,
    /// What the thinnest lead or track on the rail carries for good, in amperes.
    pub lead_rating_a: Option<f64>,
    /// Switch-ons over the fuse's life.
    pub switch_ons: u64,
    /// Air temperature at the fuse, in degrees Celsius.
    pub ambient_c: f64,
    /// Where the melting value comes from.
    pub melting: MeltingSource,
}

impl FuseCheck {
    /// A check of a fuse of which nothing else is known: 10 000 switch-ons, 25 °C, gates only.
    #[must_use]
    pub fn new(fuse: FuseMarking) -> Self {
        Self {
            fuse,
            standard: None,
            marked: None,
            i2t_a2s: None,
            pulse_s: None,
            running_a: None,
            supply_limit_a: None,
            lead_rating_a: None,
            switch_ons: 10_000,
            ambient_c: 25.0,
            melting: MeltingSource::GatesOnly,
        }
    }

    /// Takes I²t, its window and the settled current from a measured power-up of the rail.
    ///
    /// What the power-up lacks stays unknown. A settled mean stands for the root mean square, which is right for a rail
    /// with little ripple and too low in front of a rectifier.
    #[must_use]
    pub fn with_power_up(mut self, power_up: &ChannelPowerUp) -> Self {
        let measured = |value: Option<f64>, low: Option<f64>, high: Option<f64>| {
            value.zip(low).map(|(value, low)| Measured { value, low, high })
        };
        self.i2t_a2s = measured(power_up.i2t_a2s, power_up.i2t_low_a2s, power_up.i2t_high_a2s);
        self.pulse_s = power_up.i2t_a2s.map(|_| power_up.i2t_window_s);
        self.running_a = measured(
            power_up.settled_a,
            power_up.settled_low_a,
            power_up.settled_high_a,
        );
        self
    }
}

/// The word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum FuseVerdict {
    /// Carries the running current and the switch-ons, and opens on a short of the rail.
    #[serde(rename = "carries it")]
    Carries,
    /// One switch-on brings more than it takes to melt it.
    #[serde(rename = "opens on switch-on")]
    OpensOnSwitchOn,
    /// The running current is more than it carries for good.
    #[serde(rename = "too small for the running current")]
    TooSmall,
    /// A short of the rail would not open it in time, or the lead or the marking asks for less.
    #[serde(rename = "too large to protect this rail")]
    TooLarge,
    /// What is known decides nothing; the reasons say what is missing.
    #[serde(rename = "cannot say")]
    CannotSay,
}

/// What a fuse check found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FuseFinding {
    /// The word.
    pub verdict: FuseVerdict,
    /// Why that word, and what speaks besides.
    pub reasons: Vec<String>,
    /// What was taken for granted.
    pub assumptions: Vec<String>,
    /// The rule applied.
    pub standard: Option<FuseStandard>,
    /// Its gates for this rating.
    pub gates: Vec<Gate>,
    /// The melting I²t used.
    pub melting: Option<MeltingI2t>,
    /// I²t of one switch-on (upper end) as a share of the melting I²t (lower end).
    pub pulse_ratio: Option<f64>,
    /// The share that the number of switch-ons allows.
    pub pulse_ratio_allowed: Option<f64>,
    /// Running current (upper end) as a share of what the fuse carries for good.
    pub running_ratio: Option<f64>,
    /// What the supply gives into a short, in multiples of the rating.
    pub fault_multiple: Option<f64>,
}

/// How one question was answered.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Answer {
    Good,
    Bad,
    Open,
}

/// Judges a fuse. Nothing here fails: what is missing is said.
#[must_use]
pub fn check(input: &FuseCheck) -> FuseFinding {
    let standard = input.standard.or_else(|| input.fuse.standard());
    let rating_a = input.fuse.rating_a;
    let gates = standard
        .and_then(|standard| gates(standard, rating_a))
        .unwrap_or_default();
    let mut finding = FuseFinding {
        verdict: FuseVerdict::CannotSay,
        reasons: Vec::new(),
        assumptions: Vec::new(),
        standard,
        gates,
        melting: None,
        pulse_ratio: None,
        pulse_ratio_allowed: pulse_share(input.switch_ons),
        running_ratio: None,
        fault_multiple: input.supply_limit_a.map(|limit| limit / rating_a),
    };
    if !(rating_a.is_finite() && rating_a > 0.0) {
        finding.reasons.push(format!(
            "a rated current of {rating_a} A is none: give the fuse's marking"
        ));
        return finding;
    }
    match standard {
        None => finding.reasons.push(
            "the marking doesn't say which sheet of IEC 60127-2 the fuse is made to (speed F or T, and L or H): without \
             it no gate applies"
                .to_owned(),
        ),
        Some(standard) if finding.gates.is_empty() => {
            finding.reasons.push(format!("{standard} has no rating of {rating_a} A in the table used here"));
        }
        Some(_) => {}
    }
    let running = running(input, &mut finding);
    let pulse = pulse(input, &mut finding);
    let protection = protection(input, &mut finding);
    finding.verdict = match (pulse, protection, running) {
        (Answer::Bad, _, _) => FuseVerdict::OpensOnSwitchOn,
        (_, Answer::Bad, _) => FuseVerdict::TooLarge,
        (_, _, Answer::Bad) => FuseVerdict::TooSmall,
        (Answer::Good, Answer::Good, Answer::Good) => FuseVerdict::Carries,
        _ => FuseVerdict::CannotSay,
    };
    breaking_capacity(input, &mut finding);
    remember_marks(&mut finding);
    finding
}

/// Says once, for all gates used, how well they are vouched for.
fn remember_marks(finding: &mut FuseFinding) {
    let Some(standard) = finding.standard.filter(|_| !finding.gates.is_empty()) else {
        return;
    };
    let limits = finding
        .gates
        .iter()
        .flat_map(|gate| [gate.at_least, gate.at_most])
        .flatten();
    let weakest = limits
        .map(|limit| limit.vouched)
        .max()
        .unwrap_or(Vouched::SecondHand);
    finding.assumptions.push(format!(
        "time limits of {standard} as makers' data sheets print them; the least certain of them is {weakest}"
    ));
}

/// A number with three significant figures.
pub(super) fn round(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return value.to_string();
    }
    let decimals = (2 - value.abs().log10().floor() as i32).clamp(0, 9) as usize;
    format!("{value:.decimals$}")
}
