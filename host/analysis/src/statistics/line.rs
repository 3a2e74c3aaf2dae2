//! A straight line by least squares, with standard errors.
//!
//! # Model and formula
//! y = a + b·x + e with independent e of constant spread. b = Sxy/Sxx, a = ȳ − b·x̄, s² = Σe²/(n − 2), u(b) = s/√Sxx,
//! u(a) = s·√(1/n + x̄²/Sxx), and of the line at x: s·√(1/n + (x − x̄)²/Sxx). Everything is summed about the means.
//!
//! # Source
//! NIST/ITL Statistical Reference Datasets, linear regression, and any textbook.
//!
//! # Assumptions
//! Independent residuals. Readings of a warming unit are *not*: use [`LineFit::inflated`] with the integrated time of the
//! residuals ([`super::integrated_time`]), or average blocks much longer than that time first.
//!
//! # "Not enough data"
//! Fewer than three points, or all x equal.
//!
//! # Validation
//! Norris (NIST) to 11 digits and more; scipy `linregress`.
#![doc = include_str!("../../docs/validation/line.md")]

use super::error::require_pair;
use super::{Bounded, StatisticsError, student_t_coverage_factor};
use serde::{Deserialize, Serialize};

/// A fitted straight line.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LineFit {
    /// Value at x = 0.
    pub intercept: f64,
    /// Standard error of the intercept.
    pub intercept_error: f64,
    /// Rise per unit of x.
    pub slope: f64,
    /// Standard error of the slope.
    pub slope_error: f64,
    /// Standard deviation of the residuals, with divisor n − 2.
    pub residual_sd: f64,
    /// Sum of squared residuals.
    pub residual_sum_of_squares: f64,
    /// Share of the spread of y that the line explains; NaN when all y are equal.
    pub r_squared: f64,
    /// Degrees of freedom of the errors: n − 2, or fewer after [`LineFit::inflated`].
    pub degrees_of_freedom: f64,
    mean_x: f64,
    mean_error: f64,
}

/// Fits a line through the points (`x`, `y`).
///
/// # Errors
/// Fewer than three points, unequal lengths, a value that is not finite, or all x equal.
///
/// ```
/// let line = steadybench_analysis::statistics::fit_line(&[0.0, 1.0, 2.0, 3.0], &[1.0, 3.1, 4.9, 7.0])?;
/// assert!((line.slope - 1.98).abs() < 1e-12);
/// assert!(line.slope_interval(0.95)?.contains(2.0));
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn fit_line(x: &[f64], y: &[f64]) -> Result<LineFit, StatisticsError> {
    require_pair("the points of a line", x, y, 3)?;
    let n = x.len() as f64;
    let (mean_x, mean_y) = (super::moments(x)?.mean, super::moments(y)?.mean);
    let (mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0);
    for (x, y) in x.iter().zip(y) {
        let (dx, dy) = (x - mean_x, y - mean_y);
        sxx += dx * dx;
        sxy += dx * dy;
        syy += dy * dy;
    }
    if sxx == 0.0 {
        return Err(StatisticsError::Degenerate {
            what: "a slope",
            why: "all points lie at the same x",
        });
    }
    let slope = sxy / sxx;
    let residual_sum_of_squares: f64 = x
        .iter()
        .zip(y)
        .map(|(x, y)| (y - mean_y - slope * (x - mean_x)).powi(2))
        .sum();
    let degrees_of_freedom = n - 2.0;
    let residual_sd = (residual_sum_of_squares / degrees_of_freedom).sqrt();
    Ok(LineFit {
        intercept: mean_y - slope * mean_x,
        intercept_error: residual_sd * (1.0 / n + mean_x * mean_x / sxx).sqrt(),
        slope,
        slope_error: residual_sd / sxx.sqrt(),
        residual_sd,
        residual_sum_of_squares,
        r_squared: if syy > 0.0 {
            1.0 - residual_sum_of_squares / syy
        } else {
            f64::NAN
        },
        degrees_of_freedom,
        mean_x,
        mean_error: residual_sd / n.sqrt(),
    })
}

impl LineFit {
    /// The line at `x`.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }

    /// The residuals of the points, in their order.
    #[must_use]
    pub fn residuals(&self, x: &[f64], y: &[f64]) -> Vec<f64> {
        x.iter().zip(y).map(|(x, y)| y - self.at(*x)).collect()
    }

    /// The slope with its interval, by Student's t.
    ///
    /// # Errors
    /// Coverage not between 0 and 1.
    pub fn slope_interval(&self, coverage: f64) -> Result<Bounded, StatisticsError> {
        let factor = student_t_coverage_factor(coverage, self.degrees_of_freedom)?;
        Ok(Bounded::symmetric(
            self.slope,
            factor * self.slope_error,
            coverage,
        ))
    }

    /// The line at `x` with its interval: where the mean of many readings would lie, not a single one.
    ///
    /// # Errors
    /// Coverage not between 0 and 1.
    pub fn interval_at(&self, x: f64, coverage: f64) -> Result<Bounded, StatisticsError> {
        let factor = student_t_coverage_factor(coverage, self.degrees_of_freedom)?;
        let error = self.mean_error.hypot(self.slope_error * (x - self.mean_x));
        Ok(Bounded::symmetric(self.at(x), factor * error, coverage))
    }

    /// The same line with errors widened for residuals of which `integrated_time` neighbours are worth one: errors by
    /// its square root, degrees of freedom divided by it, but never below 1. A time below 1 changes nothing.
    #[must_use]
    pub fn inflated(&self, integrated_time: f64) -> Self {
        let time = integrated_time.max(1.0);
        let widen = time.sqrt();
        Self {
            intercept_error: self.intercept_error * widen,
            slope_error: self.slope_error * widen,
            mean_error: self.mean_error * widen,
            degrees_of_freedom: (self.degrees_of_freedom / time).max(1.0),
            ..*self
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_true_line_is_found_and_residuals_sum_to_zero(
            a in -10.0..10.0_f64, b in -10.0..10.0_f64, noise in prop::collection::vec(-1.0..1.0_f64, 3..60),
        ) {
            let x: Vec<f64> = (0..noise.len()).map(|i| i as f64).collect();
            let exact: Vec<f64> = x.iter().map(|x| a + b * x).collect();
            let fit = fit_line(&x, &exact).unwrap();
            prop_assert!((fit.slope - b).abs() < 1e-9 && (fit.intercept - a).abs() < 1e-9);
            let noisy: Vec<f64> = exact.iter().zip(&noise).map(|(y, e)| y + e).collect();
            let fit = fit_line(&x, &noisy).unwrap();
            prop_assert!(fit.residuals(&x, &noisy).iter().sum::<f64>().abs() < 1e-8);
            let narrow = fit.slope_interval(0.5).unwrap();
            prop_assert!(narrow.half_width() <= fit.slope_interval(0.99).unwrap().half_width());
            prop_assert!(fit.inflated(4.0).slope_interval(0.5).unwrap().half_width() >= 1.999 * narrow.half_width());
        }
    }

    #[test]
    fn points_above_one_another_have_no_slope() {
        assert!(
            fit_line(&[1.0; 4], &[1.0, 2.0, 3.0, 4.0])
                .unwrap_err()
                .to_string()
                .contains("same x")
        );
        assert!(matches!(
            fit_line(&[1.0; 4], &[1.0; 3]),
            Err(StatisticsError::LengthsDiffer { .. })
        ));
    }
}
