//! The course of the current in time, in few points: what a kept reference and the overlay in a report are drawn from.

use serde::{Deserialize, Serialize};

use super::settings::ChannelType;
use super::trace::Trace;

/// Width of the first stretch after the switch-on, in seconds.
const FIRST_S: f64 = 5e-4;
/// Stretches per doubling of the time since the switch-on.
const PER_OCTAVE: f64 = 4.0;
/// The most points: half a millisecond to about half an hour.
const MOST_POINTS: usize = 90;

/// The current over one stretch of time after the switch-on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CoursePoint {
    /// Start, in seconds after the switch-on.
    pub from_s: f64,
    /// End, in seconds after the switch-on.
    pub to_s: f64,
    /// Mean (dc) or root mean square (ac) over the stretch, in amperes.
    #[serde(rename = "level_A")]
    pub level_a: f64,
    /// Standard uncertainty of the level from the noise, in amperes.
    #[serde(rename = "sigma_A")]
    pub sigma_a: f64,
}

/// Start of stretch `number`, in seconds after the switch-on: 0, then quarter octaves from half a millisecond on.
pub(crate) fn edge_s(number: usize) -> f64 {
    if number == 0 {
        0.0
    } else {
        FIRST_S * 2.0_f64.powf((number - 1) as f64 / PER_OCTAVE)
    }
}

/// Averages the trace over the stretches, as far as it goes. A stretch of fewer than two readings is left out.
pub(crate) fn course(
    trace: &Trace,
    onset: usize,
    kind: ChannelType,
    noise_a: f64,
    shared_noise_a: f64,
) -> Vec<CoursePoint> {
    let Some(onset_s) = trace.times().get(onset).copied() else {
        return Vec::new();
    };
    let end_s = trace
        .times()
        .last()
        .map_or(0.0, |end| end + trace.reading_s() - onset_s);
    let mut points = Vec::new();
    for number in 0..MOST_POINTS {
        let (from_s, to_s) = (edge_s(number), edge_s(number + 1));
        if to_s > end_s {
            break;
        }
        let values = &trace.values()[trace.index_at(onset_s + from_s)..trace.index_at(onset_s + to_s)];
        if values.len() < 2 {
            continue;
        }
        let count = values.len() as f64;
        let level_a = match kind {
            ChannelType::Dc => values.iter().sum::<f64>() / count,
            ChannelType::Ac => (values.iter().map(|value| value * value).sum::<f64>() / count
                - noise_a * noise_a)
                .max(0.0)
                .sqrt(),
        };
        points.push(CoursePoint {
            from_s,
            to_s,
            level_a,
            sigma_a: (noise_a / count.sqrt()).hypot(shared_noise_a),
        });
    }
    points
}
