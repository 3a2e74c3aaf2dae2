//! How much a reading resembles the one some places before it.
//!
//! # Model and formula
//! r(k) = Σᵢ₌₁ⁿ⁻ᵏ (yᵢ − ȳ)(yᵢ₊ₖ − ȳ) ÷ Σᵢ₌₁ⁿ (yᵢ − ȳ)²: the form of the NIST data sets, with the *whole* sum of squares
//! below and without rescaling for the terms missing above. All lags at once go through one Fourier transform of the
//! series padded to twice its length.
//!
//! # Source
//! NIST/ITL Statistical Reference Datasets, univariate summary statistics (the definition that reproduces the certified
//! values).
//!
//! # Assumptions
//! Equal spacing: close gaps first, or treat each stretch by itself. A trend looks like correlation at every lag, so take
//! it out before asking.
//!
//! # Validation
//! Certified lag-1 values of eight NIST sets; statsmodels `acf` at many lags.
#![doc = include_str!("../../docs/validation/autocorrelation.md")]

use super::error::require;
use super::{StatisticsError, moments};
use realfft::RealFftPlanner;

/// The autocorrelation of equally spaced `values` at one lag, from −1 to 1.
///
/// # Errors
/// Fewer than `lag` + 2 values, a value that is not finite, or all values equal.
///
/// ```
/// use steadybench_analysis::statistics::autocorrelation;
/// assert_eq!(autocorrelation(&[1.0, 3.0, 2.0], 1)?, -0.5);
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn autocorrelation(values: &[f64], lag: usize) -> Result<f64, StatisticsError> {
    require("the autocorrelation", values, lag.saturating_add(2))?;
    let deviations = deviations(values)?;
    let squares: f64 = deviations.iter().map(|deviation| deviation * deviation).sum();
    let products: f64 = deviations
        .iter()
        .zip(&deviations[lag..])
        .map(|(a, b)| a * b)
        .sum();
    Ok(products / squares)
}

/// The autocorrelations of equally spaced `values` at lags 0 to `max_lag`; the first is 1.
///
/// Takes O(n log n) time whatever `max_lag` is.
///
/// # Errors
/// As [`autocorrelation`], for the largest lag.
pub fn autocorrelations(values: &[f64], max_lag: usize) -> Result<Vec<f64>, StatisticsError> {
    require("the autocorrelations", values, max_lag.saturating_add(2))?;
    let mut padded = deviations(values)?;
    let length = (values.len() + max_lag + 1).next_power_of_two();
    padded.resize(length, 0.0);
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, inverse) = (planner.plan_fft_forward(length), planner.plan_fft_inverse(length));
    let mut spectrum = forward.make_output_vec();
    let sizes = "the sizes of the transform come from its own planner";
    forward
        .process(&mut padded, &mut spectrum)
        .map_err(|_| StatisticsError::Degenerate {
            what: "the autocorrelations",
            why: sizes,
        })?;
    for bin in &mut spectrum {
        *bin = (bin.norm_sqr()).into();
    }
    inverse
        .process(&mut spectrum, &mut padded)
        .map_err(|_| StatisticsError::Degenerate {
            what: "the autocorrelations",
            why: sizes,
        })?;
    let squares = padded[0];
    Ok(padded[..=max_lag]
        .iter()
        .map(|product| product / squares)
        .collect())
}

/// Deviations from the mean; refuses a list that has none.
fn deviations(values: &[f64]) -> Result<Vec<f64>, StatisticsError> {
    let moments = moments(values)?;
    if moments.min == moments.max {
        return Err(StatisticsError::Degenerate {
            what: "the autocorrelation",
            why: "all values are equal; the readings may be stuck, or the resolution too coarse",
        });
    }
    Ok(values.iter().map(|value| value - moments.mean).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_transform_agrees_with_the_sum(values in prop::collection::vec(-1e3..1e3_f64, 12..200)) {
            let all = autocorrelations(&values, 10).unwrap();
            for (lag, transformed) in all.iter().enumerate() {
                prop_assert!((transformed - autocorrelation(&values, lag).unwrap()).abs() < 1e-11);
                prop_assert!(transformed.abs() <= 1.0 + 1e-12);
            }
        }
    }

    #[test]
    fn a_stuck_reading_is_said_to_be_stuck() {
        assert!(
            autocorrelation(&[2.0; 9], 1)
                .unwrap_err()
                .to_string()
                .contains("stuck")
        );
        assert!(matches!(
            autocorrelation(&[1.0, 2.0], 1),
            Err(StatisticsError::NotEnough { need: 3, .. })
        ));
    }
}
