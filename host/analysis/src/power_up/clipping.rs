//! Whether the converter ran out of range, so that the true peak was higher than anything read.

use serde::{Deserialize, Serialize};

use super::settings::ChannelType;
use super::standby::Standby;
use super::trace::Trace;

/// Why an input is taken to be clipped.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ClippingReason {
    /// Readings stand at the full scale that was given.
    FullScaleReached,
    /// The highest value repeats without the noise of the other readings, or with slopes on both sides that aim
    /// above it.
    FlatTop,
}

/// Fewest equal readings in a row that make a flat top.
const FLAT_READINGS: usize = 5;

/// Looks for a clipped input.
pub(crate) fn find_clipping(
    trace: &Trace,
    start: usize,
    standby: &Standby,
    full_scale_a: Option<f64>,
    kind: ChannelType,
) -> Option<ClippingReason> {
    let values = &trace.values()[start.min(trace.len())..];
    let step = standby.step_a.unwrap_or(0.0);
    if let Some(full_scale) = full_scale_a {
        // Half a step below the end, and what writing a number with few decimals may take off it.
        let limit = full_scale - (0.5 * step).max(1e-5 * full_scale);
        // A converter that is told its range can't be clipped below it.
        return values
            .iter()
            .any(|value| value.abs() >= limit)
            .then_some(ClippingReason::FullScaleReached);
    }
    let upper: Vec<f64> = values.to_vec();
    let lower: Vec<f64> = values.iter().map(|value| -value).collect();
    let flat =
        is_flat_topped(&upper, standby) || (kind == ChannelType::Ac && is_flat_topped(&lower, standby));
    flat.then_some(ClippingReason::FlatTop)
}

/// Whether the top of `values` is cut flat.
fn is_flat_topped(values: &[f64], standby: &Standby) -> bool {
    let top = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if !top.is_finite() || top <= standby.base_a + 10.0 * standby.sigma_a {
        return false;
    }
    let step = standby.step_a.unwrap_or(0.0);
    let tolerance = (0.25 * step).max(1e-9 * top);
    let Some((start, end)) = longest_run(values, |value| top - value <= tolerance) else {
        return false;
    };
    if end - start < FLAT_READINGS {
        return false;
    }
    // Noise wider than the converter's step can't leave the highest code of all standing several readings long.
    let noise = standby.variance_a2.sqrt();
    if noise > 0.0 && noise >= 0.7 * step.max(tolerance) {
        return true;
    }
    let margin = 6.0 * step.max(tolerance) + 6.0 * noise;
    let reach = ((end - start) as f64 / 2.0).min(8.0);
    let before: Vec<f64> = values[start.saturating_sub(4)..start]
        .iter()
        .rev()
        .copied()
        .collect();
    let after = &values[end..values.len().min(end + 4)];
    let verdicts: Vec<bool> = [before.as_slice(), after]
        .into_iter()
        .filter_map(|flank| aims_at(flank, reach, top))
        .map(|aim| aim > top + margin)
        .collect();
    !verdicts.is_empty() && verdicts.iter().all(|above| *above)
}

/// The longest run of readings that `holds`, as a half-open range.
fn longest_run(values: &[f64], holds: impl Fn(f64) -> bool) -> Option<(usize, usize)> {
    let mut best: Option<(usize, usize)> = None;
    let mut start = None;
    for (index, value) in values.iter().copied().chain([f64::NAN]).enumerate() {
        match (holds(value), start) {
            (true, None) => start = Some(index),
            (false, Some(from)) => {
                if best.is_none_or(|(a, b)| index - from > b - a) {
                    best = Some((from, index));
                }
                start = None;
            }
            _ => {}
        }
    }
    best
}

/// Where a straight line through a flank (nearest reading first) stands `reach` readings beyond it.
///
/// `None` for a flank that is itself an edge: its nearest reading is below three quarters of the top, so the top was
/// reached within one reading and the flank says nothing about how far it would have gone.
fn aims_at(flank: &[f64], reach: f64, top: f64) -> Option<f64> {
    let [nearest, _, ..] = flank else { return None };
    if *nearest < 0.75 * top || !nearest.is_finite() {
        return None;
    }
    let slope = (nearest - flank[flank.len() - 1]) / (flank.len() - 1) as f64;
    Some(nearest + slope * (reach + 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn examined(values: Vec<f64>, step: f64, full_scale_a: Option<f64>) -> Option<ClippingReason> {
        let rounded: Vec<f64> = values.iter().map(|value| (value / step).round() * step).collect();
        let trace = Trace::new((0..rounded.len()).map(|k| k as f64 * 1e-4).collect(), rounded);
        let standby = Standby {
            step_a: Some(step),
            ..Standby::learn(&trace, 100, ChannelType::Dc)
        };
        find_clipping(&trace, 90, &standby, full_scale_a, ChannelType::Dc)
    }

    fn hump(limit: f64) -> Vec<f64> {
        (0..600)
            .map(|k| (10.0 * (-((f64::from(k) - 200.0) / 40.0).powi(2)).exp()).min(limit))
            .collect()
    }

    #[test]
    fn a_cut_hump_is_clipped_and_a_whole_one_is_not() {
        for step in [0.0005, 0.005, 0.02] {
            assert_eq!(
                examined(hump(7.0), step, None),
                Some(ClippingReason::FlatTop),
                "step {step}"
            );
            assert_eq!(examined(hump(99.0), step, None), None, "step {step}");
        }
    }

    #[test]
    fn a_level_that_settles_at_its_highest_value_is_not_clipped() {
        let rising: Vec<f64> = (0..3000)
            .map(|k| {
                if k < 100 {
                    0.0
                } else {
                    1.0 - (-(f64::from(k) - 100.0) / 20.0).exp()
                }
            })
            .collect();
        assert_eq!(examined(rising, 0.002, None), None);
    }

    #[test]
    fn full_scale_is_believed() {
        assert_eq!(
            examined(hump(7.0), 0.005, Some(7.0)),
            Some(ClippingReason::FullScaleReached)
        );
        assert_eq!(examined(hump(7.0), 0.005, Some(8.0)), None);
    }

    #[test]
    fn a_lower_full_scale_never_unclips() {
        let mut clipped_above = false;
        for tenths in (50..120).rev() {
            let clipped = examined(hump(99.0), 0.005, Some(f64::from(tenths) / 10.0)).is_some();
            assert!(clipped || !clipped_above, "unclipped again at {tenths}");
            clipped_above |= clipped;
        }
        assert!(clipped_above);
    }
}
