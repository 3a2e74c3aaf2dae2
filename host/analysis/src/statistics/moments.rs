//! Mean, variance and extremes, of a list or of a stream.
//!
//! # Model and formula
//! Mean x̄ = Σx/n and variance s² = Σ(x − x̄)²/(n − 1). A list is gone through twice, and both sums are corrected for the
//! rounding of the mean: x̄ by the mean of the residuals, s² by (Σ(x − x̄))²/n; the sums carry their rounding along.
//! A stream is summed by Welford's recurrence, and two streams merge by the pairwise rule.
//!
//! # Source
//! B. P. Welford, *Technometrics* 4 (1962) 419; T. F. Chan, G. H. Golub, R. J. LeVeque, *The American Statistician* 37
//! (1983) 242 (from memory).
//!
//! # Assumptions and "not enough data"
//! None about the distribution. A variance needs two values. The variance describes the *readings*; how well the mean is
//! known is another question, see [`super::effective_size`].
//!
//! # Validation
//! NIST StRD univariate sets to the digits an f64 can carry (`tests/nist_univariate.rs`); properties: the running figures
//! equal the two-pass ones, and merged parts equal the whole.
#![doc = include_str!("../../docs/validation/moments.md")]

use super::StatisticsError;
use super::error::require;
use serde::{Deserialize, Serialize};

/// Count, mean, variance and extremes of a list.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Moments {
    /// Number of values.
    pub count: usize,
    /// Arithmetic mean.
    pub mean: f64,
    /// Variance with divisor n − 1; zero for a single value.
    pub variance: f64,
    /// Smallest value.
    pub min: f64,
    /// Largest value.
    pub max: f64,
}

impl Moments {
    /// Standard deviation with divisor n − 1.
    #[must_use]
    pub fn standard_deviation(&self) -> f64 {
        self.variance.sqrt()
    }
}

/// Moments of a list, by two passes.
///
/// # Errors
/// An empty list, or a value that is not finite.
///
/// ```
/// let moments = steadybench_analysis::statistics::moments(&[1.0, 2.0, 3.0, 4.0])?;
/// assert_eq!(moments.mean, 2.5);
/// assert!((moments.standard_deviation() - 1.290_994_448_735_806).abs() < 1e-15);
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn moments(values: &[f64]) -> Result<Moments, StatisticsError> {
    require("the list of values", values, 1)?;
    let n = values.len() as f64;
    let rough = values.iter().sum::<f64>() / n;
    let mean = rough + compensated_sum(values.iter().map(|value| value - rough)) / n;
    let squares = compensated_sum(values.iter().map(|value| (value - mean) * (value - mean)));
    let residual = compensated_sum(values.iter().map(|value| value - mean));
    let min = values.iter().copied().fold(f64::INFINITY, f64::min);
    let max = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let variance = if values.len() > 1 {
        ((squares - residual * residual / n) / (n - 1.0)).max(0.0)
    } else {
        0.0
    };
    Ok(Moments {
        count: values.len(),
        mean,
        variance,
        min,
        max,
    })
}

/// The sum with what each addition rounds away carried beside it, in Neumaier's form.
fn compensated_sum(terms: impl Iterator<Item = f64>) -> f64 {
    let (mut sum, mut lost) = (0.0_f64, 0.0);
    for term in terms {
        let next = sum + term;
        lost += if sum.abs() >= term.abs() {
            (sum - next) + term
        } else {
            (term - next) + sum
        };
        sum = next;
    }
    sum + lost
}

/// Moments of a stream, in constant memory.
///
/// A value that is not finite is skipped and counted in [`RunningMoments::skipped`].
///
/// ```
/// use steadybench_analysis::statistics::RunningMoments;
///
/// let mut left: RunningMoments = [1.0, 2.0].into_iter().collect();
/// let right: RunningMoments = [3.0, f64::NAN, 4.0].into_iter().collect();
/// left.merge(&right);
/// assert_eq!((left.count(), left.skipped(), left.mean()), (4, 1, 2.5));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunningMoments {
    count: u64,
    skipped: u64,
    mean: f64,
    squares: f64,
    min: f64,
    max: f64,
}

impl Default for RunningMoments {
    fn default() -> Self {
        Self {
            count: 0,
            skipped: 0,
            mean: 0.0,
            squares: 0.0,
            min: f64::INFINITY,
            max: f64::NEG_INFINITY,
        }
    }
}

impl RunningMoments {
    /// Nothing seen yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes one value; one that is not finite is only counted.
    pub fn push(&mut self, value: f64) {
        if !value.is_finite() {
            self.skipped += 1;
            return;
        }
        self.count += 1;
        let deviation = value - self.mean;
        self.mean += deviation / self.count as f64;
        self.squares += deviation * (value - self.mean);
        self.min = self.min.min(value);
        self.max = self.max.max(value);
    }

    /// Takes in all that `other` has seen, as if it had been pushed here.
    pub fn merge(&mut self, other: &Self) {
        self.skipped += other.skipped;
        if other.count == 0 {
            return;
        }
        let (left, right) = (self.count as f64, other.count as f64);
        let total = left + right;
        let shift = other.mean - self.mean;
        self.mean += shift * right / total;
        self.squares += other.squares + shift * shift * left * right / total;
        self.count += other.count;
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
    }

    /// Number of finite values seen.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Number of values left out because they were not finite.
    #[must_use]
    pub fn skipped(&self) -> u64 {
        self.skipped
    }

    /// Mean; NaN before the first value.
    #[must_use]
    pub fn mean(&self) -> f64 {
        if self.count == 0 { f64::NAN } else { self.mean }
    }

    /// Variance with divisor n − 1; NaN before the second value.
    #[must_use]
    pub fn variance(&self) -> f64 {
        if self.count < 2 {
            f64::NAN
        } else {
            self.squares / (self.count - 1) as f64
        }
    }

    /// Standard deviation with divisor n − 1; NaN before the second value.
    #[must_use]
    pub fn standard_deviation(&self) -> f64 {
        self.variance().sqrt()
    }

    /// Smallest value; NaN before the first.
    #[must_use]
    pub fn min(&self) -> f64 {
        if self.count == 0 { f64::NAN } else { self.min }
    }

    /// Largest value; NaN before the first.
    #[must_use]
    pub fn max(&self) -> f64 {
        if self.count == 0 { f64::NAN } else { self.max }
    }
}

impl Extend<f64> for RunningMoments {
    fn extend<T: IntoIterator<Item = f64>>(&mut self, values: T) {
        for value in values {
            self.push(value);
        }
    }
}

impl FromIterator<f64> for RunningMoments {
    fn from_iter<T: IntoIterator<Item = f64>>(values: T) -> Self {
        let mut running = Self::new();
        running.extend(values);
        running
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn running_equals_two_passes_and_merged_parts_equal_the_whole(
            values in prop::collection::vec(-1e6..1e6_f64, 2..200), cut in 0.0..1.0_f64,
        ) {
            let whole = moments(&values).unwrap();
            let cut = (cut * values.len() as f64) as usize;
            let mut merged: RunningMoments = values[..cut].iter().copied().collect();
            merged.merge(&values[cut..].iter().copied().collect());
            prop_assert_eq!(merged.count() as usize, whole.count);
            prop_assert_eq!((merged.min(), merged.max()), (whole.min, whole.max));
            prop_assert!((merged.mean() - whole.mean).abs() <= 1e-9);
            prop_assert!((merged.variance() - whole.variance).abs() <= 1e-9 * whole.variance + 1e-9);
        }

        #[test]
        fn shifting_moves_the_mean_and_leaves_the_variance(
            values in prop::collection::vec(-10.0..10.0_f64, 2..100), shift in -1e3..1e3_f64,
        ) {
            let moved: Vec<f64> = values.iter().map(|value| value + shift).collect();
            let (before, after) = (moments(&values).unwrap(), moments(&moved).unwrap());
            prop_assert!((after.mean - before.mean - shift).abs() < 1e-10);
            prop_assert!((after.variance - before.variance).abs() < 1e-9);
        }
    }

    #[test]
    fn a_gap_is_refused_by_name_in_a_list_and_counted_in_a_stream() {
        let error = moments(&[1.0, f64::NAN]).unwrap_err();
        assert!(
            matches!(error, StatisticsError::NotFinite { index: 1, .. }),
            "{error}"
        );
        assert!(error.to_string().contains("value 1"));
        assert!(matches!(moments(&[]), Err(StatisticsError::NotEnough { .. })));
        let running: RunningMoments = [f64::INFINITY].into_iter().collect();
        assert!(running.mean().is_nan() && running.skipped() == 1);
    }

    #[test]
    fn merging_with_nothing_changes_nothing() {
        let mut running: RunningMoments = [2.0, 5.0].into_iter().collect();
        let before = running;
        running.merge(&RunningMoments::new());
        assert_eq!(running, before);
        let mut empty = RunningMoments::new();
        empty.merge(&before);
        assert_eq!(empty, before);
    }
}
