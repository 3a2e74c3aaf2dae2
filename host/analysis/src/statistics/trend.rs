//! Is there a trend, and how steep: Mann–Kendall's test and the Theil–Sen slope.
//!
//! # Model and formula
//! S counts the pairs that rise minus those that fall. Without a trend, and with independent values,
//! Var S = [n(n − 1)(2n + 5) − Σ t(t − 1)(2t + 5)]/18 over groups of t tied values, and z = (S ∓ 1)/√Var S is near normal
//! from about ten values on. The Theil–Sen slope is the median of the slopes of all pairs; its interval is read from the
//! sorted slopes at the places (N ∓ z·√Var S)/2.
//! For correlated values Hamed and Rao multiply Var S by
//! 1 + 2/(n(n − 1)(n − 2)) · Σₖ (n − k)(n − k − 1)(n − k − 2)·r(k), with r(k) the autocorrelation of the ranks of the
//! series less its Theil–Sen trend, summed over lags where it is significant at 5 %.
//!
//! # Source
//! H. B. Mann, *Econometrica* 13 (1945) 245; P. K. Sen, *JASA* 63 (1968) 1379; K. H. Hamed, A. R. Rao, *Journal of
//! Hydrology* 204 (1998) 182 (all from memory).
//!
//! # Assumptions
//! Rank methods: any distribution, a quarter of spikes does no harm. Equal spread along the record. The plain test takes
//! independent values; the corrected one is never let fall below it.
//!
//! # "Not enough data"
//! Fewer than four values (three for the slope), or all equal.
//!
//! # Validation
//! The Nile's yearly flow 1871–1970 against pymannkendall and scipy (`tests/nile_trend.rs`).
#![doc = include_str!("../../docs/validation/trend.md")]

use super::error::{require, require_coverage, require_pair};
use super::{
    Bounded, StatisticsError, autocorrelations, median, normal_quantile, normal_two_sided_p, quantile,
};
use serde::{Deserialize, Serialize};

/// The most points a Theil–Sen slope is computed from: the slopes of all pairs, 8 million, are held at once.
pub const MOST_THEIL_SEN_POINTS: usize = 4000;

/// Outcome of Mann–Kendall's test.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MannKendall {
    /// Rising pairs minus falling pairs.
    pub s: i64,
    /// Variance of S without a trend.
    pub variance: f64,
    /// Standardised S with continuity correction; positive for a rise.
    pub z: f64,
    /// Chance of an S at least this far from zero without a trend.
    pub p_two_sided: f64,
    /// Kendall's τ_b: S as a share of the pairs, corrected for ties.
    pub tau_b: f64,
}

/// Tests independent `values`, in the order of their time, for a trend. Takes O(n log n) time.
///
/// # Errors
/// Fewer than four values, a value that is not finite, or all values equal.
///
/// ```
/// let rise = steadybench_analysis::statistics::mann_kendall(&[1.0, 2.0, 2.0, 3.0, 5.0, 4.0, 7.0, 8.0])?;
/// assert_eq!(rise.s, 25);
/// assert!(rise.p_two_sided < 0.01);
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn mann_kendall(values: &[f64]) -> Result<MannKendall, StatisticsError> {
    require("Mann–Kendall's test", values, 4)?;
    let n = values.len() as u64;
    let mut sorted = values.to_vec();
    let falling = falling_pairs(&mut sorted);
    let pairs = n * (n - 1) / 2;
    let mut tied_pairs = 0;
    let mut variance = (n * (n - 1)) as f64 * (2 * n + 5) as f64;
    for group in sorted.chunk_by(|a, b| a == b) {
        let t = group.len() as u64;
        tied_pairs += t * (t - 1) / 2;
        variance -= (t * (t - 1)) as f64 * (2 * t + 5) as f64;
    }
    if tied_pairs == pairs {
        return Err(StatisticsError::Degenerate {
            what: "a trend",
            why: "all values are equal",
        });
    }
    let s = (pairs - tied_pairs) as i64 - 2 * falling as i64;
    let tau_b = s as f64 / ((pairs - tied_pairs) as f64 * pairs as f64).sqrt();
    Ok(standardised(s, variance / 18.0, tau_b))
}

fn standardised(s: i64, variance: f64, tau_b: f64) -> MannKendall {
    let z = (s - s.signum()) as f64 / variance.sqrt();
    MannKendall {
        s,
        variance,
        z,
        p_two_sided: normal_two_sided_p(z),
        tau_b,
    }
}

/// Sorts `values` and counts the pairs that stood in falling order, by merging halves.
fn falling_pairs(values: &mut [f64]) -> u64 {
    if values.len() < 2 {
        return 0;
    }
    let middle = values.len() / 2;
    let mut count = falling_pairs(&mut values[..middle]) + falling_pairs(&mut values[middle..]);
    let mut merged = Vec::with_capacity(values.len());
    let (left, right) = values.split_at(middle);
    let (mut i, mut j) = (0, 0);
    while i < left.len() && j < right.len() {
        if left[i] <= right[j] {
            merged.push(left[i]);
            i += 1;
        } else {
            count += (left.len() - i) as u64;
            merged.push(right[j]);
            j += 1;
        }
    }
    merged.extend_from_slice(&left[i..]);
    merged.extend_from_slice(&right[j..]);
    values.copy_from_slice(&merged);
    count
}

/// Mann–Kendall's test of equally spaced, correlated `values`, with the variance widened after Hamed and Rao.
///
/// # Errors
/// Fewer than ten or more than [`MOST_THEIL_SEN_POINTS`] values, a value that is not finite, or all values equal.
pub fn mann_kendall_autocorrelated(values: &[f64]) -> Result<MannKendall, StatisticsError> {
    require("the corrected Mann–Kendall test", values, 10)?;
    let plain = mann_kendall(values)?;
    let times: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
    let slope = theil_sen(&times, values, 0.95)?.slope.value;
    let detrended: Vec<f64> = times.iter().zip(values).map(|(t, y)| y - slope * t).collect();
    let n = values.len() as f64;
    let factor = match autocorrelations(&ranks(&detrended), values.len() - 2) {
        // A series that is nothing but its trend leaves no ranks to correlate.
        Err(_) => 1.0,
        Ok(correlations) => {
            let significant = normal_quantile(0.975)? / n.sqrt();
            let weighted = |(k, r): (usize, &f64)| {
                let rest = n - k as f64;
                rest * (rest - 1.0) * (rest - 2.0) * r
            };
            let sum: f64 = correlations
                .iter()
                .enumerate()
                .skip(1)
                .filter(|(_, r)| r.abs() > significant)
                .map(weighted)
                .sum();
            1.0 + 2.0 * sum / (n * (n - 1.0) * (n - 2.0))
        }
    };
    Ok(standardised(
        plain.s,
        plain.variance * factor.max(1.0),
        plain.tau_b,
    ))
}

/// Ranks from 1, ties sharing the mean of theirs.
fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let mut ranks = vec![0.0; values.len()];
    let mut first = 0;
    for group in order.chunk_by(|&a, &b| values[a] == values[b]) {
        let rank = first as f64 + (group.len() + 1) as f64 / 2.0;
        for &index in group {
            ranks[index] = rank;
        }
        first += group.len();
    }
    ranks
}

/// A Theil–Sen line.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TheilSen {
    /// Median slope of all pairs, per unit of time, with its interval.
    pub slope: Bounded,
    /// Value of the line at time 0: it passes through the medians of time and value.
    pub intercept: f64,
}

/// The median slope of all pairs, with an interval that takes the values as independent about the line.
///
/// Correlated readings must be averaged into blocks first, each much longer than the integrated time.
///
/// # Errors
/// Fewer than three or more than [`MOST_THEIL_SEN_POINTS`] points, unequal lengths, a value that is not finite, coverage
/// not between 0 and 1, or all times equal.
pub fn theil_sen(times: &[f64], values: &[f64], coverage: f64) -> Result<TheilSen, StatisticsError> {
    require_pair("the points of a Theil–Sen line", times, values, 3)?;
    require_coverage(coverage)?;
    if times.len() > MOST_THEIL_SEN_POINTS {
        return Err(StatisticsError::OutOfRange {
            what: "the number of points of a Theil–Sen line",
            value: times.len() as f64,
            rule: "at most 4000; average the readings into blocks first",
        });
    }
    let mut slopes = Vec::with_capacity(times.len() * (times.len() - 1) / 2);
    for (i, (t, y)) in times.iter().zip(values).enumerate() {
        let later = times[i + 1..].iter().zip(&values[i + 1..]);
        slopes.extend(
            later
                .filter(|(later, _)| *later != t)
                .map(|(later, value)| (value - y) / (later - t)),
        );
    }
    if slopes.is_empty() {
        return Err(StatisticsError::Degenerate {
            what: "a slope",
            why: "all points lie at the same time",
        });
    }
    let slope = median(&slopes)?;
    let n = times.len() as f64;
    let ties = |values: &[f64]| -> f64 {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        let term = |t: f64| t * (t - 1.0) * (2.0 * t + 5.0);
        sorted
            .chunk_by(|a, b| a == b)
            .map(|group| term(group.len() as f64))
            .sum()
    };
    let variance = (n * (n - 1.0) * (2.0 * n + 5.0) - ties(times) - ties(values)).max(0.0) / 18.0;
    let reach = normal_quantile(0.5 + coverage / 2.0)? * variance.sqrt();
    let count = slopes.len() as f64;
    let last = slopes.len() - 1;
    let low_place = (((count - reach) / 2.0).round_ties_even() - 1.0).max(0.0) as usize;
    let high_place = (((count + reach) / 2.0).round_ties_even() as usize).min(last);
    let (_, &mut low, _) = slopes.select_nth_unstable_by(low_place.min(last), f64::total_cmp);
    let (_, &mut high, _) = slopes.select_nth_unstable_by(high_place, f64::total_cmp);
    Ok(TheilSen {
        slope: Bounded {
            value: slope,
            low,
            high,
            coverage,
        },
        intercept: quantile(values, 0.5)? - slope * quantile(times, 0.5)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn counting_by_merging_equals_counting_pairs(values in prop::collection::vec(0..12_i32, 4..60)) {
            let values: Vec<f64> = values.iter().map(|&v| f64::from(v)).collect();
            prop_assume!(values.iter().any(|v| v != &values[0]));
            let mut s = 0_i64;
            for i in 0..values.len() {
                for j in i + 1..values.len() {
                    s += i64::from(values[j] > values[i]) - i64::from(values[j] < values[i]);
                }
            }
            prop_assert_eq!(mann_kendall(&values).unwrap().s, s);
        }

        #[test]
        fn reversing_the_record_reverses_the_verdict(values in prop::collection::vec(-1e3..1e3_f64, 4..60)) {
            let reversed: Vec<f64> = values.iter().rev().copied().collect();
            let (there, back) = (mann_kendall(&values).unwrap(), mann_kendall(&reversed).unwrap());
            prop_assert_eq!(there.s, -back.s);
            prop_assert!((there.p_two_sided - back.p_two_sided).abs() < 1e-12);
        }

        #[test]
        fn a_quarter_of_spikes_leaves_the_slope_near(
            slope in -5.0..5.0_f64, spikes in prop::collection::vec((0_usize..40, 1e3..1e6_f64), 0..6),
        ) {
            let times: Vec<f64> = (0..40).map(f64::from).collect();
            let mut values: Vec<f64> = times.iter().map(|t| 2.0 + slope * t).collect();
            for (place, height) in spikes {
                values[place] += height;
            }
            let fit = theil_sen(&times, &values, 0.95).unwrap();
            prop_assert!((fit.slope.value - slope).abs() < 1e-9);
            prop_assert!(fit.slope.low <= fit.slope.value && fit.slope.value <= fit.slope.high);
        }
    }

    #[test]
    fn a_pure_line_has_every_pair_rising() {
        let values: Vec<f64> = (0..20).map(f64::from).collect();
        let outcome = mann_kendall_autocorrelated(&values).unwrap();
        assert_eq!((outcome.s, outcome.tau_b), (190, 1.0));
        assert!(mann_kendall(&[3.0; 9]).is_err());
        let many = vec![0.0; MOST_THEIL_SEN_POINTS + 1];
        assert!(
            theil_sen(&many, &many, 0.95)
                .unwrap_err()
                .to_string()
                .contains("blocks")
        );
    }
}
