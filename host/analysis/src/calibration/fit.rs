//! Finding a channel's zero and gain.

use super::ShuntRange;
use crate::statistics::{
    StatisticsError, distributions::gamma_quantile, mean_under_autocorrelation, moments,
};
use serde::{Deserialize, Serialize};

/// A zero further off than this is a current, not an offset: the chip's limit is 1 µV and ten kelvin over a soldered joint
/// give 30 to 50 µV.
const LARGEST_ZERO_V: f64 = 100e-6;

/// A reference point must be so many times its uncertainty to say anything about a gain.
const LEAST_SIGNAL: f64 = 20.0;

/// Why a calibration was not taken.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum CalibrationError {
    /// The readings allow no mean; they may still be settling.
    #[error("the readings give no steady value: {0}")]
    Unsteady(#[from] StatisticsError),
    /// The zero is too far off to be one.
    #[error(
        "with no current the shunt should read within {:.0} uV of zero, but it reads {:.1} uV; is the load really disconnected?",
        LARGEST_ZERO_V * 1e6, zero_v * 1e6
    )]
    NotZero {
        /// Shunt voltage read, in volts.
        zero_v: f64,
    },
    /// No reference point.
    #[error("a gain needs at least one reference point")]
    NoPoints,
    /// A reference point that is too small, or not a number.
    #[error(
        "reference point {index} is {reference} read as {measured}; it must be a number at least 20 times its uncertainty of {uncertainty}: use a larger current or voltage"
    )]
    WeakPoint {
        /// Which one, from 1.
        index: usize,
        /// Value of the reference.
        reference: f64,
        /// What this board read.
        measured: f64,
        /// Standard uncertainty of the two together.
        uncertainty: f64,
    },
    /// The gain is nowhere near 1.
    #[error(
        "the gain comes out as {gain:.3}, but must lie between 0.5 and 2; is the nominal shunt entered right?"
    )]
    Implausible {
        /// The gain.
        gain: f64,
    },
    /// Thermistor points that no correction explains.
    #[error("thermistor: {0}")]
    Thermistor(String),
}

/// A measured zero.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Zero {
    /// Shunt voltage with no current, in volts.
    pub zero_v: f64,
    /// Its standard uncertainty, in volts.
    pub standard_uncertainty_v: f64,
}

/// The zero of a channel from codes read with no current.
///
/// # Errors
/// Fewer than eight codes, codes that still wander, or a mean beyond 100 µV.
///
/// ```
/// use steadybench_analysis::calibration::{ShuntRange, fit_zero};
///
/// let codes: Vec<f64> = (0..100).map(|i| f64::from(i * 7 % 5)).collect();
/// let zero = fit_zero(&codes, ShuntRange::Wide)?;
/// assert!((zero.zero_v - 2.0 * 312.5e-9).abs() < 1e-12);
/// # Ok::<(), steadybench_analysis::calibration::CalibrationError>(())
/// ```
pub fn fit_zero(codes: &[f64], range: ShuntRange) -> Result<Zero, CalibrationError> {
    let step_v = range.step_v();
    let of_step = step_v / 12.0_f64.sqrt();
    let spread = moments(codes)?;
    let (code, error_v) = if spread.min == spread.max && codes.len() >= 8 {
        (spread.mean, 0.0)
    } else {
        let mean = mean_under_autocorrelation(codes, 0.95)?;
        (mean.mean.value, mean.standard_error * step_v)
    };
    let zero_v = code * step_v;
    if zero_v.abs() > LARGEST_ZERO_V {
        return Err(CalibrationError::NotZero { zero_v });
    }
    // Noise of several steps wipes the step out; without it the whole step stays in doubt.
    let step_left = if spread.variance < 0.25 { of_step } else { 0.0 };
    Ok(Zero {
        zero_v,
        standard_uncertainty_v: error_v.hypot(step_left),
    })
}

/// One comparison with a reference, in amperes or volts.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct GainPoint {
    /// What this board reads, zero taken off and without a gain.
    pub measured: f64,
    /// Standard uncertainty of that, from the scatter of its readings.
    pub measured_uncertainty: f64,
    /// What the reference reads.
    pub reference: f64,
    /// Standard uncertainty of the reference.
    pub reference_uncertainty: f64,
}

/// A fitted gain.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GainFit {
    /// Factor that turns what the board reads into what the reference reads.
    pub gain: f64,
    /// Its standard uncertainty, relative.
    pub relative_uncertainty: f64,
    /// Board less reference at each point, before the gain.
    pub residuals_before: Vec<f64>,
    /// Board less reference at each point, after the gain. With one point this is zero by construction and proves nothing.
    pub residuals_after: Vec<f64>,
    /// Whether the points agree with one gain within their uncertainties (χ² at 1 %); true with one point.
    pub consistent: bool,
}

/// Fits a gain through zero.
///
/// # Errors
/// No points, a point not at least 20 times its uncertainty, or a gain outside 0.5 to 2.
///
/// ```
/// use steadybench_analysis::calibration::{GainPoint, fit_gain};
///
/// let point = GainPoint { measured: 0.99, measured_uncertainty: 1e-4, reference: 1.0, reference_uncertainty: 2e-3 };
/// let fit = fit_gain(&[point])?;
/// assert!((fit.gain - 1.0101).abs() < 1e-4 && (fit.relative_uncertainty - 0.002).abs() < 1e-5);
/// # Ok::<(), steadybench_analysis::calibration::CalibrationError>(())
/// ```
pub fn fit_gain(points: &[GainPoint]) -> Result<GainFit, CalibrationError> {
    if points.is_empty() {
        return Err(CalibrationError::NoPoints);
    }
    let mut sums = [0.0; 3];
    for (index, point) in points.iter().enumerate() {
        let uncertainty = point.measured_uncertainty.hypot(point.reference_uncertainty);
        let signal = point.measured.abs().min(point.reference.abs());
        let usable =
            uncertainty.is_finite() && (point.measured * point.reference).is_finite() && signal > 0.0;
        if !usable || signal < LEAST_SIGNAL * uncertainty {
            return Err(CalibrationError::WeakPoint {
                index: index + 1,
                reference: point.reference,
                measured: point.measured,
                uncertainty,
            });
        }
        let weight = weight(point);
        sums[0] += weight * point.measured * point.reference;
        sums[1] += weight * point.measured * point.measured;
        sums[2] += weight * (point.measured * point.reference_uncertainty).abs();
    }
    let gain = sums[0] / sums[1];
    if !(0.5..=2.0).contains(&gain) {
        return Err(CalibrationError::Implausible { gain });
    }
    let residuals = |gain: f64| {
        points
            .iter()
            .map(|p| gain * p.measured - p.reference)
            .collect::<Vec<f64>>()
    };
    let residuals_after = residuals(gain);
    let spare = (points.len() - 1) as f64;
    let chi_square: f64 = points
        .iter()
        .zip(&residuals_after)
        .map(|(p, r)| weight(p) * r * r)
        .sum();
    let consistent = spare == 0.0 || chi_square <= 2.0 * gamma_quantile(0.99, spare / 2.0)?;
    let own: f64 = points
        .iter()
        .map(|p| (weight(p) * p.measured * p.measured_uncertainty * gain).powi(2))
        .sum();
    // Points that scatter more than they may widen their own share by as much (Birge's ratio).
    let widen = if spare > 0.0 {
        (chi_square / spare).sqrt().max(1.0)
    } else {
        1.0
    };
    let scatter = if spare > 0.0 && widen > 1.0 {
        widen / sums[1].sqrt()
    } else {
        0.0
    };
    let uncertainty = (own.sqrt() / sums[1]).hypot(sums[2] / sums[1]).hypot(scatter);
    Ok(GainFit {
        gain,
        relative_uncertainty: uncertainty / gain,
        residuals_before: residuals(1.0),
        residuals_after,
        consistent,
    })
}

/// One over the variance of a point; a point without any uncertainty counts like one known to a millionth.
fn weight(point: &GainPoint) -> f64 {
    let variance = point.measured_uncertainty.powi(2) + point.reference_uncertainty.powi(2);
    1.0 / variance.max((1e-6 * point.reference).powi(2))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::testing::Noise;
    use proptest::prelude::*;

    /// Boards of known gain against a meter of unknown common error: the share whose true gain is within two uncertainties.
    #[test]
    fn the_gain_is_covered_as_claimed() {
        let mut held = 0;
        for seed in 0..500 {
            let mut noise = Noise::new(seed);
            let truth = 1.0 + 0.01 * noise.normal();
            let meter = 1.0 + 0.002 * noise.normal();
            let points: Vec<GainPoint> = [0.1, 0.3, 0.9]
                .map(|amperes: f64| GainPoint {
                    measured: amperes / truth + 1e-4 * noise.normal(),
                    measured_uncertainty: 1e-4,
                    reference: amperes * meter,
                    reference_uncertainty: 0.002 * amperes,
                })
                .to_vec();
            let fit = fit_gain(&points).unwrap();
            held += usize::from((fit.gain - truth).abs() <= 1.96 * fit.relative_uncertainty * fit.gain);
        }
        println!("{held} of 500 held");
        assert!((465..=490).contains(&held), "{held} of 500");
    }

    proptest! {
        #[test]
        fn a_gain_puts_a_single_point_right_and_never_beats_the_reference(
            amperes in 0.1..2.0_f64, error in -0.05..0.05_f64, u in 1e-5..1e-3_f64,
        ) {
            let point = GainPoint {
                measured: amperes * (1.0 + error), measured_uncertainty: 1e-6,
                reference: amperes, reference_uncertainty: u * amperes,
            };
            let fit = fit_gain(&[point]).unwrap();
            prop_assert!(fit.residuals_after[0].abs() < 1e-12 && fit.consistent);
            prop_assert!(fit.relative_uncertainty >= 0.999 * u);
            let many = fit_gain(&[point; 10]).unwrap();
            prop_assert!(many.relative_uncertainty >= 0.999 * u, "ten points on one meter are no better than the meter");
        }
    }

    #[test]
    fn points_that_disagree_are_said_to() {
        let point = |reference| GainPoint {
            measured: 1.0,
            measured_uncertainty: 1e-4,
            reference,
            reference_uncertainty: 1e-4,
        };
        let fit = fit_gain(&[point(1.0), point(1.01)]).unwrap();
        assert!(!fit.consistent && fit.relative_uncertainty > 0.003, "{fit:?}");
        assert!(matches!(
            fit_gain(&[point(3.0)]),
            Err(CalibrationError::Implausible { .. })
        ));
        assert!(matches!(
            fit_gain(&[point(f64::NAN)]),
            Err(CalibrationError::WeakPoint { index: 1, .. })
        ));
        assert!(fit_gain(&[]).is_err());
    }

    #[test]
    fn a_current_is_not_taken_for_a_zero() {
        let codes: Vec<f64> = (0..100).map(|i| 400.0 + f64::from(i % 3)).collect();
        let error = fit_zero(&codes, ShuntRange::Wide).unwrap_err().to_string();
        assert!(
            error.contains("disconnected") && error.contains("125.3 uV"),
            "{error}"
        );
        let settling: Vec<f64> = (0..200).map(|i| 100.0 - f64::from(i)).collect();
        assert!(matches!(
            fit_zero(&settling, ShuntRange::Wide),
            Err(CalibrationError::Unsteady(_))
        ));
        let still = fit_zero(&[3.0; 20], ShuntRange::Narrow).unwrap();
        assert!((still.standard_uncertainty_v - 78.125e-9 / 12.0_f64.sqrt()).abs() < 1e-15);
    }
}
