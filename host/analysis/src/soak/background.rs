//! What the current does slowly, and the noise of single readings about it.

use super::grid::median;
use super::noise::{NoiseModel, Whitener};
use super::noise_fit::{NoiseFit, NoisePrior};

/// A running median over about ten minutes, looked at every half minute: it keeps the edges of level shifts and does
/// not see events shorter than five minutes.
pub(crate) fn running_median(values: &[f64], step_s: f64) -> Vec<f64> {
    let block = ((30.0 / step_s) as usize).max(1);
    let mut scratch: Vec<f64> = Vec::new();
    let blocks: Vec<f64> = values
        .chunks(block)
        .map(|chunk| {
            scratch.clear();
            scratch.extend(chunk.iter().filter(|value| value.is_finite()));
            median(&mut scratch)
        })
        .collect();
    let smooth: Vec<f64> = (0..blocks.len())
        .map(|k| {
            // At the ends the window shrinks evenly, so that settling is not pulled to one side.
            let half = 10.min(k).min(blocks.len() - 1 - k);
            scratch.clear();
            scratch.extend(
                blocks[k - half..=k + half]
                    .iter()
                    .filter(|value| value.is_finite()),
            );
            median(&mut scratch)
        })
        .collect();
    (0..values.len())
        .map(|index| {
            let position = (index as f64 + 0.5) / block as f64 - 0.5;
            let low = (position.max(0.0) as usize).min(smooth.len() - 1);
            let high = (low + 1).min(smooth.len() - 1);
            let line = smooth[low] + (smooth[high] - smooth[low]) * (position - low as f64).clamp(-0.5, 1.0);
            if line.is_finite() { line } else { smooth[low] }
        })
        .collect()
}

/// Readings of the residual used for the noise fit at most; more would only take longer.
const FIT_PLACES: usize = 12_000;
/// Length of one stretch used for the fit.
const STRETCH: usize = 3000;

/// The noise of single readings, fitted to stretches spread over the recording, outliers left out.
pub(crate) fn noise_of_readings(
    residual: &[f64],
    masked: &[bool],
    step_s: f64,
    resolution: f64,
) -> NoiseModel {
    let mut steps: Vec<f64> = residual
        .windows(2)
        .map(|pair| (pair[1] - pair[0]).abs())
        .filter(|step| step.is_finite())
        .collect();
    // A coarse converter repeats itself; half a step is the least that can be told.
    let floor = (resolution / 12.0_f64.sqrt()).max(1e-12);
    let scale = (median(&mut steps) / 0.954).max(floor);
    let usable: Vec<f64> = residual
        .iter()
        .zip(masked)
        .map(|(value, &out)| if out { f64::NAN } else { *value })
        .collect();
    let mut sizes: Vec<f64> = usable
        .iter()
        .map(|value| value.abs())
        .filter(|value| value.is_finite())
        .collect();
    let limit = 6.0 * (median(&mut sizes) / 0.6745).max(scale);
    let count = (FIT_PLACES / STRETCH).min(usable.len().div_ceil(STRETCH)).max(1);
    let spacing = if count > 1 {
        (usable.len() - STRETCH) / (count - 1)
    } else {
        0
    };
    let stretches: Vec<(Vec<f64>, Vec<f64>)> = (0..count)
        .map(|k| {
            let from = k * spacing;
            let part = &usable[from..(from + STRETCH).min(usable.len())];
            let weights = part.iter().map(|value| f64::from(value.abs() <= limit)).collect();
            (
                part.iter()
                    .map(|value| if value.is_finite() { *value } else { 0.0 })
                    .collect(),
                weights,
            )
        })
        .collect();
    let prior = NoisePrior {
        scale,
        white_floor: floor,
        memory_s: [40.0 * step_s.max(1.0), 500.0 * step_s.max(1.0)],
        memory_spread: [1.0, 1.0],
    };
    let log_likelihood = |noise: &NoiseModel| {
        let mut white = Vec::new();
        -0.5 * stretches
            .iter()
            .map(|(values, weights)| {
                let whitener = Whitener::new(noise, step_s, weights);
                whitener.whiten(values, &mut white);
                whitener.log_determinant() + white.iter().map(|w| w * w).sum::<f64>()
            })
            .sum::<f64>()
    };
    NoiseFit::find(prior, None, 160, log_likelihood).noise()
}
