//! Near enough to be alike: two one-sided tests.
//!
//! # Model and formula
//! For a difference d with standard error u and ν degrees of freedom, and a margin m of what still counts as alike: the
//! two are alike at level α when d is significantly above −m *and* significantly below +m, each by a one-sided t test at
//! α. That is the same as the interval d ± t(1 − α; ν)·u lying wholly within ±m.
//!
//! # Source
//! D. J. Schuirmann, *Journal of Pharmacokinetics and Biopharmaceutics* 15 (1987) 657 (from memory).
//!
//! # Why two questions
//! "Is there a difference" and "does it matter" are kept apart: with enough readings any two stages differ. The margin is
//! stated by whoever asks.
//!
//! # Assumptions
//! The difference is normal about the true one, or is that of means of many readings, and the standard error is honest: readings
//! that remember one another were allowed for before ([`super::effective_size`]). The margin was chosen before the figures
//! were seen.
//!
//! # "Not enough data"
//! Neither alike nor different: the interval reaches both inside and outside the margin. The caller then says how much
//! more to record.
//!
//! # Validation
//! statsmodels `ttost_mean`-style figures by `tests/reference/make_reference.py`; the two forms above agree as a property.
#![doc = include_str!("../../docs/validation/equivalence.md")]

use super::distributions::student_t_upper_tail;
use super::error::require_coverage;
use super::{Bounded, StatisticsError, student_t_quantile};
use serde::{Deserialize, Serialize};

/// Outcome of the two one-sided tests.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Equivalence {
    /// Chance of a difference this far above −margin if the true one were −margin.
    pub p_above_lower: f64,
    /// Chance of a difference this far below +margin if the true one were +margin.
    pub p_below_upper: f64,
    /// The larger of the two: alike when at or below the level.
    pub p: f64,
    /// Whether the two are alike at the level asked for.
    pub alike: bool,
    /// The difference with its 1 − 2α interval, which lies within the margin exactly when `alike`.
    pub difference: Bounded,
}

/// Tests whether a difference lies within ±`margin`, at one-sided level `alpha` (0.05 is usual).
///
/// # Errors
/// A standard error or margin that is not above 0, degrees of freedom not above 0, or `alpha` not in 0 to 0.5.
///
/// ```
/// // 8 mA against 7 mA, known to 0.1 mA, with 2 mA said to be alike for the bench.
/// let twins = steadybench_analysis::statistics::equivalence(0.001, 0.000_1, 50.0, 0.002, 0.05)?;
/// assert!(twins.alike && twins.difference.excludes(0.0));
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn equivalence(
    difference: f64,
    standard_error: f64,
    degrees_of_freedom: f64,
    margin: f64,
    alpha: f64,
) -> Result<Equivalence, StatisticsError> {
    super::error::require("the difference", &[difference], 1)?;
    for (what, value) in [("the standard error", standard_error), ("the margin", margin)] {
        if !(value.is_finite() && value > 0.0) {
            return Err(StatisticsError::OutOfRange {
                what,
                value,
                rule: "above 0 and finite",
            });
        }
    }
    require_coverage(1.0 - 2.0 * alpha)?;
    let p_above_lower = student_t_upper_tail((difference + margin) / standard_error, degrees_of_freedom)?;
    let p_below_upper = student_t_upper_tail((margin - difference) / standard_error, degrees_of_freedom)?;
    let half_width = student_t_quantile(1.0 - alpha, degrees_of_freedom)? * standard_error;
    let p = p_above_lower.max(p_below_upper);
    Ok(Equivalence {
        p_above_lower,
        p_below_upper,
        p,
        alike: p <= alpha,
        difference: Bounded::symmetric(difference, half_width, 1.0 - 2.0 * alpha),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn alike_exactly_when_the_interval_lies_within_the_margin(
            difference in -3.0..3.0_f64, error in 0.01..2.0_f64, freedom in 1.0..200.0_f64, margin in 0.1..4.0_f64,
        ) {
            let outcome = equivalence(difference, error, freedom, margin, 0.05).unwrap();
            let slack = (outcome.difference.high - margin).abs().min((outcome.difference.low + margin).abs());
            prop_assume!(slack > 1e-6);
            prop_assert_eq!(outcome.alike, outcome.difference.low > -margin && outcome.difference.high < margin);
        }
    }
}
