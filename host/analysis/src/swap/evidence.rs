//! What was measured around an alteration.

use crate::statistics::{MeanEstimate, StatisticsError};
use serde::{Deserialize, Serialize};

/// What was done between the runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Alteration {
    /// The suspect part and its twin changed places.
    Swapped,
    /// A leg or a link of the part was lifted, so that it carries nothing.
    Lifted,
    /// A joint was reflowed, reseated or flexed.
    Disturbed,
}

/// What a place showed in one run.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Evidence {
    /// A level in any unit, the same for all evidence of a trial.
    Level {
        /// The level.
        value: f64,
        /// Its standard uncertainty within the run.
        standard_uncertainty: f64,
        /// Degrees of freedom of that; none when taken as known.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        degrees_of_freedom: Option<f64>,
    },
    /// Events counted.
    Events {
        /// Events; a burst counts once.
        count: u64,
        /// Hours, taps, switchings: the same for all evidence of a trial; above 0.
        exposure: f64,
    },
}

impl From<&MeanEstimate> for Evidence {
    fn from(mean: &MeanEstimate) -> Self {
        Self::Level {
            value: mean.mean.value,
            standard_uncertainty: mean.standard_error,
            degrees_of_freedom: Some(mean.degrees_of_freedom),
        }
    }
}

/// All that was measured around an alteration.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trial {
    /// What was done.
    pub alteration: Alteration,
    /// The suspect place before.
    pub suspect_before: Evidence,
    /// A healthy place before: the other channel, or a known-good run. For events it may be left out, and a healthy place
    /// is then taken to have none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub healthy_before: Option<Evidence>,
    /// The suspect place after.
    pub suspect_after: Evidence,
    /// The other place after; needed when parts were swapped, ignored else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub other_after: Option<Evidence>,
    /// The suspect place after a lifted part was put back; ignored else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub suspect_restored: Option<Evidence>,
}

/// How to judge.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// Share of wrong verdicts allowed, between 0 and 1.
    pub error_rate: f64,
    /// Standard deviation of a level from run to run with nothing touched, in the unit of the levels.
    pub repeatability: f64,
    /// A difference of levels below this is no symptom, in the unit of the levels.
    pub least_difference: f64,
}

impl Default for Settings {
    /// 5 % wrong verdicts, perfect repeatability, any difference a symptom.
    fn default() -> Self {
        Self {
            error_rate: 0.05,
            repeatability: 0.0,
            least_difference: 0.0,
        }
    }
}

/// Why a trial could not be judged at all.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SwapError {
    /// Levels and event counts mixed in one trial.
    #[error(
        "levels and event counts cannot be compared with one another; give the same kind for all runs of the trial"
    )]
    MixedKinds,
    /// A figure needed for this alteration is missing.
    #[error("{0} is missing")]
    Missing(&'static str),
    /// A figure that cannot be.
    #[error("{what} is {value}, but must be {rule}")]
    OutOfRange {
        /// The figure.
        what: &'static str,
        /// Its value.
        value: f64,
        /// The range, in words.
        rule: &'static str,
    },
    /// A statistic failed.
    #[error(transparent)]
    Statistics(#[from] StatisticsError),
}

/// Refuses a figure that is not finite, or below `least`.
pub(super) fn at_least(
    what: &'static str,
    value: f64,
    least: f64,
    rule: &'static str,
) -> Result<(), SwapError> {
    if value.is_finite() && value >= least {
        Ok(())
    } else {
        Err(SwapError::OutOfRange { what, value, rule })
    }
}

impl Evidence {
    /// Refuses figures that cannot be.
    pub(super) fn check(&self) -> Result<(), SwapError> {
        match *self {
            Self::Level {
                value,
                standard_uncertainty,
                degrees_of_freedom,
            } => {
                at_least("a level", value, f64::NEG_INFINITY, "a finite number")?;
                at_least(
                    "the uncertainty of a level",
                    standard_uncertainty,
                    0.0,
                    "0 or above, and finite",
                )?;
                let freedom = degrees_of_freedom.unwrap_or(1.0);
                at_least(
                    "the degrees of freedom of a level",
                    freedom,
                    f64::MIN_POSITIVE,
                    "above 0",
                )
            }
            Self::Events { exposure, .. } => {
                at_least("an exposure", exposure, f64::MIN_POSITIVE, "above 0 and finite")
            }
        }
    }

    /// What a run `factor` times as long would show if nothing changed.
    pub(super) fn longer(&self, factor: f64) -> Self {
        match *self {
            Self::Level {
                value,
                standard_uncertainty,
                degrees_of_freedom,
            } => Self::Level {
                value,
                standard_uncertainty: standard_uncertainty / factor.sqrt(),
                degrees_of_freedom: degrees_of_freedom.map(|freedom| freedom * factor),
            },
            Self::Events { count, exposure } => Self::Events {
                count: (count as f64 * factor).round() as u64,
                exposure: exposure * factor,
            },
        }
    }
}
