//! A quantity known only through several explanations: a mixture of normal distributions and its quantiles.

use crate::statistics::Bounded;
use statrs::distribution::{ContinuousCDF, Normal};

/// Parts kept by [`Mixture::compress`].
const PARTS: usize = 600;

/// A mixture of normal distributions with relative weights.
#[derive(Clone, Debug, Default)]
pub(crate) struct Mixture {
    parts: Vec<[f64; 3]>,
    total: f64,
}

impl Mixture {
    pub(crate) fn add(&mut self, weight: f64, mean: f64, variance: f64) {
        if weight > 0.0 && mean.is_finite() && variance >= 0.0 {
            self.parts
                .push([weight, mean, variance.sqrt().max(f64::MIN_POSITIVE)]);
            self.total += weight;
        }
    }

    /// Joins parts that lie close together into at most [`PARTS`], keeping weight, mean and variance of each group.
    pub(crate) fn compress(&mut self) {
        if self.parts.len() <= PARTS {
            return;
        }
        self.parts.sort_by(|left, right| left[1].total_cmp(&right[1]));
        let group = self.parts.len().div_ceil(PARTS);
        self.parts = self
            .parts
            .chunks(group)
            .map(|chunk| {
                let weight: f64 = chunk.iter().map(|part| part[0]).sum();
                let mean = chunk.iter().map(|[weight, mean, _]| weight * mean).sum::<f64>() / weight;
                let square: f64 = chunk
                    .iter()
                    .map(|[w, m, sd]| w * (sd * sd + (m - mean).powi(2)))
                    .sum();
                [weight, mean, (square / weight).sqrt()]
            })
            .collect();
    }

    pub(crate) fn mean(&self) -> f64 {
        self.parts
            .iter()
            .map(|[weight, mean, _]| weight * mean)
            .sum::<f64>()
            / self.total
    }

    pub(crate) fn variance(&self) -> f64 {
        let mean = self.mean();
        let square = |[weight, centre, sd]: &[f64; 3]| weight * (sd * sd + (centre - mean).powi(2));
        self.parts.iter().map(square).sum::<f64>() / self.total
    }

    fn below(&self, value: f64, standard: &Normal) -> f64 {
        self.parts
            .iter()
            .map(|[weight, mean, sd]| weight * standard.cdf((value - mean) / sd))
            .sum::<f64>()
            / self.total
    }

    /// The value with probability `probability` below it, by bisection.
    pub(crate) fn quantile(&self, probability: f64) -> f64 {
        let standard = Normal::standard();
        let reach = |sign: f64| {
            self.parts
                .iter()
                .map(|[_, mean, sd]| sign * (mean + sign * 9.0 * sd))
                .fold(f64::NEG_INFINITY, f64::max)
                * sign
        };
        let (mut low, mut high) = (reach(-1.0), reach(1.0));
        for _ in 0..48 {
            let middle = 0.5 * (low + high);
            if self.below(middle, &standard) < probability {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }

    /// Median and equal-tailed 95 % interval: for a skewed mixture the median errs less than the mean.
    pub(crate) fn middle(&self) -> Bounded {
        Bounded {
            value: self.quantile(0.5),
            ..self.estimate()
        }
    }

    /// Mean and equal-tailed 95 % interval.
    pub(crate) fn estimate(&self) -> Bounded {
        self.interval(0.95)
    }

    /// Mean and equal-tailed interval of probability `coverage`.
    pub(crate) fn interval(&self, coverage: f64) -> Bounded {
        let tail = 0.5 * (1.0 - coverage);
        Bounded {
            value: self.mean(),
            low: self.quantile(tail),
            high: self.quantile(1.0 - tail),
            coverage,
        }
    }

    /// The mixture with a normal error of `variance` added to it.
    pub(crate) fn blurred(&self, variance: f64) -> Self {
        let parts = self
            .parts
            .iter()
            .map(|[weight, mean, sd]| [*weight, *mean, sd.hypot(variance.sqrt())]);
        Self {
            parts: parts.collect(),
            total: self.total,
        }
    }

    /// The mixture with every value multiplied by `factor`.
    pub(crate) fn scaled(&self, factor: f64) -> Self {
        Self {
            parts: self
                .parts
                .iter()
                .map(|[weight, mean, sd]| [*weight, mean * factor, sd * factor.abs()])
                .collect(),
            total: self.total,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_normal_gives_its_textbook_quantiles() {
        let mut mixture = Mixture::default();
        mixture.add(3.0, 10.0, 4.0);
        let estimate = mixture.estimate();
        assert!((estimate.low - (10.0 - 2.0 * 1.959_964)).abs() < 1e-5);
        assert!((estimate.high - (10.0 + 2.0 * 1.959_964)).abs() < 1e-5);
    }

    #[test]
    fn two_far_parts_keep_their_shares() {
        let mut mixture = Mixture::default();
        mixture.add(0.9, 0.0, 1.0);
        mixture.add(0.1, 100.0, 1.0);
        assert!((mixture.quantile(0.45)).abs() < 1e-6);
        assert!((mixture.quantile(0.95) - 100.0).abs() < 1e-6);
        assert!((mixture.mean() - 10.0).abs() < 1e-12);
    }
}
