//! Events per time and hits out of tries: exact intervals and exact tests.
//!
//! # Model and formula
//! Events that come independently at a constant rate are Poisson: for k of them the two-sided interval of the expected
//! count is [Γ⁻¹(α/2; k), Γ⁻¹(1 − α/2; k + 1)] with Γ⁻¹ the gamma quantile of unit rate, that is half a χ² quantile with
//! 2k and 2k + 2 degrees of freedom. Hits in n independent tries are binomial: the interval of the hit probability is
//! [B⁻¹(α/2; k, n − k + 1), B⁻¹(1 − α/2; k + 1, n − k)] with B⁻¹ the beta quantile. Two rates are compared by the binomial
//! distribution of the first count given the sum of both.
//!
//! # Source
//! F. Garwood, *Biometrika* 28 (1936) 437; C. J. Clopper, E. S. Pearson, *Biometrika* 26 (1934) 404; J. Przyborowski,
//! H. Wilenski, *Biometrika* 31 (1940) 313 (the last two from memory).
//!
//! # Assumptions
//! Independence. Bursts are not independent events: count a burst once. These intervals hold at least their coverage,
//! never less; with few counts they hold more.
//!
//! # "Not enough data"
//! There is no lower limit: zero events give an upper bound (the "rule of three": 3/n at 95 %), and that bound is the
//! finding.
//!
//! # Validation
//! Garwood's limits and the rule of three from printed tables; scipy `binomtest`, `poisson`, `binom` and `chi2` by
//! `tests/reference/make_reference.py`; coverage summed exactly over all outcomes as a property.
#![doc = include_str!("../../docs/validation/counts.md")]

use super::distributions::{beta_quantile, beta_regularised, gamma_quantile};
use super::error::{require_coverage, require_probability};
use super::{Bounded, StatisticsError};
use serde::{Deserialize, Serialize};
use statrs::distribution::{Binomial, Discrete};
use statrs::function::gamma::{gamma_lr, gamma_ur};

fn positive(what: &'static str, value: f64) -> Result<(), StatisticsError> {
    if value.is_finite() && value > 0.0 {
        Ok(())
    } else {
        Err(StatisticsError::OutOfRange {
            what,
            value,
            rule: "above 0 and finite",
        })
    }
}

fn tries_hold_hits(hits: u64, tries: u64) -> Result<(), StatisticsError> {
    if tries == 0 {
        return Err(StatisticsError::NotEnough {
            what: "a share of tries",
            have: 0,
            need: 1,
        });
    }
    if hits > tries {
        return Err(StatisticsError::OutOfRange {
            what: "the number of hits",
            value: hits as f64,
            rule: "at most the number of tries",
        });
    }
    Ok(())
}

/// The exact two-sided interval of an expected count of which `count` were seen (Garwood).
///
/// # Errors
/// Coverage not between 0 and 1.
///
/// ```
/// let none = steadybench_analysis::statistics::poisson_interval(0, 0.95)?;
/// assert!((none.high - 3.6889).abs() < 1e-4);
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn poisson_interval(count: u64, coverage: f64) -> Result<Bounded, StatisticsError> {
    require_coverage(coverage)?;
    let tail = (1.0 - coverage) / 2.0;
    let k = count as f64;
    let low = if count == 0 { 0.0 } else { gamma_quantile(tail, k)? };
    Ok(Bounded {
        value: k,
        low,
        high: gamma_quantile(1.0 - tail, k + 1.0)?,
        coverage,
    })
}

/// The rate of events, per unit of `exposure` (hours, taps, …), with its exact two-sided interval.
///
/// # Errors
/// Coverage not between 0 and 1, or an exposure that is not above 0.
pub fn poisson_rate_interval(count: u64, exposure: f64, coverage: f64) -> Result<Bounded, StatisticsError> {
    positive("the exposure", exposure)?;
    Ok(poisson_interval(count, coverage)?.scaled(1.0 / exposure))
}

/// The expected count that is exceeded with probability at most 1 − `coverage`, one-sided: 2.996 for no events at 95 %.
///
/// # Errors
/// Coverage not between 0 and 1.
pub fn poisson_upper_limit(count: u64, coverage: f64) -> Result<f64, StatisticsError> {
    require_coverage(coverage)?;
    gamma_quantile(coverage, count as f64 + 1.0)
}

/// The chance of `count` or more events where `expected` are expected.
///
/// # Errors
/// An expectation that is negative or not finite.
pub fn poisson_at_least(count: u64, expected: f64) -> Result<f64, StatisticsError> {
    if count == 0 || expected == 0.0 {
        return Ok(if count == 0 { 1.0 } else { 0.0 });
    }
    positive("the expected count", expected)?;
    Ok(gamma_lr(count as f64, expected))
}

/// The chance of `count` or fewer events where `expected` are expected.
///
/// # Errors
/// An expectation that is negative or not finite.
pub fn poisson_at_most(count: u64, expected: f64) -> Result<f64, StatisticsError> {
    if expected == 0.0 {
        return Ok(1.0);
    }
    positive("the expected count", expected)?;
    Ok(gamma_ur(count as f64 + 1.0, expected))
}

/// The hit probability behind `hits` out of `tries`, with its exact two-sided interval (Clopper–Pearson).
///
/// # Errors
/// No tries, more hits than tries, or coverage not between 0 and 1.
///
/// ```
/// let hit = steadybench_analysis::statistics::clopper_pearson(0, 60, 0.95)?;
/// assert_eq!(hit.low, 0.0);
/// assert!(hit.high < 0.06);
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn clopper_pearson(hits: u64, tries: u64, coverage: f64) -> Result<Bounded, StatisticsError> {
    require_coverage(coverage)?;
    tries_hold_hits(hits, tries)?;
    let tail = (1.0 - coverage) / 2.0;
    let (k, misses) = (hits as f64, (tries - hits) as f64);
    let low = if hits == 0 {
        0.0
    } else {
        beta_quantile(tail, k, misses + 1.0)
    };
    let high = if hits == tries {
        1.0
    } else {
        1.0 - beta_quantile(tail, misses, k + 1.0)
    };
    Ok(Bounded {
        value: k / tries as f64,
        low,
        high,
        coverage,
    })
}

/// The chance of `hits` or more in `tries` at hit probability `p`.
///
/// # Errors
/// No tries, more hits than tries, or `p` outside 0 to 1.
pub fn binomial_at_least(hits: u64, tries: u64, p: f64) -> Result<f64, StatisticsError> {
    tries_hold_hits(hits, tries)?;
    require_probability("the hit probability", p)?;
    Ok(if hits == 0 {
        1.0
    } else {
        beta_regularised(hits as f64, (tries - hits) as f64 + 1.0, p, 1.0 - p)
    })
}

/// The chance of `hits` or fewer in `tries` at hit probability `p`.
///
/// # Errors
/// As [`binomial_at_least`].
pub fn binomial_at_most(hits: u64, tries: u64, p: f64) -> Result<f64, StatisticsError> {
    tries_hold_hits(hits, tries)?;
    require_probability("the hit probability", p)?;
    Ok(if hits == tries {
        1.0
    } else {
        beta_regularised((tries - hits) as f64, hits as f64 + 1.0, 1.0 - p, p)
    })
}

/// The chance, at hit probability `p`, of an outcome no likelier than `hits` in `tries`: the exact two-sided test.
///
/// Takes time proportional to `tries`.
///
/// # Errors
/// As [`binomial_at_least`].
pub fn binomial_two_sided(hits: u64, tries: u64, p: f64) -> Result<f64, StatisticsError> {
    tries_hold_hits(hits, tries)?;
    require_probability("the hit probability", p)?;
    let binomial = Binomial::new(p, tries).map_err(|_| StatisticsError::OutOfRange {
        what: "the hit probability",
        value: p,
        rule: "a probability from 0 to 1",
    })?;
    // Equal probabilities differ in the last digits, hence the margin; scipy's test has the same one.
    let limit = binomial.pmf(hits) * (1.0 + 1e-7);
    let sum: f64 = (0..=tries)
        .map(|k| binomial.pmf(k))
        .filter(|&mass| mass <= limit)
        .sum();
    Ok(sum.min(1.0))
}

/// Two rates of events, compared.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RateComparison {
    /// First rate divided by second; NaN when no event was seen at all, infinite when only the second is zero.
    pub ratio: f64,
    /// Lower bound of the ratio.
    pub ratio_low: f64,
    /// Upper bound of the ratio; infinite when the second count is zero.
    pub ratio_high: f64,
    /// Share of cases in which the bounds hold the true ratio.
    pub coverage: f64,
    /// Chance, if the rates were equal, of counts at least as uneven as these in either direction.
    pub p_two_sided: f64,
}

/// Compares the rates behind `first` and `second`, each a count and its exposure in the same unit.
///
/// # Errors
/// An exposure that is not above 0, or coverage not between 0 and 1.
///
/// ```
/// let before_after = steadybench_analysis::statistics::compare_rates((14, 60.0), (1, 60.0), 0.95)?;
/// assert!(before_after.ratio_low > 1.0 && before_after.p_two_sided < 0.01);
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn compare_rates(
    first: (u64, f64),
    second: (u64, f64),
    coverage: f64,
) -> Result<RateComparison, StatisticsError> {
    require_coverage(coverage)?;
    positive("the first exposure", first.1)?;
    positive("the second exposure", second.1)?;
    let total = first.0 + second.0;
    if total == 0 {
        let (ratio_low, ratio_high) = (0.0, f64::INFINITY);
        return Ok(RateComparison {
            ratio: f64::NAN,
            ratio_low,
            ratio_high,
            coverage,
            p_two_sided: 1.0,
        });
    }
    let share = clopper_pearson(first.0, total, coverage)?;
    let to_ratio = |p: f64| p / (1.0 - p) * second.1 / first.1;
    let even = first.1 / (first.1 + second.1);
    let one_sided = binomial_at_least(first.0, total, even)?.min(binomial_at_most(first.0, total, even)?);
    Ok(RateComparison {
        ratio: to_ratio(share.value),
        ratio_low: to_ratio(share.low),
        ratio_high: to_ratio(share.high),
        coverage,
        p_two_sided: (2.0 * one_sided).min(1.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn intervals_contain_the_estimate_and_shrink_with_more_data(hits in 0_u64..40, misses in 0_u64..40) {
            prop_assume!(hits + misses > 0);
            let once = clopper_pearson(hits, hits + misses, 0.95).unwrap();
            let tenfold = clopper_pearson(10 * hits, 10 * (hits + misses), 0.95).unwrap();
            prop_assert!(once.contains(once.value) && tenfold.half_width() < once.half_width());
            let rate = poisson_rate_interval(hits, 1.0, 0.95).unwrap();
            prop_assert!(rate.contains(rate.value));
            prop_assert!(poisson_rate_interval(10 * hits, 10.0, 0.95).unwrap().half_width() < rate.half_width());
        }

        /// Summed over every outcome, the chance that the interval holds the truth: no simulation needed.
        #[test]
        fn the_intervals_cover_at_least_what_they_claim(p in 0.01..0.99_f64, tries in 1_u64..60) {
            let binomial = Binomial::new(p, tries).unwrap();
            let held: f64 = (0..=tries)
                .filter(|&k| clopper_pearson(k, tries, 0.95).unwrap().contains(p))
                .map(|k| binomial.pmf(k))
                .sum();
            prop_assert!(held >= 0.95 - 1e-9, "{held} at p {p}, n {tries}");
        }

        #[test]
        fn the_ratio_interval_excludes_one_exactly_when_the_test_rejects(
            a in 0_u64..50, b in 0_u64..50, exposure in 0.2..5.0_f64,
        ) {
            let comparison = compare_rates((a, 1.0), (b, exposure), 0.95).unwrap();
            let excludes = comparison.ratio_low > 1.0 || comparison.ratio_high < 1.0;
            prop_assert_eq!(excludes, comparison.p_two_sided < 0.05);
        }

        #[test]
        fn the_two_tails_overlap_in_one_outcome(hits in 0_u64..30, misses in 0_u64..30, p in 0.01..0.99_f64) {
            prop_assume!(hits + misses > 0);
            let tries = hits + misses;
            let both = binomial_at_least(hits, tries, p).unwrap() + binomial_at_most(hits, tries, p).unwrap();
            prop_assert!((both - 1.0 - Binomial::new(p, tries).unwrap().pmf(hits)).abs() < 1e-9);
        }
    }

    #[test]
    fn no_events_at_all_decide_nothing() {
        let nothing = compare_rates((0, 1.0), (0, 9.0), 0.95).unwrap();
        assert_eq!(nothing.p_two_sided, 1.0);
        assert!(clopper_pearson(3, 2, 0.95).is_err() && clopper_pearson(0, 0, 0.95).is_err());
        assert!(poisson_rate_interval(1, 0.0, 0.95).is_err());
        assert_eq!(poisson_at_least(0, 0.0).unwrap(), 1.0);
    }
}
