//! Quantiles, the median and the median absolute deviation.
//!
//! # Model and formula
//! The quantile at `p` of the sorted values x₀ … xₙ₋₁ is read off by straight-line interpolation at place p·(n − 1). The
//! median absolute deviation is median |x − median x|; times 1.4826 it estimates the standard deviation of a normal
//! distribution while up to half of the values may be spikes.
//!
//! # Source
//! R. J. Hyndman, Y. Fan, *The American Statistician* 50 (1996) 361, definition 7 (from memory); 1.4826 = 1/Φ⁻¹(0.75).
//!
//! # Assumptions and "not enough data"
//! None about the distribution, but for the factor 1.4826. A single value is its own quantile at every `p`; an empty list is
//! an error. No interval is given: of n values the quantiles beyond 1/n and 1 − 1/n say little more than the extremes.
//!
//! # Validation
//! numpy and scipy by `tests/reference/make_reference.py`.
#![doc = include_str!("../../docs/validation/quantile.md")]

use super::StatisticsError;
use super::error::{require, require_probability};

/// Turns a median absolute deviation into the standard deviation of a normal distribution: 1/Φ⁻¹(3/4).
pub const NORMAL_CONSISTENCY: f64 = 1.482_602_218_505_602;

/// The quantile of `values` at probability `p`.
///
/// # Errors
/// An empty list, a value that is not finite, or `p` outside 0 to 1.
///
/// ```
/// use steadybench_analysis::statistics::quantile;
/// assert_eq!(quantile(&[4.0, 1.0, 3.0, 2.0], 0.5)?, 2.5);
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn quantile(values: &[f64], p: f64) -> Result<f64, StatisticsError> {
    require("the list of values", values, 1)?;
    require_probability("the probability of the quantile", p)?;
    let place = p * (values.len() - 1) as f64;
    let below = place.floor() as usize;
    let mut copy = values.to_vec();
    let (_, &mut low, rest) = copy.select_nth_unstable_by(below, f64::total_cmp);
    let high = rest.iter().copied().fold(f64::INFINITY, f64::min);
    let share = place - below as f64;
    Ok(if share == 0.0 {
        low
    } else {
        low + share * (high - low)
    })
}

/// The median: the middle value, or the mean of the two middle ones.
///
/// # Errors
/// As [`quantile`].
pub fn median(values: &[f64]) -> Result<f64, StatisticsError> {
    quantile(values, 0.5)
}

/// The median absolute deviation from the median, in the unit of the values and without any factor; see
/// [`NORMAL_CONSISTENCY`].
///
/// # Errors
/// As [`quantile`].
pub fn median_absolute_deviation(values: &[f64]) -> Result<f64, StatisticsError> {
    let centre = median(values)?;
    let deviations: Vec<f64> = values.iter().map(|value| (value - centre).abs()).collect();
    median(&deviations)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn quantiles_rise_with_p_and_stay_within_the_extremes(
            values in prop::collection::vec(-1e3..1e3_f64, 1..80), p in 0.0..1.0_f64, step in 0.0..1.0_f64,
        ) {
            let (low, high) = (quantile(&values, p).unwrap(), quantile(&values, (p + step).min(1.0)).unwrap());
            prop_assert!(low <= high);
            prop_assert!(quantile(&values, 0.0).unwrap() <= low && high <= quantile(&values, 1.0).unwrap());
        }

        #[test]
        fn fewer_than_half_spikes_leave_the_median_among_the_good_values(
            good in prop::collection::vec(-1.0..1.0_f64, 11..40), spike in 1e3..1e9_f64,
        ) {
            let mut spoilt = good.clone();
            spoilt.extend(std::iter::repeat_n(spike, good.len() - 1));
            prop_assert!(median(&spoilt).unwrap().abs() <= 1.0);
        }
    }
}
