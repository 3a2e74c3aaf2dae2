//! Correcting a thermistor by one to three known temperatures.
//!
//! One point shifts ln R, which mends the tolerance of R25 and of the series resistor. Two points also stretch it, which
//! mends B. Three points replace the curve by Steinhart and Hart's. As many parameters as points leave no residual, which
//! proves nothing; what the points cannot mend stays in the bound.

use super::CalibrationError;
use crate::thermistor::{Curve, Divider, Resistance, Thermistor};
use serde::{Deserialize, Serialize};

/// Points closer than this do not tell a slope.
const LEAST_DISTANCE_K: f64 = 10.0;

/// By how much a Steinhart–Hart curve through three points may be off between 0 and 100 °C: the largest error over the
/// tables of three makers (`tests/thermistor_tables.rs`).
const THREE_POINT_CURVE_ERROR_K: f64 = 0.3;

/// A code read at a known temperature.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThermistorPoint {
    /// Code of the converter, or the mean of many.
    pub code: f64,
    /// Temperature by the reference thermometer, in °C.
    pub reference_c: f64,
    /// Standard uncertainty of that, in kelvin.
    pub reference_uncertainty_k: f64,
}

/// A corrected thermistor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThermistorFit {
    /// The thermistor, with its correction and what tolerance is left.
    pub thermistor: Thermistor,
    /// Reading less reference at each point before, in kelvin.
    pub residuals_before_k: Vec<f64>,
    /// Reading less reference at each point after, in kelvin.
    pub residuals_after_k: Vec<f64>,
    /// Whether the correction is larger than the part's and the divider's tolerances allow: another part, or a point that
    /// had not settled.
    pub beyond_tolerance: bool,
}

/// Corrects `thermistor` on `divider` by one, two or three points at least 10 K apart.
///
/// # Errors
/// No points or more than three, an open or shorted code, a temperature or uncertainty that cannot be, points too close
/// together or in the wrong order.
///
/// ```
/// use steadybench_analysis::calibration::{ThermistorPoint, fit_thermistor};
/// use steadybench_analysis::thermistor::{Divider, Thermistor};
///
/// let (part, divider) = (Thermistor::ntc_10k_b3977(0.05), Divider::default());
/// // Melting ice read as 1.2 °C too warm.
/// let ice = ThermistorPoint { code: 3080.0, reference_c: 0.0, reference_uncertainty_k: 0.05 };
/// let fit = fit_thermistor(&part, &divider, &[ice])?;
/// assert!(fit.residuals_before_k[0].abs() > 1.0 && fit.residuals_after_k[0].abs() < 1e-6);
/// # Ok::<(), steadybench_analysis::calibration::CalibrationError>(())
/// ```
pub fn fit_thermistor(
    thermistor: &Thermistor,
    divider: &Divider,
    points: &[ThermistorPoint],
) -> Result<ThermistorFit, CalibrationError> {
    let base = Thermistor {
        log_offset: 0.0,
        log_slope: 1.0,
        ..*thermistor
    };
    // Of each point: resistance as read, temperature of the thermistor's body by the reference.
    let mut known = Vec::with_capacity(points.len());
    for point in points {
        let Resistance::Ohm(ohm) = divider.resistance(point.code) else {
            return Err(refuse(format!(
                "the code {} stands for an open or shorted thermistor",
                point.code
            )));
        };
        let uncertainty = point.reference_uncertainty_k;
        if !(point.reference_c > -100.0 && point.reference_c < 300.0 && (0.0..10.0).contains(&uncertainty)) {
            return Err(refuse(format!(
                "the reference {} °C ± {uncertainty} K is no temperature of a bench",
                point.reference_c
            )));
        }
        // The reading will have half of the self-heating taken off, so the body is warmer by as much.
        known.push((ohm, point.reference_c + base.self_heating_k(divider, ohm) / 2.0));
    }
    known.sort_by(|a, b| a.1.total_cmp(&b.1));
    if known
        .windows(2)
        .any(|pair| pair[1].1 - pair[0].1 < LEAST_DISTANCE_K)
    {
        return Err(refuse(format!(
            "the points must lie at least {LEAST_DISTANCE_K} K apart"
        )));
    }
    let reference_uncertainty_k = points
        .iter()
        .map(|p| p.reference_uncertainty_k)
        .fold(0.0, f64::max);
    // The two directions of a maker's fit may differ by hundredths of a kelvin; the one that is read with decides.
    let wanted_log = |temperature_c: f64| {
        let mut log = base.curve.resistance_ohm(temperature_c).ln();
        for _ in 0..3 {
            let error_k = base.curve.temperature_c(log.exp()) - temperature_c;
            log -= error_k / base.curve.kelvin_per_relative_ohm(log.exp());
        }
        log
    };
    let calibrated = Thermistor {
        resistance_tolerance: 0.0,
        reference_uncertainty_k,
        divider_calibrated: true,
        pivot_ohm: (known.iter().map(|(ohm, _)| ohm.ln()).sum::<f64>() / known.len() as f64).exp(),
        ..base
    };
    // What the reference's uncertainty at the two outer points does to the slope, as a half-width.
    let slope_half_width =
        |coldest: f64, hottest: f64| 6.0_f64.sqrt() * reference_uncertainty_k / (hottest - coldest);
    let thermistor = match *known.as_slice() {
        [(ohm, temperature_c)] => Thermistor {
            log_offset: wanted_log(temperature_c) - ohm.ln(),
            ..calibrated
        },
        [(cold_ohm, cold_c), (hot_ohm, hot_c)] => {
            let log_slope = (wanted_log(cold_c) - wanted_log(hot_c)) / (cold_ohm.ln() - hot_ohm.ln());
            if !(0.5..=2.0).contains(&log_slope) {
                return Err(refuse(format!(
                    "the two points ask for {log_slope:.2} times the B of this part"
                )));
            }
            let log_offset = wanted_log(cold_c) - log_slope * cold_ohm.ln();
            let beta_tolerance = slope_half_width(cold_c, hot_c);
            Thermistor {
                log_offset,
                log_slope,
                beta_tolerance,
                ..calibrated
            }
        }
        [(r1, t1), (r2, t2), (r3, t3)] => Thermistor {
            curve: Curve::through([(t1, r1), (t2, r2), (t3, r3)])
                .map_err(|error| refuse(error.to_string()))?,
            curve_error_k: THREE_POINT_CURVE_ERROR_K,
            beta_tolerance: slope_half_width(t1, t3),
            ..calibrated
        },
        _ => {
            return Err(refuse(format!(
                "one to three points are needed, not {}",
                points.len()
            )));
        }
    };
    let residuals = |by: &Thermistor| -> Vec<f64> {
        points
            .iter()
            .map(|p| by.temperature_of_code_c(divider, p.code) - p.reference_c)
            .collect()
    };
    let residuals_before_k = residuals(&base);
    let allowed = |ohm: f64| {
        let converter = divider.converter_error_codes * divider.relative_ohm_per_code(divider.code(ohm));
        let beta = base.beta_tolerance * (ohm / base.pivot_ohm).ln().abs();
        let relative = base.resistance_tolerance + divider.series_tolerance + converter + beta;
        relative * base.curve.kelvin_per_relative_ohm(ohm).abs()
            + base.curve_error_k
            + 2.0 * reference_uncertainty_k
    };
    let beyond_tolerance = points.iter().zip(&residuals_before_k).any(|(point, residual)| {
        matches!(divider.resistance(point.code), Resistance::Ohm(ohm) if residual.abs() > allowed(ohm))
    });
    let residuals_after_k = residuals(&thermistor);
    Ok(ThermistorFit {
        thermistor,
        residuals_before_k,
        residuals_after_k,
        beyond_tolerance,
    })
}

fn refuse(why: String) -> CalibrationError {
    CalibrationError::Thermistor(why)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A part within its tolerances on a resistor within its own, and the code it gives at a temperature.
    fn code_of(r25: f64, beta: f64, series: f64, temperature_c: f64) -> f64 {
        let curve = Curve::Beta {
            r25_ohm: 10_000.0 * (1.0 + 0.05 * r25),
            beta_k: 3_977.0 * (1.0 + 0.0075 * beta),
        };
        let divider = Divider {
            series_ohm: 10_000.0 * (1.0 + 0.01 * series),
            ..Divider::default()
        };
        divider.code(curve.resistance_ohm(temperature_c))
    }

    proptest! {
        #[test]
        fn each_point_more_leaves_less_error(
            r25 in -1.0..1.0_f64, beta in -1.0..1.0_f64, series in -1.0..1.0_f64, at_c in 5.0..75.0_f64,
        ) {
            let divider = Divider { reference_v: 0.0, ..Divider::default() };
            let part = Thermistor { curve_error_k: 0.0, ..Thermistor::beta(10_000.0, 3_977.0, 0.05, 0.0075) };
            let point = |temperature_c| ThermistorPoint {
                code: code_of(r25, beta, series, temperature_c), reference_c: temperature_c, reference_uncertainty_k: 0.05,
            };
            let error = |by: &Thermistor| (by.temperature_of_code_c(&divider, point(at_c).code) - at_c).abs();
            for (points, most) in [(&[25.0][..], 0.7), (&[0.0, 80.0][..], 0.02), (&[0.0, 40.0, 80.0][..], 0.02)] {
                let points: Vec<_> = points.iter().map(|&t| point(t)).collect();
                let fit = fit_thermistor(&part, &divider, &points).unwrap();
                prop_assert!(fit.residuals_after_k.iter().all(|r| r.abs() < 1e-6), "{:?}", fit.residuals_after_k);
                prop_assert!(!fit.beyond_tolerance);
                prop_assert!(error(&fit.thermistor) <= most, "{} with {} points", error(&fit.thermistor), points.len());
            }
        }
    }

    #[test]
    fn another_part_is_noticed_and_nonsense_refused() {
        let (part, divider) = (Thermistor::ntc_10k_b3977(0.05), Divider::default());
        let point = |code, reference_c| ThermistorPoint {
            code,
            reference_c,
            reference_uncertainty_k: 0.05,
        };
        // A 4.7 kΩ part at 25 °C reads like 10 kΩ at 44 °C.
        let other = fit_thermistor(&part, &divider, &[point(divider.code(4_700.0), 25.0)]).unwrap();
        assert!(other.beyond_tolerance);
        for points in [
            &[][..],
            &[point(4095.0, 20.0)],
            &[point(2000.0, f64::NAN)],
            &[point(2000.0, 25.0), point(1990.0, 26.0)],
            &[point(2000.0, 25.0), point(3000.0, 60.0)],
        ] {
            assert!(fit_thermistor(&part, &divider, points).is_err(), "{points:?}");
        }
    }
}
