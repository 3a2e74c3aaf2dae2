//! What flows before the switch-on, and how noisy the readings are.

use super::settings::ChannelType;
use super::trace::{Trace, median};

/// Fewest readings before the switch-on from which a standby current and a noise are given.
const FEWEST: usize = 20;

/// The quiet stretch before the switch-on.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Standby {
    /// Mean current (dc) or root mean square with the noise taken out (ac), in amperes.
    pub(crate) level_a: Option<f64>,
    /// What `|reading|` reaches in standby, noise apart: the base of the switch-on threshold.
    pub(crate) base_a: f64,
    /// Standard deviation of one reading, slow noise included; at least what the converter's step makes.
    pub(crate) sigma_a: f64,
    /// Variance of the noise as it adds to the square of a reading, in square amperes.
    pub(crate) variance_a2: f64,
    /// Standard deviation of the mean over a settling window, from block means before the switch-on.
    pub(crate) slow_sigma_a: f64,
    /// Standard deviation of the part of the noise that neighbouring readings share, in amperes.
    pub(crate) shared_sigma_a: f64,
    /// The converter's zero: a mean before the switch-on of less than half a step, which no standby can be told from.
    pub(crate) zero_a: f64,
    /// The converter's step, where the readings show one.
    pub(crate) step_a: Option<f64>,
    /// Readings used.
    pub(crate) count: usize,
}

impl Standby {
    /// Learns from the readings before `end` (an index).
    pub(crate) fn learn(trace: &Trace, end: usize, kind: ChannelType) -> Self {
        let step_a = converter_step(trace.values());
        let floor = step_a.map_or(0.0, |step| step / 12.0_f64.sqrt());
        let quiet = &trace.values()[..end.min(trace.len())];
        if quiet.len() < FEWEST {
            // Too little before the switch-on: the noise is taken from what neighbours differ by at the quiet end.
            let sigma = neighbour_sigma(trace.values()).max(floor);
            return Self {
                level_a: None,
                base_a: 0.0,
                sigma_a: sigma,
                variance_a2: sigma * sigma,
                slow_sigma_a: 0.3 * sigma,
                shared_sigma_a: 0.3 * sigma,
                zero_a: 0.0,
                step_a,
                count: quiet.len(),
            };
        }
        let fast = neighbour_sigma(quiet);
        let mean = quiet.iter().sum::<f64>() / quiet.len() as f64;
        let spread = robust_sigma(quiet);
        let kept: Vec<f64> = quiet
            .iter()
            .copied()
            .filter(|value| (value - mean).abs() <= 6.0 * spread.max(floor))
            .collect();
        let (mean, variance) = mean_and_variance(if kept.len() < FEWEST { quiet } else { &kept });
        let (level, base, variance) = match kind {
            ChannelType::Dc => (mean, mean.abs(), variance),
            ChannelType::Ac => {
                // A standby that alternates looks like noise of great spread; neighbours tell how much is noise.
                let noise = if variance > 4.0 * fast * fast {
                    fast * fast
                } else {
                    variance
                };
                let rms = (variance + mean * mean - noise).max(0.0).sqrt();
                (rms, rms * std::f64::consts::SQRT_2, noise)
            }
        };
        let sigma = variance.sqrt().max(floor);
        let slow_sigma_a = slow_sigma(quiet).max(sigma / (quiet.len() as f64).sqrt());
        // Half the mean square of successive differences (von Neumann) holds only what neighbours don't share.
        let fresh = quiet
            .windows(2)
            .map(|pair| (pair[1] - pair[0]).powi(2))
            .sum::<f64>()
            / (2.0 * quiet.len() as f64);
        let zero = step_a.is_some_and(|step| mean.abs() < 0.5 * step + 2.0 * slow_sigma_a.min(0.1 * step));
        Self {
            level_a: Some(level),
            base_a: base,
            sigma_a: sigma,
            variance_a2: variance,
            slow_sigma_a,
            shared_sigma_a: (variance - fresh).max(0.0).sqrt().max(slow_sigma_a),
            zero_a: if zero { mean } else { 0.0 },
            step_a,
            count: quiet.len(),
        }
    }
}

fn mean_and_variance(values: &[f64]) -> (f64, f64) {
    let number = values.len() as f64;
    let mean = values.iter().sum::<f64>() / number;
    let variance = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / (number - 1.0).max(1.0);
    (mean, variance)
}

/// Spread about the median, by the median of the absolute deviations; the mean of them where that is 0.
fn robust_sigma(values: &[f64]) -> f64 {
    let middle = median(&mut values.to_vec());
    let mut away: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
    let mean = away.iter().sum::<f64>() / away.len() as f64;
    (1.4826 * median(&mut away)).max(1.2533 * mean)
}

/// Noise of one reading from what neighbours differ by (the median, so edges don't count).
fn neighbour_sigma(values: &[f64]) -> f64 {
    let mut steps: Vec<f64> = values.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
    if steps.is_empty() {
        return 0.0;
    }
    1.4826 * median(&mut steps) / std::f64::consts::SQRT_2
}

/// Spread of means over a tenth of the quiet stretch, scaled to one of its blocks.
fn slow_sigma(quiet: &[f64]) -> f64 {
    let length = quiet.len() / 5;
    let means: Vec<f64> = quiet
        .chunks_exact(length.max(1))
        .map(|block| block.iter().sum::<f64>() / block.len() as f64)
        .collect();
    mean_and_variance(&means).1.sqrt()
}

/// The converter's step: the smallest difference of neighbours of which nearly all small differences are multiples.
pub(crate) fn converter_step(values: &[f64]) -> Option<f64> {
    let mut steps: Vec<f64> = values
        .windows(2)
        .map(|pair| (pair[1] - pair[0]).abs())
        .filter(|step| *step > 0.0)
        .take(20_000)
        .collect();
    if steps.len() < 10 {
        return None;
    }
    steps.sort_by(f64::total_cmp);
    // Written with few decimals, equal steps differ by the rounding; the low twentieth stands for the smallest.
    let smallest = steps[steps.len() / 50];
    // Few equal jumps between few levels look like a step too, but no converter divides its readings into so few.
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if smallest > (high - low) / 50.0 {
        return None;
    }
    let near: Vec<f64> = steps
        .iter()
        .copied()
        .filter(|step| *step < 4.5 * smallest)
        .collect();
    let multiples = near.iter().filter(|step| {
        let ratio = *step / smallest;
        (ratio - ratio.round()).abs() < 0.12 && ratio.round() >= 1.0
    });
    (near.len() >= 10 && multiples.count() * 20 >= near.len() * 19).then_some(smallest)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(index: usize) -> f64 {
        // Twelve uniform numbers from a small generator, less six: close to a normal deviate.
        let mut state = (index as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5DEE_CE66;
        let mut sum = -6.0;
        for _ in 0..12 {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            sum += (state >> 11) as f64 / (1_u64 << 53) as f64;
        }
        sum
    }

    #[test]
    fn the_step_of_a_coarse_converter_is_seen_and_a_fine_one_has_none() {
        let fine: Vec<f64> = (0..2000)
            .map(|k| 0.2 + 0.01 * noise(k) + f64::from(u8::from(k > 1000)))
            .collect();
        assert_eq!(converter_step(&fine), None);
        let coarse: Vec<f64> = fine.iter().map(|value| (value / 0.004).round() * 0.004).collect();
        assert!((converter_step(&coarse).unwrap() - 0.004).abs() < 1e-9);
    }

    #[test]
    fn standby_and_noise_of_known_readings() {
        let values: Vec<f64> = (0..5000).map(|k| 0.2 + 0.01 * noise(k)).collect();
        let trace = Trace::new((0..5000).map(|k| f64::from(k) * 1e-4).collect(), values);
        let standby = Standby::learn(&trace, 5000, ChannelType::Dc);
        assert!((standby.level_a.unwrap() - 0.2).abs() < 0.001);
        assert!((standby.sigma_a / 0.01 - 1.0).abs() < 0.05);
        assert!(Standby::learn(&trace, 3, ChannelType::Dc).level_a.is_none());
    }
}
