//! Level shifts: found on bins, placed on single readings.
//!
//! **Method.** Every bin boundary is tried as a shift on top of the most credible explanation, through the noise; the
//! strongest is taken when its evidence beats the number of places it could have been at, and the fit is made anew.
//! Its instant is then looked for among single readings around that bin.

use super::noise::{NoiseModel, Whitener};

/// A latched change of level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Shift {
    /// First place of the grid after the shift.
    pub(crate) place: usize,
    /// Size in amperes.
    pub(crate) size: f64,
    /// z-value.
    pub(crate) z: f64,
}

/// Natural logarithm of the prior odds against a shift anywhere in a recording.
const LOG_ODDS_AGAINST: f64 = 2.3;

/// The strongest boundary of a scan, if it convinces. `scan` holds z and size per boundary.
pub(crate) fn convincing(scan: &[(f64, f64)], prior_sd: f64) -> Option<(usize, f64, f64)> {
    let (boundary, &(z, size)) = scan
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.0.abs().total_cmp(&b.1.0.abs()))?;
    let sd = (size / z).abs();
    let penalty = (prior_sd / sd).ln().max(0.0) + (scan.len() as f64).ln() + LOG_ODDS_AGAINST;
    (0.5 * z * z > penalty && z.abs() > 5.0).then_some((boundary, z, size))
}

/// The place within `reach` of `near` at which a shift explains `residual` best, its size and its z-value.
pub(crate) fn placed(
    residual: &[f64],
    masked: &[bool],
    noise: &NoiseModel,
    step_s: f64,
    near: usize,
    reach: usize,
) -> Shift {
    let margin = reach + 600;
    let from = near.saturating_sub(margin);
    let to = (near + margin).min(residual.len());
    let weights: Vec<f64> = (from..to)
        .map(|k| f64::from(residual[k].is_finite() && !masked[k]))
        .collect();
    let whitener = Whitener::new(noise, step_s, &weights);
    let length = to - from;
    let (mut series, mut one, mut step) = (Vec::new(), Vec::new(), Vec::new());
    whitener.whiten(&residual[from..to], &mut series);
    whitener.whiten(&vec![1.0; length], &mut one);
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let (level_information, level) = (dot(&one, &one), dot(&one, &series));
    let mut best = Shift {
        place: near,
        size: 0.0,
        z: 0.0,
    };
    let first = near.saturating_sub(reach).max(from + 2);
    let last = (near + reach).min(to.saturating_sub(2));
    for place in first..last {
        let column: Vec<f64> = (from..to).map(|k| f64::from(k >= place)).collect();
        whitener.whiten(&column, &mut step);
        let shared = dot(&step, &one);
        let information = dot(&step, &step) - shared * shared / level_information;
        let pull = dot(&step, &series) - shared * level / level_information;
        if information > 0.0 && pull.abs() > best.z.abs() * information.sqrt() {
            best = Shift {
                place,
                size: pull / information,
                z: pull / information.sqrt(),
            };
        }
    }
    best
}
