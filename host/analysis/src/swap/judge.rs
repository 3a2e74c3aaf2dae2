//! The verdict.

use super::evidence::at_least;
use super::{Alteration, Evidence, Settings, SwapError, Trial};
use crate::statistics::{Bounded, compare_rates, student_t_coverage_factor};
use serde::{Deserialize, Serialize};

/// A share of the symptom above this is sick, below healthy.
const BORDER: f64 = 0.5;

/// Lengthenings of the run afterwards that are tried for [`Finding::longer_by`].
const LONGER: [f64; 12] = [1.25, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 20.0, 30.0, 50.0, 100.0];

/// Where the fault sits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The part carries it.
    FollowsThePart,
    /// The place keeps it, whatever part sits there.
    StaysWithThePlace,
    /// It went away when things were moved: suspect a joint.
    GoneWhenDisturbed,
    /// The figures do not decide.
    CannotSay,
}

/// Why the verdict is what it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// The places afterwards are clearly sick or healthy, as the table of this module reads them.
    Clear,
    /// There was no clear symptom before, so nothing can follow or stay.
    NoSymptomBefore,
    /// The suspect place afterwards lies between sick and healthy.
    SuspectUndecided,
    /// The other place afterwards lies between sick and healthy.
    OtherUndecided,
    /// The place with the part put back lies between sick and healthy.
    RestoredUndecided,
    /// Both places are sick: the work made a second fault, or the cause is common to both.
    BothSick,
    /// Gone with the part lifted; put it back and measure again, for its joint was moved as well.
    PutItBack,
}

impl Reason {
    /// The reason in a sentence for the person at the bench.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Clear => "each place is clearly with or without the symptom",
            Self::NoSymptomBefore => {
                "before the work the suspect place did not clearly differ from a healthy one; put it back and record longer"
            }
            Self::SuspectUndecided => "the suspect place afterwards lies between sick and healthy",
            Self::OtherUndecided => "the other place afterwards lies between sick and healthy",
            Self::RestoredUndecided => "with the part put back the place lies between sick and healthy",
            Self::BothSick => {
                "both places show it now: the work made a second fault, or the cause is common to both"
            }
            Self::PutItBack => {
                "it is gone with the part lifted, but its joint was moved as well: put the part back and measure again"
            }
        }
    }
}

/// How much of the symptom a place shows.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    /// Share of the symptom: 1 all of it, 0 none.
    pub share: Bounded,
    /// `true` sick, `false` healthy, none undecided.
    pub sick: Option<bool>,
}

/// The verdict with the figures behind it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Where the fault sits.
    pub verdict: Verdict,
    /// Why.
    pub reason: Reason,
    /// The symptom before: suspect less healthy level, or the suspect's rate of events; with its interval.
    pub symptom: Bounded,
    /// The suspect place afterwards; none when there was no symptom.
    pub suspect: Option<Standing>,
    /// The other place afterwards, when parts were swapped.
    pub other: Option<Standing>,
    /// The suspect place with the part put back.
    pub restored: Option<Standing>,
    /// How many times as long the runs afterwards would have to be for a verdict, if the figures stay as they are; none
    /// when there is one, or when no length would help.
    pub longer_by: Option<f64>,
}

/// Judges a trial.
///
/// # Errors
/// Levels mixed with event counts, a missing figure (a healthy level; the other place after a swap), or figures that cannot
/// be.
///
/// ```
/// use steadybench_analysis::swap::{Alteration, Evidence, Settings, Trial, Verdict, judge};
///
/// let level = |value| Evidence::Level { value, standard_uncertainty: 0.004, degrees_of_freedom: None };
/// // 310 mA against 180 mA; after the two driver chips changed places the other stage draws too much.
/// let trial = Trial {
///     alteration: Alteration::Swapped,
///     suspect_before: level(0.310),
///     healthy_before: Some(level(0.180)),
///     suspect_after: level(0.184),
///     other_after: Some(level(0.305)),
///     suspect_restored: None,
/// };
/// let finding = judge(&trial, &Settings { repeatability: 0.005, ..Settings::default() })?;
/// assert_eq!(finding.verdict, Verdict::FollowsThePart);
/// # Ok::<(), steadybench_analysis::swap::SwapError>(())
/// ```
pub fn judge(trial: &Trial, settings: &Settings) -> Result<Finding, SwapError> {
    check(trial, settings)?;
    let mut finding = decide(trial, settings)?;
    if finding.verdict == Verdict::CannotSay && finding.reason != Reason::NoSymptomBefore {
        for factor in LONGER {
            let longer = Trial {
                suspect_after: trial.suspect_after.longer(factor),
                other_after: trial.other_after.map(|evidence| evidence.longer(factor)),
                suspect_restored: trial.suspect_restored.map(|evidence| evidence.longer(factor)),
                ..*trial
            };
            if decide(&longer, settings)?.verdict != Verdict::CannotSay {
                finding.longer_by = Some(factor);
                break;
            }
        }
    }
    Ok(finding)
}

fn check(trial: &Trial, settings: &Settings) -> Result<(), SwapError> {
    at_least(
        "the repeatability",
        settings.repeatability,
        0.0,
        "0 or above, and finite",
    )?;
    at_least(
        "the least difference",
        settings.least_difference,
        0.0,
        "0 or above, and finite",
    )?;
    if !(settings.error_rate > 0.0 && settings.error_rate < 1.0) {
        let (what, value) = ("the error rate", settings.error_rate);
        return Err(SwapError::OutOfRange {
            what,
            value,
            rule: "between 0 and 1, for instance 0.05",
        });
    }
    let levels = matches!(trial.suspect_before, Evidence::Level { .. });
    let given = [
        Some(trial.suspect_before),
        trial.healthy_before,
        Some(trial.suspect_after),
        trial.other_after,
        trial.suspect_restored,
    ];
    for evidence in given.iter().flatten() {
        evidence.check()?;
        if matches!(evidence, Evidence::Level { .. }) != levels {
            return Err(SwapError::MixedKinds);
        }
    }
    if levels && trial.healthy_before.is_none() {
        return Err(SwapError::Missing(
            "the level of a healthy place: the other channel, or a known-good run",
        ));
    }
    if trial.alteration == Alteration::Swapped && trial.other_after.is_none() {
        return Err(SwapError::Missing("the other place after the swap"));
    }
    Ok(())
}

fn decide(trial: &Trial, settings: &Settings) -> Result<Finding, SwapError> {
    let (symptom, clear) = symptom(trial, settings)?;
    let mut finding = Finding {
        verdict: Verdict::CannotSay,
        reason: Reason::NoSymptomBefore,
        symptom,
        suspect: None,
        other: None,
        restored: None,
        longer_by: None,
    };
    if !clear {
        return Ok(finding);
    }
    let suspect = standing(trial, &trial.suspect_after, settings)?;
    finding.suspect = Some(suspect);
    if trial.alteration == Alteration::Swapped {
        finding.other = trial
            .other_after
            .map(|after| standing(trial, &after, settings))
            .transpose()?;
    }
    if trial.alteration == Alteration::Lifted {
        finding.restored = trial
            .suspect_restored
            .map(|after| standing(trial, &after, settings))
            .transpose()?;
    }
    let of = |standing: Option<Standing>| standing.and_then(|standing| standing.sick);
    (finding.verdict, finding.reason) = match (trial.alteration, suspect.sick) {
        (_, None) => (Verdict::CannotSay, Reason::SuspectUndecided),
        (Alteration::Swapped, Some(sick)) => match (sick, of(finding.other)) {
            (_, None) => (Verdict::CannotSay, Reason::OtherUndecided),
            (true, Some(true)) => (Verdict::CannotSay, Reason::BothSick),
            (true, Some(false)) => (Verdict::StaysWithThePlace, Reason::Clear),
            (false, Some(true)) => (Verdict::FollowsThePart, Reason::Clear),
            (false, Some(false)) => (Verdict::GoneWhenDisturbed, Reason::Clear),
        },
        (Alteration::Lifted | Alteration::Disturbed, Some(true)) => {
            (Verdict::StaysWithThePlace, Reason::Clear)
        }
        (Alteration::Disturbed, Some(false)) => (Verdict::GoneWhenDisturbed, Reason::Clear),
        (Alteration::Lifted, Some(false)) => match (finding.restored, of(finding.restored)) {
            (None, _) => (Verdict::CannotSay, Reason::PutItBack),
            (Some(_), None) => (Verdict::CannotSay, Reason::RestoredUndecided),
            (Some(_), Some(true)) => (Verdict::FollowsThePart, Reason::Clear),
            (Some(_), Some(false)) => (Verdict::GoneWhenDisturbed, Reason::Clear),
        },
    };
    Ok(finding)
}

/// The symptom before, and whether it is clear.
fn symptom(trial: &Trial, settings: &Settings) -> Result<(Bounded, bool), SwapError> {
    let coverage = 1.0 - settings.error_rate;
    match (trial.suspect_before, trial.healthy_before) {
        (Evidence::Level { .. }, Some(healthy)) => {
            let (suspect, healthy) = (
                Level::of(&trial.suspect_before, settings),
                Level::of(&healthy, settings),
            );
            let variance = suspect.variance + healthy.variance;
            let factor = student_t_coverage_factor(coverage, welch(&[(1.0, suspect), (1.0, healthy)]))?;
            let symptom =
                Bounded::symmetric(suspect.value - healthy.value, factor * variance.sqrt(), coverage);
            Ok((
                symptom,
                symptom.excludes(0.0) && symptom.value.abs() >= settings.least_difference,
            ))
        }
        (Evidence::Events { count, exposure }, healthy) => {
            let rate = crate::statistics::poisson_rate_interval(count, exposure, coverage)?;
            let clear = match healthy {
                Some(Evidence::Events {
                    count: quiet,
                    exposure: over,
                }) => {
                    // A healthy place with nearly as many events leaves no symptom to follow.
                    compare_rates((quiet, over), (count, exposure), coverage)?.ratio_high < BORDER
                }
                _ => count > 0,
            };
            Ok((rate, clear))
        }
        (Evidence::Level { .. }, None) => Err(SwapError::Missing("the level of a healthy place")),
    }
}

/// How much of the symptom `after` shows.
fn standing(trial: &Trial, after: &Evidence, settings: &Settings) -> Result<Standing, SwapError> {
    let coverage = 1.0 - settings.error_rate;
    let share = match (trial.suspect_before, *after, trial.healthy_before) {
        (
            Evidence::Events { count, exposure },
            Evidence::Events {
                count: now,
                exposure: over,
            },
            _,
        ) => {
            let ratio = compare_rates((now, over), (count, exposure), coverage)?;
            Bounded {
                value: ratio.ratio,
                low: ratio.ratio_low,
                high: ratio.ratio_high,
                coverage,
            }
        }
        (Evidence::Level { .. }, Evidence::Level { .. }, Some(healthy)) => {
            let before = Level::of(&trial.suspect_before, settings);
            fieller(
                Level::of(after, settings),
                before,
                Level::of(&healthy, settings),
                coverage,
            )?
        }
        _ => return Err(SwapError::MixedKinds),
    };
    let sick = if share.low > BORDER {
        Some(true)
    } else if share.high < BORDER {
        Some(false)
    } else {
        None
    };
    Ok(Standing { share, sick })
}

/// A level with its variance, repeatability included.
#[derive(Clone, Copy)]
struct Level {
    value: f64,
    variance: f64,
    /// What the run's own variance, squared, counts towards the degrees of freedom.
    spread: f64,
}

impl Level {
    fn of(evidence: &Evidence, settings: &Settings) -> Self {
        match *evidence {
            Evidence::Level {
                value,
                standard_uncertainty,
                degrees_of_freedom,
            } => {
                let own = standard_uncertainty * standard_uncertainty;
                Self {
                    value,
                    variance: own + settings.repeatability * settings.repeatability,
                    spread: degrees_of_freedom.map_or(0.0, |freedom| own * own / freedom),
                }
            }
            Evidence::Events { count, exposure } => Self {
                value: count as f64 / exposure,
                variance: 0.0,
                spread: 0.0,
            },
        }
    }
}

/// Degrees of freedom of a weighted sum of levels, by Welch and Satterthwaite; at least 1.
fn welch(terms: &[(f64, Level)]) -> f64 {
    let variance: f64 = terms
        .iter()
        .map(|(weight, level)| weight * weight * level.variance)
        .sum();
    let spread = terms
        .iter()
        .fold(0.0, |sum, (weight, level)| sum + weight.powi(4) * level.spread);
    if spread > 0.0 {
        (variance * variance / spread).max(1.0)
    } else {
        f64::INFINITY
    }
}

/// The share (after − healthy)/(before − healthy) with Fieller's interval; unbounded where the symptom is too weak for one.
fn fieller(after: Level, before: Level, healthy: Level, coverage: f64) -> Result<Bounded, SwapError> {
    let (numerator, denominator) = (after.value - healthy.value, before.value - healthy.value);
    // Degrees of freedom of the sum that is tested at the border.
    let freedom = welch(&[(1.0, after), (BORDER, before), (1.0 - BORDER, healthy)]);
    let square = student_t_coverage_factor(coverage, freedom)?.powi(2);
    let a = denominator * denominator - square * (before.variance + healthy.variance);
    let b = numerator * denominator - square * healthy.variance;
    let c = numerator * numerator - square * (after.variance + healthy.variance);
    let value = numerator / denominator;
    let root = (b * b - a * c).max(0.0).sqrt();
    let (low, high) = if a > 0.0 {
        ((b - root) / a, (b + root) / a)
    } else {
        (f64::NEG_INFINITY, f64::INFINITY)
    };
    Ok(Bounded {
        value,
        low,
        high,
        coverage,
    })
}
