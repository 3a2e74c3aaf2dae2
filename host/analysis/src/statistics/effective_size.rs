//! How well a mean is known when readings resemble their neighbours.
//!
//! # Model and formula
//! For a stationary series var(x̄) = (σ²/n)·τ with the *integrated time* τ = 1 + 2·Σₖ ρ(k): so many readings are worth
//! one, and n/τ is the effective size. Three ways to it:
//! * [`effective_size_ar1`]: when one lag says all, ρ(k) = ρᵏ, so n·(1 − ρ)/(1 + ρ).
//! * [`integrated_time`]: the measured autocorrelations are summed to the first lag W with W ≥ 3·τ(W), where what is left
//!   out is small and the noise taken in still is; then multiplied by 1 + (2W + 1)/n, because taking the measured mean
//!   off pulls every autocorrelation down. The relative variance of that estimate is (4W + 2)/n, which as a figure of
//!   degrees of freedom is n/(2W + 1).
//!   Ripple can close that window early, before a slow wander under it is seen. So the record is also cut into blocks of one
//!   window's span, the same is asked of the block means, and again of longer blocks while 32 or more are left; the larger
//!   variance of the mean counts when it is larger beyond its own error.
//! * [`batch_means`]: the record is cut into a few long batches, whose means are nearly independent.
//!
//! [`mean_under_autocorrelation`] uses the second and takes Student's t with those degrees of freedom; a τ below 1 is
//! raised to 1, for no more is claimed than independent readings would give.
//!
//! # Source
//! A. D. Sokal, *Monte Carlo methods in statistical mechanics* (1989), the automatic window; U. Wolff, *Computer Physics
//! Communications* 156 (2004) 143, bias and error (both from memory). The rule var(x̄) = σ²τ/n and n(1 − ρ)/(1 + ρ):
//! lecture notes of computational physics, and facts computed for ρ = 0.5 … 0.99.
//!
//! # Assumptions
//! Equal spacing, no trend, and the slowest wander short against the record. A cycle as long as the record cannot be seen
//! from inside it; nothing here can know it.
//!
//! # "Not enough data"
//! Fewer than [`LEAST_EFFECTIVE_SIZE`] effective readings: the error says how much longer to record.
//!
//! # Validation
//! AR(1) series with known τ, and ripple over a slow wander: coverage of 95 % intervals over 400 seeds in each of seven
//! cases, printed by `cargo test -p steadybench-analysis hold_the_true_mean -- --nocapture`.
#![doc = include_str!("../../docs/validation/effective_size.md")]

use super::error::require;
use super::{
    Bounded, StatisticsError, autocorrelation, autocorrelations, moments, student_t_coverage_factor,
};
use serde::{Deserialize, Serialize};

/// So many effective readings are needed before a mean gets an interval.
pub const LEAST_EFFECTIVE_SIZE: f64 = 15.0;

/// The window reaches to so many integrated times.
const WINDOW: f64 = 3.0;

/// So many blocks are needed for their own integrated time to be asked.
const LEAST_BLOCKS: usize = 32;

/// The effective size of `count` readings whose neighbours correlate by `rho`, for ρ(k) = ρᵏ.
///
/// # Errors
/// `rho` not strictly between −1 and 1.
///
/// ```
/// let worth = steadybench_analysis::statistics::effective_size_ar1(100, 0.9)?;
/// assert!((worth - 5.263).abs() < 1e-3);
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn effective_size_ar1(count: usize, rho: f64) -> Result<f64, StatisticsError> {
    if rho.abs() < 1.0 {
        Ok(count as f64 * (1.0 - rho) / (1.0 + rho))
    } else {
        Err(StatisticsError::OutOfRange {
            what: "the lag-1 autocorrelation",
            value: rho,
            rule: "strictly between -1 and 1",
        })
    }
}

/// The lag-1 autocorrelation with its bias taken off: the measured one is too small by about (1 + 3ρ)/n.
///
/// The result is kept below 1 − 1/n. Source: M. G. Kendall, *Biometrika* 41 (1954) 403 (from memory).
///
/// # Errors
/// Fewer than eight values, a value that is not finite, or all values equal.
pub fn lag_one_unbiased(values: &[f64]) -> Result<f64, StatisticsError> {
    require("the lag-1 autocorrelation", values, 8)?;
    let n = values.len() as f64;
    let measured = autocorrelation(values, 1)?;
    let most = 1.0 - 1.0 / n;
    Ok(((measured + 1.0 / n) / (1.0 - 3.0 / n)).clamp(-most, most))
}

/// How many readings are worth one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct IntegratedTime {
    /// τ: the variance of the mean is that of a reading times τ over their number. Below 1 when neighbours oppose one
    /// another.
    pub readings: f64,
    /// Readings the window reaches over.
    pub window: usize,
    /// Degrees of freedom a variance scaled by `readings` has.
    pub degrees_of_freedom: f64,
    /// Independent values that the slowest wander found has in the record. The record holds enough when this is at least
    /// [`LEAST_EFFECTIVE_SIZE`].
    pub independent: f64,
}

/// The integrated time of equally spaced `values`, by an automatic window on the readings and on ever longer blocks.
///
/// # Errors
/// Fewer than eight values, a value that is not finite, all values equal, or no window within half of the record: then
/// the record is too short to say.
///
/// Memory and time are those of one Fourier transform of twice the record: average hours of fast readings into blocks
/// of a second first.
pub fn integrated_time(values: &[f64]) -> Result<IntegratedTime, StatisticsError> {
    require("an integrated time", values, 8)?;
    let n = values.len() as f64;
    let variance = moments(values)?.variance;
    let mut best = window_time(values)?;
    let (mut length, mut window) = (1, best.window);
    loop {
        length *= 2 * window + 1;
        let count = values.len() / length;
        if count < LEAST_BLOCKS {
            return Ok(best);
        }
        // Blocks that do not fill the record leave their rest out at the front.
        let blocks = values[values.len() - count * length..].chunks_exact(length);
        let means: Vec<f64> = blocks
            .map(|block| block.iter().sum::<f64>() / length as f64)
            .collect();
        let of_means = moments(&means)?;
        let time = match window_time(&means) {
            Ok(time) => time,
            // Blocks that are all equal hold no wander.
            Err(StatisticsError::Degenerate { .. }) => return Ok(best),
            Err(error) => return Err(error),
        };
        window = time.window;
        // The same variance of the mean, told in readings. It replaces the other only when larger beyond its own error.
        let readings = of_means.variance * time.readings / count as f64 * n / variance;
        if readings > best.readings * (1.0 + 2.0 * (2.0 / time.degrees_of_freedom).sqrt()) {
            best = IntegratedTime {
                readings,
                window: window * length,
                ..time
            };
        }
    }
}

/// The integrated time by one automatic window.
fn window_time(values: &[f64]) -> Result<IntegratedTime, StatisticsError> {
    let n = values.len() as f64;
    let correlations = autocorrelations(values, values.len() / 2)?;
    let mut sum = 1.0;
    for (window, rho) in correlations.iter().enumerate().skip(1) {
        sum += 2.0 * rho;
        if window as f64 >= WINDOW * sum {
            let span = (2 * window + 1) as f64;
            // An opposed series can sum to zero or below within noise; a floor of 1/n keeps τ a number of readings.
            let readings = (sum * (1.0 + span / n)).max(1.0 / n);
            return Ok(IntegratedTime {
                readings,
                window,
                degrees_of_freedom: (n / span).max(1.0),
                independent: n / readings.max(1.0),
            });
        }
    }
    Err(too_correlated(values.len(), WINDOW * 2.0))
}

/// What is said when `effective` independent readings are too few.
fn too_correlated(have: usize, effective: f64) -> StatisticsError {
    StatisticsError::TooCorrelated {
        what: "a mean",
        have,
        effective,
        need: LEAST_EFFECTIVE_SIZE,
        factor: LEAST_EFFECTIVE_SIZE / effective,
    }
}

/// A mean and how well it is known.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeanEstimate {
    /// The mean with its interval.
    pub mean: Bounded,
    /// Standard error of the mean.
    pub standard_error: f64,
    /// Standard deviation of the readings themselves.
    pub standard_deviation: f64,
    /// Readings.
    pub count: usize,
    /// Independent readings they are worth.
    pub effective_size: f64,
    /// Degrees of freedom of the standard error.
    pub degrees_of_freedom: f64,
}

/// The mean of equally spaced `values` with an interval that holds although neighbours resemble one another.
///
/// # Errors
/// As [`integrated_time`]; fewer than [`LEAST_EFFECTIVE_SIZE`] effective readings; coverage not between 0 and 1. Readings
/// that are all equal are an error too: they say nothing about their spread, only that it is below the resolution.
///
/// ```
/// use steadybench_analysis::statistics::mean_under_autocorrelation;
///
/// let ripple: Vec<f64> = (0..400).map(|i| 0.25 + 0.01 * (f64::from(i) * 2.4).sin()).collect();
/// let draw = mean_under_autocorrelation(&ripple, 0.95)?;
/// assert!(draw.mean.contains(0.25));
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn mean_under_autocorrelation(values: &[f64], coverage: f64) -> Result<MeanEstimate, StatisticsError> {
    let time = integrated_time(values)?;
    let moments = moments(values)?;
    let n = values.len() as f64;
    if time.independent < LEAST_EFFECTIVE_SIZE {
        return Err(too_correlated(values.len(), time.independent));
    }
    let effective_size = n / time.readings.max(1.0);
    // Taking the measured mean off makes the variance too small by one effective reading.
    let variance = moments.variance * time.independent / (time.independent - 1.0);
    let standard_error = (variance / effective_size).sqrt();
    let degrees_of_freedom = time.degrees_of_freedom.min(time.independent - 1.0);
    let factor = student_t_coverage_factor(coverage, degrees_of_freedom)?;
    Ok(MeanEstimate {
        mean: Bounded::symmetric(moments.mean, factor * standard_error, coverage),
        standard_error,
        standard_deviation: moments.standard_deviation(),
        count: values.len(),
        effective_size,
        degrees_of_freedom,
    })
}

/// The mean of `values` by `batches` equal stretches, whose means are taken as independent; readings that do not fill the
/// last stretch are left out at the front. Stretches should be ten integrated times long or more.
///
/// # Errors
/// Fewer than two batches or fewer than two readings in each, a value that is not finite, or coverage not between 0 and 1.
pub fn batch_means(values: &[f64], batches: usize, coverage: f64) -> Result<MeanEstimate, StatisticsError> {
    require("batch means", values, batches.max(2).saturating_mul(2))?;
    let length = values.len() / batches.max(2);
    let used = &values[values.len() % length.max(1)..];
    let used = &used[used.len() - length * batches.max(2)..];
    let mut means = Vec::with_capacity(batches);
    for batch in used.chunks_exact(length) {
        means.push(moments(batch)?.mean);
    }
    let (of_means, of_readings) = (moments(&means)?, moments(used)?);
    let standard_error = (of_means.variance / means.len() as f64).sqrt();
    let degrees_of_freedom = (means.len() - 1) as f64;
    let factor = student_t_coverage_factor(coverage, degrees_of_freedom)?;
    Ok(MeanEstimate {
        mean: Bounded::symmetric(of_means.mean, factor * standard_error, coverage),
        standard_error,
        standard_deviation: of_readings.standard_deviation(),
        count: used.len(),
        effective_size: of_readings.variance / (standard_error * standard_error),
        degrees_of_freedom,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::testing::{Noise, ar1};
    use proptest::prelude::*;

    /// The published figures for n = 100, and two NIST sets of which the plain error s/√n is far too small.
    #[test]
    fn first_order_sizes_follow_the_formula() {
        for (rho, size) in [(0.5, 33.3), (0.8, 11.1), (0.9, 5.26), (0.95, 2.56), (0.99, 0.50)] {
            assert!(
                (effective_size_ar1(100, rho).unwrap() / size - 1.0_f64).abs() < 6e-3,
                "{rho}"
            );
        }
        assert!(effective_size_ar1(100, 1.0).is_err());
    }

    #[test]
    fn the_integrated_time_of_a_first_order_series_is_found() {
        for rho in [0.0, 0.5, 0.8, 0.9] {
            let truth: f64 = (1.0 + rho) / (1.0 - rho);
            let times: Vec<f64> = (0..40)
                .map(|seed| integrated_time(&ar1(4000, rho, seed)).unwrap().readings)
                .collect();
            let mean = moments(&times).unwrap().mean;
            assert!((mean / truth - 1.0).abs() < 0.06, "rho {rho}: {mean} for {truth}");
            let unbiased: Vec<f64> = (0..40)
                .map(|seed| lag_one_unbiased(&ar1(200, rho, seed)).unwrap())
                .collect();
            assert!(
                (moments(&unbiased).unwrap().mean - rho).abs() < 0.025,
                "rho {rho}"
            );
        }
    }

    /// Four hundred records at each correlation: the share of 95 % intervals that hold the true mean of zero.
    #[test]
    fn intervals_hold_the_true_mean_as_often_as_they_claim() {
        for (rho, n) in [(0.0, 60), (0.5, 300), (0.9, 1000), (0.95, 2000), (0.99, 6000)] {
            let (mut held, mut answered) = (0, 0);
            for seed in 0..400 {
                if let Ok(estimate) = mean_under_autocorrelation(&ar1(n, rho, 1000 + seed), 0.95) {
                    answered += 1;
                    held += usize::from(estimate.mean.contains(0.0));
                }
            }
            let share = held as f64 / f64::from(answered);
            println!("rho {rho} n {n}: {held} of {answered} held the true mean, {share:.3}");
            assert!(
                answered > 300 && (0.92..=0.985).contains(&share),
                "rho {rho}: {share} of {answered}"
            );
        }
    }

    /// Ripple of a tenth of a volt peak at 100 Hz, white noise, and a wander of a second or so that is smaller than either.
    #[test]
    fn ripple_does_not_hide_a_slow_wander() {
        for (wander, rho) in [(0.3, 0.99), (0.2, 0.998)] {
            let (mut held, mut answered) = (0, 0);
            for seed in 0..400 {
                let slow = ar1(20_000, rho, 5000 + seed);
                let mut noise = Noise::new(seed);
                let phase = noise.uniform() * std::f64::consts::TAU;
                let values: Vec<f64> = slow
                    .iter()
                    .enumerate()
                    .map(|(i, slow)| {
                        let ripple = (phase + 0.1 * std::f64::consts::TAU * i as f64).sin();
                        wander * slow + 1.4 * ripple + 0.2 * noise.normal()
                    })
                    .collect();
                if let Ok(estimate) = mean_under_autocorrelation(&values, 0.95) {
                    answered += 1;
                    held += usize::from(estimate.mean.contains(0.0));
                }
            }
            let share = held as f64 / f64::from(answered);
            println!(
                "ripple over wander {wander} rho {rho}: {held} of {answered} held the true mean, {share:.3}"
            );
            assert!(
                answered > 300 && (0.92..=0.99).contains(&share),
                "rho {rho}: {share} of {answered}"
            );
        }
    }

    #[test]
    fn batch_means_agree_with_the_window() {
        let series = ar1(20_000, 0.9, 7);
        let (window, batches) = (
            mean_under_autocorrelation(&series, 0.95).unwrap(),
            batch_means(&series, 20, 0.95).unwrap(),
        );
        assert!((batches.standard_error / window.standard_error - 1.0).abs() < 0.4);
        assert!(batch_means(&series, 1, 0.95).is_ok() && batch_means(&series[..3], 2, 0.95).is_err());
    }

    #[test]
    fn a_wandering_record_is_refused_with_the_time_it_would_need() {
        let mut noise = Noise::new(3);
        let mut level = 0.0;
        let walk: Vec<f64> = (0..300)
            .map(|_| {
                level += noise.normal();
                level
            })
            .collect();
        let error = mean_under_autocorrelation(&walk, 0.95).unwrap_err();
        assert!(matches!(error, StatisticsError::TooCorrelated { .. }), "{error}");
        assert!(error.to_string().contains("times as long"));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(40))]
        #[test]
        fn the_interval_contains_the_mean_and_follows_the_unit(seed in 0_u64..1000, scale in 0.001..1e3_f64) {
            let series = ar1(300, 0.5, seed);
            let scaled: Vec<f64> = series.iter().map(|value| value * scale).collect();
            let (one, other) =
                (mean_under_autocorrelation(&series, 0.95).unwrap(), mean_under_autocorrelation(&scaled, 0.95).unwrap());
            prop_assert!(one.mean.contains(one.mean.value));
            prop_assert!((other.mean.half_width() / scale / one.mean.half_width() - 1.0).abs() < 1e-6);
        }
    }
}
