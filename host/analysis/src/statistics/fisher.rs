//! Fisher's exact test of a table of two rows and two columns.
//!
//! # Model and formula
//! With all four margins taken as given, the upper left cell of [[a, b], [c, d]] is hypergeometric. *Greater* sums the
//! chances of that cell being a or more, *less* of a or fewer, *two-sided* of every table no likelier than the one seen.
//! The odds ratio is the conditional estimate: the one at which the expected cell equals the one seen.
//!
//! # Source
//! R. A. Fisher, *Statistical Methods for Research Workers*, section 21.02 (from memory). Note: the often quoted 0.486 is
//! the two-sided figure of [[3, 1], [1, 3]], not of the perfect table [[4, 0], [0, 4]], which has 0.0286.
//!
//! # Assumptions
//! Independent tries. The test is exact and so conservative with small counts.
//!
//! # "Not enough data"
//! The smallest figure a table's margins allow may lie above the level wanted; then no outcome could have decided. The
//! callers say so.
//!
//! # Validation
//! The classical tables of eight cups; scipy `fisher_exact` and conditional odds ratio by
//! `tests/reference/make_reference.py`.
#![doc = include_str!("../../docs/validation/fisher.md")]

use super::StatisticsError;
use serde::{Deserialize, Serialize};
use statrs::function::factorial::ln_binomial;

/// What Fisher's exact test says of a table.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FisherExact {
    /// Chance of an upper left cell at least as large, if rows and columns had nothing to do with each other.
    pub p_greater: f64,
    /// Chance of an upper left cell at most as large.
    pub p_less: f64,
    /// Chance of any table no likelier than this one.
    pub p_two_sided: f64,
    /// The smallest `p_greater` that these margins could have given.
    pub smallest_p_greater: f64,
    /// Conditional estimate of the odds ratio; 0 or infinite when the table is at an end, NaN when only one is possible.
    pub odds_ratio: f64,
}

/// Tests the table [[a, b], [c, d]]. For hits and misses at one place against all others: `[[hits, misses], [other hits,
/// other misses]]`, and `p_greater` asks whether this place is hit more often.
///
/// Takes time proportional to the smaller margin.
///
/// # Errors
/// An empty table.
///
/// ```
/// let cups = steadybench_analysis::statistics::fisher_exact([[4, 0], [0, 4]])?;
/// assert!((cups.p_greater - 1.0 / 70.0).abs() < 1e-12);
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn fisher_exact(table: [[u64; 2]; 2]) -> Result<FisherExact, StatisticsError> {
    let [[a, b], [c, d]] = table;
    let (row, other_row, column) = (a + b, c + d, a + c);
    if row + other_row == 0 {
        return Err(StatisticsError::NotEnough {
            what: "Fisher's exact test",
            have: 0,
            need: 1,
        });
    }
    let lowest = column.saturating_sub(other_row);
    let highest = column.min(row);
    let whole = ln_binomial(row + other_row, column);
    let log_masses: Vec<f64> = (lowest..=highest)
        .map(|k| ln_binomial(row, k) + ln_binomial(other_row, column - k) - whole)
        .collect();
    let masses: Vec<f64> = log_masses.iter().map(|log| log.exp()).collect();
    let seen = (a - lowest) as usize;
    // Tables equally likely by symmetry differ in the last digits, hence the margin; scipy's test has the same one.
    let limit = masses[seen] * (1.0 + 1e-7);
    Ok(FisherExact {
        p_greater: masses[seen..].iter().sum::<f64>().min(1.0),
        p_less: masses[..=seen].iter().sum::<f64>().min(1.0),
        p_two_sided: masses.iter().filter(|&&mass| mass <= limit).sum::<f64>().min(1.0),
        smallest_p_greater: masses[masses.len() - 1],
        odds_ratio: conditional_odds_ratio(&log_masses, seen),
    })
}

/// The odds ratio at which the mean of the tilted distribution mass(k)·ratioᵏ equals the cell seen.
fn conditional_odds_ratio(log_masses: &[f64], seen: usize) -> f64 {
    let last = log_masses.len() - 1;
    match seen {
        _ if last == 0 => return f64::NAN,
        0 => return 0.0,
        _ if seen == last => return f64::INFINITY,
        _ => {}
    }
    let mean_at = |log_ratio: f64| {
        let tilted = |k: usize| log_masses[k] + k as f64 * log_ratio;
        let largest = (0..=last).map(tilted).fold(f64::NEG_INFINITY, f64::max);
        let (mut sum, mut first) = (0.0, 0.0);
        for k in 0..=last {
            let weight = (tilted(k) - largest).exp();
            sum += weight;
            first += k as f64 * weight;
        }
        first / sum
    };
    // The mean rises with the ratio, and beyond these ends it sits on the first or last table for any counts in use.
    let (mut low, mut high) = (-100.0, 100.0);
    for _ in 0..100 {
        let middle = (low + high) / 2.0;
        if mean_at(middle) < seen as f64 {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high).exp()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn exchanging_the_rows_exchanges_the_sides(a in 0_u64..30, b in 0_u64..30, c in 0_u64..30, d in 0_u64..30) {
            prop_assume!(a + b + c + d > 0);
            let (one, other) = (fisher_exact([[a, b], [c, d]]).unwrap(), fisher_exact([[c, d], [a, b]]).unwrap());
            prop_assert!((one.p_greater - other.p_less).abs() < 1e-9);
            prop_assert!((one.p_two_sided - other.p_two_sided).abs() < 1e-9);
            prop_assert!(one.smallest_p_greater <= one.p_greater + 1e-12);
            prop_assert!(one.p_greater + one.p_less >= 1.0 - 1e-9);
        }

        /// Under independence the chance of a figure at or below any level must not exceed the level.
        #[test]
        fn the_test_holds_its_level(row in 1_u64..25, other in 1_u64..25, column in 1_u64..25, level in 0.001..0.2_f64) {
            prop_assume!(column <= row + other);
            let (lowest, highest) = (column.saturating_sub(other), column.min(row));
            let whole = ln_binomial(row + other, column);
            let rejected: f64 = (lowest..=highest)
                .filter(|&k| {
                    let table = [[k, row - k], [column - k, other + k - column]];
                    fisher_exact(table).unwrap().p_greater <= level
                })
                .map(|k| (ln_binomial(row, k) + ln_binomial(other, column - k) - whole).exp())
                .sum();
            prop_assert!(rejected <= level + 1e-9);
        }
    }
}
