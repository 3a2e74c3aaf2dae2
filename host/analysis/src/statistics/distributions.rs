//! Quantiles and tail probabilities of the normal, Student's t, beta and gamma distributions.
//!
//! The normal and gamma figures come from the library `statrs`. Its incomplete beta function stops after 140 terms, which
//! is too few for thousands of counts, and its inverse does not return for many degrees of freedom (found by the
//! properties below, version 0.19.1); so the beta function, and Student's t with it, are summed here, by the usual
//! continued fraction (*Handbook of Mathematical Functions*, Abramowitz and Stegun, 26.5.8) in Lentz's form, and inverted
//! by Newton steps kept within a bracket. Validated against scipy (`tests/reference/make_reference.py`) and printed t
//! tables.
#![doc = include_str!("../../docs/validation/distributions.md")]

use super::StatisticsError;
use super::error::require_coverage;
use statrs::distribution::{ContinuousCDF, Gamma, Normal};
use statrs::function::gamma::ln_gamma;

/// Above so many degrees of freedom the normal distribution stands in for Student's t: the two differ by less than one
/// part in 10⁷ in any quantile in use.
const NORMAL_FROM_DEGREES_OF_FREEDOM: f64 = 1e8;

/// The regularised incomplete beta function I(a, b) at `x`, with `y` = 1 − x given beside it so that neither end loses
/// digits. `a` and `b` above 0, `x` and `y` from 0 to 1.
pub(super) fn beta_regularised(a: f64, b: f64, x: f64, y: f64) -> f64 {
    if x <= 0.0 || y <= 0.0 {
        return if x <= 0.0 { 0.0 } else { 1.0 };
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - beta_regularised(b, a, y, x);
    }
    let front = beta_front(a, b, x, y) / a;
    let away_from_zero = |value: f64| if value.abs() < 1e-300 { 1e-300 } else { value };
    let mut c = 1.0;
    let mut d = 1.0 / away_from_zero(1.0 - (a + b) * x / (a + 1.0));
    let mut fraction = d;
    // On this side of the mean the terms needed grow as the square root of the larger parameter.
    let most = 200.0 + 20.0 * a.max(b).sqrt();
    let mut m = 1.0;
    while m < most {
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / away_from_zero(1.0 + even * d);
        c = away_from_zero(1.0 + even / c);
        fraction *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / away_from_zero(1.0 + odd * d);
        c = away_from_zero(1.0 + odd / c);
        fraction *= d * c;
        if (d * c - 1.0).abs() < 1e-15 {
            break;
        }
        m += 1.0;
    }
    (front * fraction).min(1.0)
}

/// xᵃ·yᵇ/B(a, b).
fn beta_front(a: f64, b: f64, x: f64, y: f64) -> f64 {
    let log = |value: f64, rest: f64| if rest < 0.5 { (-rest).ln_1p() } else { value.ln() };
    (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * log(x, y) + b * log(y, x)).exp()
}

/// Where the rising `distribution` reaches `p` between `low` and `high`: Newton steps by its `density`, halving the
/// bracket whenever a step would leave it.
fn invert(
    distribution: impl Fn(f64) -> f64,
    density: impl Fn(f64) -> f64,
    p: f64,
    low: f64,
    high: f64,
) -> f64 {
    let (mut low, mut high) = (low, high);
    let mut x = f64::midpoint(low, high);
    for _ in 0..200 {
        let excess = distribution(x) - p;
        if excess < 0.0 {
            low = x;
        } else {
            high = x;
        }
        let step = x - excess / density(x);
        let next = if step > low && step < high {
            step
        } else {
            f64::midpoint(low, high)
        };
        if (next - x).abs() <= 4.0 * f64::EPSILON * x.abs() || high - low <= f64::MIN_POSITIVE {
            return next;
        }
        x = next;
    }
    x
}

/// The value below which a beta variable falls with probability `p`; `a` and `b` above 0, `p` strictly between 0 and 1.
pub(super) fn beta_quantile(p: f64, a: f64, b: f64) -> f64 {
    invert(
        |x| beta_regularised(a, b, x, 1.0 - x),
        |x| beta_front(a, b, x, 1.0 - x) / (x * (1.0 - x)),
        p,
        0.0,
        1.0,
    )
}

fn open_unit(what: &'static str, p: f64) -> Result<(), StatisticsError> {
    if p > 0.0 && p < 1.0 {
        Ok(())
    } else {
        Err(StatisticsError::OutOfRange {
            what,
            value: p,
            rule: "strictly between 0 and 1",
        })
    }
}

/// Whether Student's t is needed, or the normal distribution does.
fn finite_degrees(degrees_of_freedom: f64) -> Result<bool, StatisticsError> {
    if degrees_of_freedom > 0.0 {
        Ok(degrees_of_freedom < NORMAL_FROM_DEGREES_OF_FREEDOM)
    } else {
        Err(StatisticsError::OutOfRange {
            what: "the degrees of freedom",
            value: degrees_of_freedom,
            rule: "above 0",
        })
    }
}

/// The chance that Student's t with `freedom` degrees is above `t`, for `t` not below 0.
fn t_tail(t: f64, freedom: f64) -> f64 {
    let square = t * t;
    if square.is_infinite() {
        return 0.0;
    }
    let sum = freedom + square;
    0.5 * beta_regularised(freedom / 2.0, 0.5, freedom / sum, square / sum)
}

/// The value below which a standard normal variable falls with probability `p`.
///
/// # Errors
/// `p` not strictly between 0 and 1.
pub fn normal_quantile(p: f64) -> Result<f64, StatisticsError> {
    open_unit("the probability of a normal quantile", p)?;
    Ok(Normal::standard().inverse_cdf(p))
}

/// The chance that a standard normal variable is at least as far from zero as `z`; NaN for a NaN.
#[must_use]
pub fn normal_two_sided_p(z: f64) -> f64 {
    (2.0 * Normal::standard().sf(z.abs())).min(1.0)
}

/// The value below which Student's t falls with probability `p`. `degrees_of_freedom` may be fractional or infinite.
///
/// # Errors
/// `p` not strictly between 0 and 1, or degrees of freedom not above 0.
///
/// ```
/// use steadybench_analysis::statistics::student_t_quantile;
/// assert!((student_t_quantile(0.975, 9.0)? - 2.262).abs() < 5e-4);
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn student_t_quantile(p: f64, degrees_of_freedom: f64) -> Result<f64, StatisticsError> {
    open_unit("the probability of a t quantile", p)?;
    let freedom = degrees_of_freedom;
    if !finite_degrees(freedom)? {
        return normal_quantile(p);
    }
    let tail = p.min(1.0 - p);
    let mut high = 2.0;
    while t_tail(high, freedom) > tail && high < 1e150 {
        high *= 2.0;
    }
    let log_scale = ln_gamma((freedom + 1.0) / 2.0)
        - ln_gamma(freedom / 2.0)
        - 0.5 * (freedom * std::f64::consts::PI).ln();
    let density = |t: f64| (log_scale - (freedom + 1.0) / 2.0 * (t * t / freedom).ln_1p()).exp();
    let t = if tail == 0.5 {
        0.0
    } else {
        invert(
            |t| -t_tail(t, freedom),
            density,
            -tail,
            if high > 2.0 { high / 2.0 } else { 0.0 },
            high,
        )
    };
    Ok(if p < 0.5 { -t } else { t })
}

/// The chance that Student's t is at least as far from zero as `t`; NaN for a NaN.
///
/// # Errors
/// Degrees of freedom not above 0.
pub fn student_t_two_sided_p(t: f64, degrees_of_freedom: f64) -> Result<f64, StatisticsError> {
    Ok(if t.is_nan() {
        t
    } else if finite_degrees(degrees_of_freedom)? {
        2.0 * t_tail(t.abs(), degrees_of_freedom)
    } else {
        normal_two_sided_p(t)
    })
}

/// The chance that Student's t is at or above `t`; NaN for a NaN.
///
/// # Errors
/// Degrees of freedom not above 0.
pub fn student_t_upper_tail(t: f64, degrees_of_freedom: f64) -> Result<f64, StatisticsError> {
    let one_sided = student_t_two_sided_p(t, degrees_of_freedom)? / 2.0;
    Ok(if t < 0.0 { 1.0 - one_sided } else { one_sided })
}

/// The coverage factor: how many standard uncertainties to both sides hold a share `coverage` of Student's t.
///
/// # Errors
/// Coverage not between 0 and 1, or degrees of freedom not above 0.
pub fn student_t_coverage_factor(coverage: f64, degrees_of_freedom: f64) -> Result<f64, StatisticsError> {
    require_coverage(coverage)?;
    student_t_quantile(0.5 + coverage / 2.0, degrees_of_freedom)
}

/// The value below which a gamma variable of the given shape and unit rate falls with probability `p`; half the χ²
/// quantile of twice the shape.
///
/// # Errors
/// `p` not strictly between 0 and 1, or a shape not above 0.
pub fn gamma_quantile(p: f64, shape: f64) -> Result<f64, StatisticsError> {
    open_unit("the probability of a gamma quantile", p)?;
    let gamma = Gamma::new(shape, 1.0).map_err(|_| StatisticsError::OutOfRange {
        what: "the shape of a gamma distribution",
        value: shape,
        rule: "above 0 and finite",
    })?;
    Ok(gamma.inverse_cdf(p))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_quantile_and_its_tail_are_inverse(p in 1e-6..0.5_f64, freedom in 0.5..500.0_f64) {
            let t = student_t_quantile(p, freedom).unwrap();
            prop_assert!((student_t_two_sided_p(t, freedom).unwrap() - 2.0 * p).abs() < 1e-9);
            let z = normal_quantile(p).unwrap();
            prop_assert!((normal_two_sided_p(z) - 2.0 * p).abs() < 1e-9);
        }

        #[test]
        fn fewer_degrees_of_freedom_never_narrow_the_bounds(coverage in 0.5..0.999_f64, freedom in 1.0..1e9_f64) {
            let few = student_t_coverage_factor(coverage, freedom).unwrap();
            let many = student_t_coverage_factor(coverage, freedom * 2.0).unwrap();
            prop_assert!(few >= many - 1e-6 && many >= student_t_coverage_factor(coverage, f64::INFINITY).unwrap() - 1e-6);
        }
    }

    #[test]
    fn settings_out_of_range_are_named() {
        assert!(normal_quantile(1.0).is_err());
        assert!(
            student_t_quantile(0.5, 0.0)
                .unwrap_err()
                .to_string()
                .contains("degrees of freedom")
        );
        assert!(
            student_t_coverage_factor(95.0, 3.0)
                .unwrap_err()
                .to_string()
                .contains("0.95")
        );
    }
}
