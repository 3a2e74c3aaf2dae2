//! What the rail's voltage does at the switch-on.

use serde::{Deserialize, Serialize};

use super::capture::Capture;

/// The rail behind the shunt, through the power-up.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RailSag {
    /// Voltage before the switch-on, in volts.
    #[serde(rename = "before_V")]
    pub before_v: f64,
    /// Lowest voltage after the switch-on (once the rail had come up, if it was off before), in volts.
    #[serde(rename = "lowest_V")]
    pub lowest_v: f64,
    /// When it was lowest, in seconds after the switch-on; good to one mains cycle.
    pub lowest_after_s: f64,
    /// Mean voltage at the end of the recording, in volts.
    #[serde(rename = "settled_V")]
    pub settled_v: f64,
    /// Fall from the reference (the rail before, its nominal voltage, or where it settled) to the lowest, in per cent.
    pub sag_percent: f64,
}

/// Finds the sag from the long view; `None` without rail readings on both sides of the switch-on.
pub(crate) fn rail_sag(capture: &Capture, onset_s: f64, nominal_v: Option<f64>) -> Option<RailSag> {
    let before_v = capture.rail_before()?;
    let block_s = capture.envelope().block_s();
    let after: Vec<_> = capture
        .envelope()
        .blocks()
        .iter()
        .filter(|block| block.start_s + block_s > onset_s)
        .filter_map(|block| {
            block
                .rail_mean()
                .map(|mean| (block.start_s, mean, block.rail_min))
        })
        .collect();
    let tail = &after[after.len().saturating_sub(10)..];
    if tail.len() < 2 {
        return None;
    }
    let settled_v = tail.iter().map(|(_, mean, _)| mean).sum::<f64>() / tail.len() as f64;
    // A rail that was off before comes up with the current; only then can it sag.
    let was_on = before_v > 0.5 * settled_v.max(nominal_v.unwrap_or(0.0));
    let reference_v = if was_on {
        before_v
    } else {
        nominal_v.unwrap_or(settled_v)
    };
    let from = if was_on {
        0
    } else {
        after
            .iter()
            .position(|(_, mean, _)| *mean > 0.9 * settled_v)
            .unwrap_or(0)
            + 1
    };
    let (start_s, _, lowest_v) = after
        .get(from..)?
        .iter()
        .copied()
        .min_by(|left, right| left.2.total_cmp(&right.2))?;
    if reference_v.abs() < 1e-9 {
        return None;
    }
    Some(RailSag {
        before_v,
        lowest_v,
        lowest_after_s: (start_s - onset_s).max(0.0),
        settled_v,
        sag_percent: (100.0 * (reference_v - lowest_v) / reference_v.abs()).max(0.0),
    })
}
