//! Correction for having looked in many places.
//!
//! # Formula
//! Bonferroni: m·p. Šidák: 1 − (1 − p)ᵐ. Holm: with the m figures sorted, the largest of (m − i)·p₍ᵢ₎ up to each place,
//! i from 0. Each returned figure may be held against the level directly, and the chance of one or more wrong
//! accusations among all m stays at or below that level.
//!
//! # Source
//! S. Holm, *Scandinavian Journal of Statistics* 6 (1979) 65; Z. Šidák, *JASA* 62 (1967) 626 (from memory).
//!
//! # Assumptions
//! Bonferroni and Holm: none. Šidák: independent tests.
//!
//! # Validation
//! statsmodels `multipletests` by `tests/reference/make_reference.py`.

use super::StatisticsError;
use super::error::require_probability;

fn check(p_values: &[f64]) -> Result<f64, StatisticsError> {
    for &p in p_values {
        require_probability("a p value", p)?;
    }
    Ok(p_values.len() as f64)
}

/// Bonferroni's correction, in the order given.
///
/// # Errors
/// A value outside 0 to 1.
pub fn bonferroni(p_values: &[f64]) -> Result<Vec<f64>, StatisticsError> {
    let m = check(p_values)?;
    Ok(p_values.iter().map(|p| (p * m).min(1.0)).collect())
}

/// Šidák's correction for independent tests, in the order given.
///
/// # Errors
/// A value outside 0 to 1.
pub fn sidak(p_values: &[f64]) -> Result<Vec<f64>, StatisticsError> {
    let m = check(p_values)?;
    // ln_1p and exp_m1 keep the digits of small values, which 1 − (1 − p)ᵐ loses.
    Ok(p_values
        .iter()
        .map(|p| {
            if *p >= 1.0 {
                1.0
            } else {
                -(m * (-p).ln_1p()).exp_m1()
            }
        })
        .collect())
}

/// Holm's step-down correction, in the order given: never weaker than Bonferroni's, and as general.
///
/// # Errors
/// A value outside 0 to 1.
///
/// ```
/// let adjusted = steadybench_analysis::statistics::holm(&[0.01, 0.04, 0.03])?;
/// assert!(adjusted.iter().zip([0.03, 0.06, 0.06]).all(|(a, b)| (a - b).abs() < 1e-12));
/// # Ok::<(), steadybench_analysis::statistics::StatisticsError>(())
/// ```
pub fn holm(p_values: &[f64]) -> Result<Vec<f64>, StatisticsError> {
    let m = check(p_values)?;
    let mut order: Vec<usize> = (0..p_values.len()).collect();
    order.sort_by(|&a, &b| p_values[a].total_cmp(&p_values[b]));
    let mut adjusted = vec![0.0; p_values.len()];
    let mut running = 0.0_f64;
    for (rank, &index) in order.iter().enumerate() {
        running = running.max((m - rank as f64) * p_values[index]).min(1.0);
        adjusted[index] = running;
    }
    Ok(adjusted)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn corrections_never_help_and_keep_their_order(p_values in prop::collection::vec(0.0..=1.0_f64, 1..30)) {
            let (b, h, s) = (bonferroni(&p_values).unwrap(), holm(&p_values).unwrap(), sidak(&p_values).unwrap());
            for i in 0..p_values.len() {
                prop_assert!(p_values[i] <= h[i] + 1e-15 && h[i] <= b[i] + 1e-15);
                prop_assert!(p_values[i] <= s[i] + 1e-15 && s[i] <= b[i] + 1e-12);
                for j in 0..p_values.len() {
                    prop_assert!(p_values[i] > p_values[j] || h[i] <= h[j]);
                }
            }
        }
    }

    #[test]
    fn an_empty_list_stays_empty_and_a_wrong_value_is_refused() {
        assert!(holm(&[]).unwrap().is_empty());
        assert!(holm(&[0.2, 1.2]).is_err() && sidak(&[f64::NAN]).is_err());
    }
}
