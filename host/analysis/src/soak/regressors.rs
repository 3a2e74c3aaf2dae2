//! The columns of the settling fit: temperatures seen late, shifts cut by bins.

use super::grid::Bins;

/// Which temperature a channel is compared with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Temperature {
    /// The unit's case (first thermistor).
    Case,
    /// The room only (second thermistor): the unit follows it through a longer lag, in two stages.
    Room,
    /// Neither: a daily round is allowed for.
    Unknown,
    /// Not wanted: the series is itself a temperature.
    None,
}

impl Temperature {
    pub(super) fn line(self, bins: &Bins) -> Option<(&[f64], f64, f64, u32)> {
        match self {
            Self::Case => Some((bins.temperature_c[0].as_deref()?, 20.0, 1800.0, 1)),
            Self::Room => {
                let stages = if bins.is_temperature { 1 } else { 2 };
                Some((bins.temperature_c[1].as_deref()?, 150.0, 5400.0, stages))
            }
            Self::Unknown | Self::None => None,
        }
    }
}

/// A line through `stages` equal first-order lags that add to `lag_s`, exact for straight lines between its points.
pub(super) fn lagged(line: &[f64], step_s: f64, lag_s: f64, stages: u32) -> Vec<f64> {
    let stage_s = lag_s / f64::from(stages);
    let decay = (-step_s / stage_s).exp();
    let mut out = line.to_vec();
    for _ in 0..stages {
        let input = out.clone();
        let mut state = input.first().copied().unwrap_or(0.0);
        for (place, pair) in out[1..].iter_mut().zip(input.windows(2)) {
            let behind = stage_s * (pair[1] - pair[0]) / step_s;
            state = pair[1] - behind + (state - pair[0] + behind) * decay;
            *place = state;
        }
    }
    out
}

/// The line with the mean of its later half taken off, so that the level means: at the temperature of a warm unit.
pub(super) fn centred(mut line: Vec<f64>) -> Vec<f64> {
    let later = &line[line.len() / 2..];
    let mean = later.iter().sum::<f64>() / later.len() as f64;
    line.iter_mut().for_each(|value| *value -= mean);
    line
}

pub(super) fn share_after(middle_s: f64, shift_s: f64, step_s: f64) -> f64 {
    ((middle_s + 0.5 * step_s - shift_s) / step_s).clamp(0.0, 1.0)
}

pub(super) fn interpolated(column: &[f64], position: f64) -> f64 {
    let last = column.len() - 1;
    let position = position.clamp(0.0, last as f64);
    let index = (position as usize).min(last.saturating_sub(1));
    let share = position - index as f64;
    column[index] + share * (column[(index + 1).min(last)] - column[index])
}
