//! Where will it settle, and how fast: exponential fits with standard errors.
//!
//! # Models
//! * [`fit_saturating`]: y = b₁·(1 − exp(−b₂·x)), a rise from zero.
//! * [`fit_settling`]: y = final + a·exp(−t/τ), from any level towards a final one.
//!
//! # Method
//! For a given rate the rest of either model is linear, so a scan over rates, from far faster than the point spacing to
//! far slower than the record, with the linear part solved at each, gives a start near the best one whatever a caller
//! guessed. Levenberg–Marquardt (the library of that name, after MINPACK) then refines all parameters together. Standard
//! errors are √diag(s²·(JᵀJ)⁻¹) with s² = Σe²/(n − p).
//!
//! # Source
//! J. J. Moré, *Lecture Notes in Mathematics* 630 (1978) 105; G. H. Golub, V. Pereyra, *SIAM Journal on Numerical
//! Analysis* 10 (1973) 413, for taking the linear part out (both from memory).
//!
//! # Assumptions
//! Independent residuals of equal spread, one time constant. For correlated residuals widen the errors by the square root
//! of their integrated time ([`super::integrated_time`]).
//!
//! # "Not enough data"
//! When the best rate lies at an end of the scan the record holds no bend: it is a straight line (too short), a step (too
//! coarse) or flat, and the error says so.
//!
//! # Validation
//! NIST Misra1a and BoxBOD from both certified starts to eight digits and more (`tests/nist_exponential.rs`); recovery of
//! known curves, and coverage of the final value, in this page's tests.
#![doc = include_str!("../../docs/validation/exponential.md")]

use super::StatisticsError;
use super::error::require_pair;
use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::{DMatrix, DVector, Dyn, Owned};
use serde::{Deserialize, Serialize};

/// Rates tried per factor of ten in the scan for a start.
const SCAN_PER_DECADE: i32 = 8;

/// A fitted rise y = b₁·(1 − exp(−b₂·x)).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SaturatingFit {
    /// Final value b₁.
    pub final_value: f64,
    /// Standard error of the final value.
    pub final_value_error: f64,
    /// Rate b₂, per unit of x.
    pub rate: f64,
    /// Standard error of the rate.
    pub rate_error: f64,
    /// Sum of squared residuals.
    pub residual_sum_of_squares: f64,
    /// Degrees of freedom, n − 2.
    pub degrees_of_freedom: usize,
}

/// A fitted settling y = final + a·exp(−t/τ).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SettlingFit {
    /// The level it settles to.
    pub final_value: f64,
    /// Standard error of the final value.
    pub final_value_error: f64,
    /// Distance from the final value at t = 0; negative when it settles upwards.
    pub amplitude: f64,
    /// Standard error of the amplitude.
    pub amplitude_error: f64,
    /// Time constant τ, in the unit of the times.
    pub time_constant: f64,
    /// Standard error of the time constant.
    pub time_constant_error: f64,
    /// Sum of squared residuals.
    pub residual_sum_of_squares: f64,
    /// Degrees of freedom, n − 3.
    pub degrees_of_freedom: usize,
}

impl SettlingFit {
    /// The curve at `time`.
    #[must_use]
    pub fn at(&self, time: f64) -> f64 {
        self.final_value + self.amplitude * (-time / self.time_constant).exp()
    }

    /// Standard deviation of the residuals, with divisor n − 3.
    #[must_use]
    pub fn residual_sd(&self) -> f64 {
        (self.residual_sum_of_squares / self.degrees_of_freedom as f64).sqrt()
    }

    /// The time from t = 0 until the curve is within `distance` of its final value; 0 when it starts there. NaN for a
    /// distance that is not above 0.
    #[must_use]
    pub fn time_to_within(&self, distance: f64) -> f64 {
        if distance > 0.0 {
            (self.time_constant * (self.amplitude.abs() / distance).ln()).max(0.0)
        } else {
            f64::NAN
        }
    }
}

/// final + amplitude·exp(−rate·x), the amplitude being −final where the curve starts from zero. All scaled to order one.
struct Curve<'a> {
    x: &'a [f64],
    y: &'a [f64],
    from_zero: bool,
    parameters: DVector<f64>,
}

impl Curve<'_> {
    /// Solves the linear part at a given rate; returns the parameters and the sum of squared residuals.
    fn linear_part(&self, rate: f64) -> Option<(DVector<f64>, f64)> {
        let decays = self.x.iter().map(|x| (-rate * x).exp());
        let parameters = if self.from_zero {
            let (mut products, mut squares) = (0.0, 0.0);
            for (decay, y) in decays.zip(self.y) {
                products += (1.0 - decay) * y;
                squares += (1.0 - decay) * (1.0 - decay);
            }
            DVector::from_vec(vec![products / squares, rate])
        } else {
            let decays: Vec<f64> = decays.collect();
            let line = super::fit_line(&decays, self.y).ok()?;
            DVector::from_vec(vec![line.intercept, rate, line.slope])
        };
        let trial = Curve { parameters, ..*self };
        let sum = trial.sum_of_squares();
        (sum.is_finite() && trial.parameters.iter().all(|p| p.is_finite())).then_some((trial.parameters, sum))
    }

    fn sum_of_squares(&self) -> f64 {
        self.residuals()
            .map_or(f64::NAN, |residuals| residuals.norm_squared())
    }

    /// The best rate of a logarithmic scan; an error when it lies at an end.
    fn scan(&self, what: &'static str) -> Result<DVector<f64>, StatisticsError> {
        let span = self.x.iter().fold(0.0_f64, |most, x| most.max(x.abs()));
        let mut spacing = f64::INFINITY;
        let mut sorted = self.x.to_vec();
        sorted.sort_by(f64::total_cmp);
        for pair in sorted.windows(2) {
            if pair[1] > pair[0] {
                spacing = spacing.min(pair[1] - pair[0]);
            }
        }
        let (slowest, fastest) = (0.02 / span, 20.0 / spacing);
        let steps = ((fastest / slowest).log10() * f64::from(SCAN_PER_DECADE))
            .ceil()
            .max(1.0);
        if !steps.is_finite() {
            return Err(StatisticsError::Degenerate {
                what,
                why: "all points lie at the same x",
            });
        }
        let mut best: Option<(usize, DVector<f64>, f64)> = None;
        let steps = steps as usize;
        for step in 0..=steps {
            let rate = slowest * (fastest / slowest).powf(step as f64 / steps as f64);
            if let Some((parameters, sum)) = self.linear_part(rate)
                && best.as_ref().is_none_or(|(_, _, least)| sum < *least)
            {
                best = Some((step, parameters, sum));
            }
        }
        match best {
            Some((0, ..)) => Err(StatisticsError::Degenerate {
                what,
                why: "the record is a straight line as far as can be seen; record at least two time constants",
            }),
            Some((step, ..)) if step == steps => Err(StatisticsError::Degenerate {
                what,
                why: "the change is over within one reading, or there is none; record faster or expect no settling",
            }),
            Some((_, parameters, _)) => Ok(parameters),
            None => Err(StatisticsError::Degenerate {
                what,
                why: "no rate gives a curve near the points",
            }),
        }
    }

    /// Refines by Levenberg–Marquardt; returns parameters, their covariance and the sum of squares.
    fn refine(self, what: &'static str) -> Result<(DVector<f64>, DMatrix<f64>, f64), StatisticsError> {
        let degenerate = |why| StatisticsError::Degenerate { what, why };
        let (curve, _) = LevenbergMarquardt::new()
            .with_tol(1e-15)
            .with_patience(400)
            .minimize(self);
        let (Some(residuals), Some(jacobian)) = (curve.residuals(), curve.jacobian()) else {
            return Err(degenerate("the fit ran out of range"));
        };
        let sum = residuals.norm_squared();
        let degrees = (curve.x.len() - curve.parameters.len()) as f64;
        // Columns of like length keep the inverse sound when parameters differ by many powers of ten.
        let lengths = DVector::from_iterator(jacobian.ncols(), jacobian.column_iter().map(|c| c.norm()));
        let mut scaled = jacobian;
        for (mut column, length) in scaled.column_iter_mut().zip(lengths.iter()) {
            column /= *length;
        }
        let mut covariance = (scaled.transpose() * &scaled)
            .try_inverse()
            .ok_or_else(|| degenerate("two of its parameters cannot be told apart; record longer"))?;
        for i in 0..lengths.len() {
            for j in 0..lengths.len() {
                covariance[(i, j)] *= sum / degrees / (lengths[i] * lengths[j]);
            }
        }
        if curve
            .parameters
            .iter()
            .chain(covariance.iter())
            .all(|value| value.is_finite())
        {
            Ok((curve.parameters, covariance, sum))
        } else {
            Err(degenerate(
                "two of its parameters cannot be told apart; record longer",
            ))
        }
    }
}

impl LeastSquaresProblem<f64, Dyn, Dyn> for Curve<'_> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, parameters: &DVector<f64>) {
        self.parameters.copy_from(parameters);
    }

    fn params(&self) -> DVector<f64> {
        self.parameters.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let (last, rate) = (self.parameters[0], self.parameters[1]);
        let amplitude = if self.from_zero { -last } else { self.parameters[2] };
        let residuals = self
            .x
            .iter()
            .zip(self.y)
            .map(|(x, y)| last + amplitude * (-rate * x).exp() - y);
        let residuals = DVector::from_iterator(self.x.len(), residuals);
        residuals.iter().all(|r| r.is_finite()).then_some(residuals)
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let rate = self.parameters[1];
        let amplitude = if self.from_zero {
            -self.parameters[0]
        } else {
            self.parameters[2]
        };
        let mut jacobian = DMatrix::zeros(self.x.len(), self.parameters.len());
        for (row, x) in self.x.iter().enumerate() {
            let decay = (-rate * x).exp();
            jacobian[(row, 0)] = if self.from_zero { 1.0 - decay } else { 1.0 };
            jacobian[(row, 1)] = -amplitude * x * decay;
            if !self.from_zero {
                jacobian[(row, 2)] = decay;
            }
        }
        Some(jacobian)
    }
}

/// Fits y = b₁·(1 − exp(−b₂·x)), from `start` (b₁, b₂) if one is given, else from the scan.
///
/// A given start is tried with its b₁ replaced by the best one for its b₂, and the scan's start beside it; the better fit
/// wins, so a poor start costs time and nothing else.
///
/// # Errors
/// Fewer than three points, unequal lengths, a value that is not finite, or points without a bend.
///
/// ```
/// let x: Vec<f64> = (1..20).map(f64::from).collect();
/// let y: Vec<f64> = x.iter().map(|x| 5.0 * (1.0 - (-0.3 * x).exp())).collect();
/// let fit = steadybench_analysis::statistics::fit_saturating(&x, &y, None)?;
/// assert!((fit.rate - 0.3).abs() < 1e-9 && (fit.final_value - 5.0).abs() < 1e-9);
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn fit_saturating(
    x: &[f64],
    y: &[f64],
    start: Option<[f64; 2]>,
) -> Result<SaturatingFit, StatisticsError> {
    let what = "a rise to a final value";
    require_pair(what, x, y, 3)?;
    let curve = |parameters| Curve {
        x,
        y,
        from_zero: true,
        parameters,
    };
    let empty = curve(DVector::zeros(2));
    let guessed = start
        .and_then(|[_, rate]| empty.linear_part(rate))
        .and_then(|(parameters, _)| curve(parameters).refine(what).ok());
    let scanned = empty
        .scan(what)
        .and_then(|parameters| curve(parameters).refine(what));
    let (parameters, covariance, sum) = match (guessed, scanned) {
        (Some(guessed), Ok(scanned)) => {
            if guessed.2 <= scanned.2 {
                guessed
            } else {
                scanned
            }
        }
        (_, scanned) => scanned?,
    };
    Ok(SaturatingFit {
        final_value: parameters[0],
        final_value_error: covariance[(0, 0)].sqrt(),
        rate: parameters[1],
        rate_error: covariance[(1, 1)].sqrt(),
        residual_sum_of_squares: sum,
        degrees_of_freedom: x.len() - 2,
    })
}

/// Fits y = final + a·exp(−t/τ).
///
/// # Errors
/// Fewer than five points, unequal lengths, a value that is not finite, or a record without a bend; see the page above.
///
/// ```
/// let times: Vec<f64> = (0..50).map(f64::from).collect();
/// let warming: Vec<f64> = times.iter().map(|t| 41.0 - 18.0 * (-t / 12.0).exp()).collect();
/// let fit = steadybench_analysis::statistics::fit_settling(&times, &warming)?;
/// assert!((fit.final_value - 41.0).abs() < 1e-6 && (fit.time_constant - 12.0).abs() < 1e-6);
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn fit_settling(times: &[f64], values: &[f64]) -> Result<SettlingFit, StatisticsError> {
    let what = "a settling curve";
    require_pair(what, times, values, 5)?;
    // Times from zero and values from their mean, both in units of their spread: no digits are lost to an offset.
    let (of_times, of_values) = (super::moments(times)?, super::moments(values)?);
    let (origin, span) = (of_times.min, of_times.max - of_times.min);
    let (level, spread) = (of_values.mean, of_values.max - of_values.min);
    if span == 0.0 || spread == 0.0 {
        return Err(StatisticsError::Degenerate {
            what,
            why: "all times or all values are equal",
        });
    }
    let x: Vec<f64> = times.iter().map(|t| (t - origin) / span).collect();
    let y: Vec<f64> = values.iter().map(|v| (v - level) / spread).collect();
    let empty = Curve {
        x: &x,
        y: &y,
        from_zero: false,
        parameters: DVector::zeros(3),
    };
    let parameters = empty.scan(what)?;
    let (parameters, covariance, sum) = Curve {
        x: &x,
        y: &y,
        from_zero: false,
        parameters,
    }
    .refine(what)?;
    let rate = parameters[1];
    if rate <= 0.0 {
        return Err(StatisticsError::Degenerate {
            what,
            why: "it runs away instead of settling",
        });
    }
    let time_constant = span / rate;
    // The amplitude is wanted at t = 0 of the caller's clock, which may lie before or after the first point.
    let back = (origin / time_constant).exp();
    let amplitude = spread * parameters[2] * back;
    let (by_amplitude, by_rate) = (spread * back, amplitude * origin / span);
    let amplitude_variance = by_amplitude * by_amplitude * covariance[(2, 2)]
        + 2.0 * by_amplitude * by_rate * covariance[(1, 2)]
        + by_rate * by_rate * covariance[(1, 1)];
    Ok(SettlingFit {
        final_value: level + spread * parameters[0],
        final_value_error: spread * covariance[(0, 0)].sqrt(),
        amplitude,
        amplitude_error: amplitude_variance.max(0.0).sqrt(),
        time_constant,
        time_constant_error: time_constant * covariance[(1, 1)].sqrt() / rate,
        residual_sum_of_squares: sum * spread * spread,
        degrees_of_freedom: times.len() - 3,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::student_t_coverage_factor;
    use crate::statistics::testing::Noise;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn known_curves_are_recovered(
            last in -50.0..50.0_f64, amplitude in 0.5..30.0_f64, up in any::<bool>(), share in 0.1..1.5_f64,
            offset in 0.0..3.0_f64,
        ) {
            let amplitude = if up { -amplitude } else { amplitude };
            let time_constant = 60.0 * share;
            let times: Vec<f64> = (0..60).map(|i| offset + f64::from(i)).collect();
            let values: Vec<f64> = times.iter().map(|t| last + amplitude * (-t / time_constant).exp()).collect();
            let fit = fit_settling(&times, &values).unwrap();
            prop_assert!((fit.final_value - last).abs() < 1e-5 * amplitude.abs());
            prop_assert!((fit.time_constant / time_constant - 1.0).abs() < 1e-5);
            prop_assert!((fit.amplitude / amplitude - 1.0).abs() < 1e-4);
            prop_assert!((fit.at(fit.time_to_within(0.1)) - last).abs() < 0.1001);
        }
    }

    #[test]
    fn the_final_value_is_covered_as_claimed() {
        let times: Vec<f64> = (0..120).map(f64::from).collect();
        let (mut held, mut answered) = (0, 0);
        for seed in 0..300 {
            let mut noise = Noise::new(seed);
            let values: Vec<f64> = times
                .iter()
                .map(|t| 0.30 - 0.05 * (-t / 40.0).exp() + 0.002 * noise.normal())
                .collect();
            let Ok(fit) = fit_settling(&times, &values) else {
                continue;
            };
            answered += 1;
            let factor = student_t_coverage_factor(0.95, fit.degrees_of_freedom as f64).unwrap();
            held += usize::from((fit.final_value - 0.30).abs() <= factor * fit.final_value_error);
        }
        println!("{held} of {answered} held");
        assert!(
            answered >= 299 && (0.92..=0.98).contains(&(held as f64 / f64::from(answered))),
            "{held} of {answered}"
        );
    }

    #[test]
    fn a_line_and_a_level_are_not_called_settling() {
        let times: Vec<f64> = (0..40).map(f64::from).collect();
        let line: Vec<f64> = times.iter().map(|t| 1.0 + 0.1 * t).collect();
        assert!(
            fit_settling(&times, &line)
                .unwrap_err()
                .to_string()
                .contains("straight line")
        );
        assert!(fit_settling(&times, &[2.0; 40]).is_err());
        assert!(fit_settling(&[1.0; 9], &line[..9]).is_err());
    }
}
