//! The mean of a series with a memory, and an interval that holds.
//!
//! **Model.** `y_k = mean + ripple + noise`, the noise white plus two first-order processes
//! ([`crate::soak::NoiseModel`]); the ripple is what is left of the mains in batch means, a sine of known frequency.
//!
//! **Method.** For each of a set of noise models around the most credible one the mean is estimated by generalised least
//! squares; the answer is their mixture, weighted by evidence, so that not knowing the noise exactly widens the
//! interval. For AR(1) it reproduces `n_eff = n (1 - ρ)/(1 + ρ)` in large samples.
//!
//! **Assumptions.** No trend; the same noise throughout; time constants up to about a tenth of the length of the series.
//! A wander slower than that looks like a difference, and the interval holds the long-run mean less often than it says:
//! the table in [the module's page](super) tells how often.

use crate::soak::mixture::Mixture;
use crate::soak::noise::{NoiseModel, Whitener};
use crate::soak::noise_fit::{NoiseFit, NoisePrior};
use crate::soak::regression::{Column, Gram};

/// A sine that may be left in the series.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LeftRipple {
    pub(crate) frequency_hz: f64,
    /// How large it may be, in the unit of the series.
    pub(crate) amplitude: f64,
}

/// Noise models averaged over.
const POINTS: usize = 48;

/// The mean of `series` (`step_s` apart, `weights` as for [`Whitener::new`]); `None` with fewer than eight values.
pub(crate) fn mean_through_noise(
    series: &[f64],
    weights: &[f64],
    step_s: f64,
    floor: f64,
    ripple: Option<LeftRipple>,
) -> Option<Mixture> {
    let present = weights.iter().filter(|weight| **weight > 0.0).count();
    if present < 8 {
        return None;
    }
    let total: f64 = weights.iter().sum();
    let centre = series
        .iter()
        .zip(weights)
        .map(|(value, weight)| value * weight)
        .sum::<f64>()
        / total;
    let centred: Vec<f64> = series.iter().map(|value| value - centre).collect();
    let square = centred
        .iter()
        .zip(weights)
        .map(|(value, weight)| value * value * weight)
        .sum::<f64>()
        / total;
    let floor = floor.max(1e-12);
    let scale = square.sqrt().max(floor);
    let mut columns = vec![Column {
        values: vec![1.0; series.len()],
        prior_sd: 100.0 * scale,
    }];
    if let Some(ripple) = ripple {
        let turn = |k: usize| std::f64::consts::TAU * ripple.frequency_hz * (k as f64 + 0.5) * step_s;
        for shape in [f64::sin as fn(f64) -> f64, f64::cos] {
            columns.push(Column {
                values: (0..series.len()).map(|k| shape(turn(k))).collect(),
                prior_sd: ripple.amplitude.max(1e-3 * floor),
            });
        }
    }
    let chosen: Vec<usize> = (0..columns.len()).collect();
    let fit = |noise: &NoiseModel| {
        Gram::new(Whitener::new(noise, step_s, weights), present, &centred).fit(&columns, &chosen)
    };
    let log_evidence = |noise: &NoiseModel| fit(noise).map_or(f64::NEG_INFINITY, |fit| fit.log_evidence);
    // Regulation and filters remember for a tenth of a second or so. Warmth and a reference's flicker remember for half a
    // second or half a minute: a spread of a factor of seven either way leaves that to the record.
    let prior = NoisePrior {
        scale: 0.7 * scale,
        white_floor: floor,
        memory_s: [(2.0 * step_s).max(0.1), (12.0 * step_s).max(0.6)],
        memory_spread: [1.0, 2.0],
    };
    let wander = NoiseModel {
        white_sd: scale,
        memory_sd: [0.3 * scale; 2],
        memory_s: [prior.memory_s[0], 0.2 * step_s * series.len() as f64],
    };
    let found = NoiseFit::find_from_two(prior, &wander, 400, log_evidence);
    let mut judged = Vec::with_capacity(POINTS);
    for point in found.points(POINTS, log_evidence) {
        if let Some(fit) = fit(&point.noise) {
            judged.push((
                point.log_weight + fit.log_evidence,
                fit.mean[0] + centre,
                fit.variance(0),
            ));
        }
    }
    let highest = judged.iter().map(|part| part.0).fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = judged.iter().map(|part| (part.0 - highest).exp()).sum();
    // Truncated importance weights, as in the soak's fit.
    let cap = sum / (judged.len() as f64).sqrt();
    let mut mean = Mixture::default();
    for (log_weight, value, variance) in judged {
        mean.add((log_weight - highest).exp().min(cap), value, variance);
    }
    Some(mean)
}
