//! The spacing of the readings, from their time stamps.

/// Readings looked at before the spacing is settled.
pub(super) const LOOKED_AT: usize = 101;

/// Median spacing of time stamps in seconds; `None` when fewer than two stamps differ.
pub(super) fn median_spacing(stamps: &[f64]) -> Option<f64> {
    let mut steps: Vec<f64> = stamps
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .filter(|step| *step > 0.0)
        .collect();
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied()
}
