//! Finding the noise model of a series, and how far it may be off.
//!
//! **Method.** The five parameters are taken as logarithms with wide normal priors (so that a part which the data
//! cannot tell from white noise stays where physics puts it), the evidence of the regression is maximised by the
//! simplex method of Nelder and Mead (1965, *Computer Journal* 7:308; from memory), the curvature at the top gives a
//! normal approximation, and a fixed set of points drawn from it, weighted by evidence, stands for what is not known
//! about the noise (importance sampling, weights truncated after Ionides 2008; from memory). The points are a Halton
//! sequence, so the same readings always give the same findings.

use nalgebra::{Matrix5, Vector5};
use statrs::distribution::{ContinuousCDF, Normal};

use super::noise::NoiseModel;

/// What is believed of the noise before the readings are seen.
#[derive(Clone, Copy, Debug)]
pub(crate) struct NoisePrior {
    /// A rough standard deviation of one reading about its neighbours, in the unit of the series.
    pub(crate) scale: f64,
    /// Least white standard deviation, in the unit of the series: the resolution divided by √12.
    pub(crate) white_floor: f64,
    /// Median of the fast and the slow time constant, in seconds.
    pub(crate) memory_s: [f64; 2],
    /// Spread of each time constant as a standard deviation of its natural logarithm.
    pub(crate) memory_spread: [f64; 2],
}

/// Standard deviation of the natural logarithm of the white part: all but free.
const WHITE_SPREAD: f64 = 3.0;
/// Standard deviation of the natural logarithm of each part with a memory, about half the white part.
const MEMORY_SD_SPREAD: f64 = 1.2;

impl NoisePrior {
    fn start(&self) -> Vector5<f64> {
        let white = self.scale.max(self.white_floor).ln();
        let part = white + 0.5_f64.ln();
        Vector5::new(white, part, self.memory_s[0].ln(), part, self.memory_s[1].ln())
    }

    fn log_density(&self, parameters: &Vector5<f64>) -> f64 {
        let start = self.start();
        let pull =
            |index: usize, centre: f64, spread: f64| -0.5 * ((parameters[index] - centre) / spread).powi(2);
        let part = parameters[0] + 0.5_f64.ln();
        pull(0, start[0], WHITE_SPREAD)
            + pull(1, part, MEMORY_SD_SPREAD)
            + pull(2, start[2], self.memory_spread[0])
            + pull(3, part, MEMORY_SD_SPREAD)
            + pull(4, start[4], self.memory_spread[1])
    }

    fn model(&self, parameters: &Vector5<f64>) -> NoiseModel {
        NoiseModel {
            white_sd: parameters[0].exp().hypot(self.white_floor),
            memory_sd: [parameters[1].exp(), parameters[3].exp()],
            memory_s: [parameters[2].exp(), parameters[4].exp()],
        }
    }
}

/// A noise model and its share of the belief.
#[derive(Clone, Copy, Debug)]
pub(crate) struct WeightedNoise {
    /// The model.
    pub(crate) noise: NoiseModel,
    /// Natural logarithm of what its evidence must be multiplied by to stand for its part of the parameter space:
    /// prior density over proposal density.
    pub(crate) log_weight: f64,
}

/// The most credible noise, and the points that stand for the uncertainty about it.
#[derive(Clone, Debug)]
pub(crate) struct NoiseFit {
    prior: NoisePrior,
    parameters: Vector5<f64>,
}

impl NoiseFit {
    /// Maximises `log_evidence` over the noise, starting where `start` left off or at the prior's centre.
    pub(crate) fn find(
        prior: NoisePrior,
        start: Option<&Self>,
        evaluations: usize,
        log_evidence: impl Fn(&NoiseModel) -> f64,
    ) -> Self {
        let first = start.map_or_else(|| prior.start(), |fit| fit.parameters);
        let objective = |parameters: &Vector5<f64>| {
            let value = prior.log_density(parameters) + log_evidence(&prior.model(parameters));
            if value.is_finite() { -value } else { f64::INFINITY }
        };
        let size = if start.is_some() { 0.3 } else { 0.8 };
        Self {
            prior,
            parameters: simplex_minimum(objective, first, size, evaluations),
        }
    }

    /// The better of two searches: one begun at the prior's centre, one where `other` would have the noise. A slow
    /// wander of small size and none at all can both be summits, and a search climbs only the one it starts below.
    pub(crate) fn find_from_two(
        prior: NoisePrior,
        other: &NoiseModel,
        evaluations: usize,
        log_evidence: impl Fn(&NoiseModel) -> f64,
    ) -> Self {
        let elsewhere = Self {
            prior,
            parameters: Vector5::new(
                other.white_sd.ln(),
                other.memory_sd[0].ln(),
                other.memory_s[0].ln(),
                other.memory_sd[1].ln(),
                other.memory_s[1].ln(),
            ),
        };
        let found = [
            Self::find(prior, None, evaluations, &log_evidence),
            Self::find(prior, Some(&elsewhere), evaluations, &log_evidence),
        ];
        let value = |fit: &Self| prior.log_density(&fit.parameters) + log_evidence(&fit.noise());
        let [first, second] = found;
        if value(&second) > value(&first) {
            second
        } else {
            first
        }
    }

    /// The most credible noise model.
    #[must_use]
    pub(crate) fn noise(&self) -> NoiseModel {
        self.prior.model(&self.parameters)
    }

    /// `count` points around the top. `log_evidence` is used for the curvature.
    pub(crate) fn points(
        &self,
        count: usize,
        log_evidence: impl Fn(&NoiseModel) -> f64,
    ) -> Vec<WeightedNoise> {
        let value = |parameters: &Vector5<f64>| {
            self.prior.log_density(parameters) + log_evidence(&self.prior.model(parameters))
        };
        let spread = self.spread(value);
        let standard = Normal::standard();
        let mut points = Vec::with_capacity(count);
        for index in 0..count {
            let draw = Vector5::from_fn(|axis, _| standard.inverse_cdf(halton(index + 1, PRIMES[axis])));
            let parameters = self.parameters + spread * draw;
            // Proposal density up to a constant shared by all points: the spread matrix is the same for each.
            let log_proposal = -0.5 * draw.norm_squared();
            points.push(WeightedNoise {
                noise: self.prior.model(&parameters),
                log_weight: self.prior.log_density(&parameters) - log_proposal,
            });
        }
        points
    }

    /// A matrix that turns a standard normal draw into a draw about the top, from the curvature there; a direction
    /// with no measurable curvature gets the width of the prior.
    fn spread(&self, value: impl Fn(&Vector5<f64>) -> f64) -> Matrix5<f64> {
        const STEP: f64 = 0.2;
        const WIDEN: f64 = 1.1;
        let centre = value(&self.parameters);
        let shifted = |moves: &[(usize, f64)]| {
            let mut parameters = self.parameters;
            for &(axis, by) in moves {
                parameters[axis] += by;
            }
            value(&parameters)
        };
        let single: Vec<[f64; 2]> = (0..5)
            .map(|axis| [shifted(&[(axis, STEP)]), shifted(&[(axis, -STEP)])])
            .collect();
        let mut curvature = Matrix5::zeros();
        for row in 0..5 {
            curvature[(row, row)] = -(single[row][0] + single[row][1] - 2.0 * centre) / (STEP * STEP);
            for column in 0..row {
                let both = shifted(&[(row, STEP), (column, STEP)]);
                let neither = shifted(&[(row, -STEP), (column, -STEP)]);
                let mixed = -(both + neither + 2.0 * centre
                    - single[row][0]
                    - single[row][1]
                    - single[column][0]
                    - single[column][1])
                    / (2.0 * STEP * STEP);
                curvature[(row, column)] = mixed;
                curvature[(column, row)] = mixed;
            }
        }
        if curvature.iter().any(|entry| !entry.is_finite()) {
            return Matrix5::identity() * 0.5;
        }
        let eigen = curvature.symmetric_eigen();
        let least = MEMORY_SD_SPREAD.powi(-2);
        let scales = eigen.eigenvalues.map(|value| WIDEN / value.max(least).sqrt());
        eigen.eigenvectors * Matrix5::from_diagonal(&scales)
    }
}

const PRIMES: [usize; 5] = [2, 3, 5, 7, 11];

/// Element `index` (from 1) of the van der Corput sequence in `base`: a number between 0 and 1, exclusive.
fn halton(mut index: usize, base: usize) -> f64 {
    let (mut result, mut share) = (0.0, 1.0);
    while index > 0 {
        share /= base as f64;
        result += share * (index % base) as f64;
        index /= base;
    }
    result
}

/// Nelder and Mead's simplex with their coefficients 1, 2, 1/2, 1/2.
fn simplex_minimum(
    objective: impl Fn(&Vector5<f64>) -> f64,
    start: Vector5<f64>,
    size: f64,
    evaluations: usize,
) -> Vector5<f64> {
    let mut corners: Vec<(f64, Vector5<f64>)> = Vec::with_capacity(6);
    corners.push((objective(&start), start));
    for axis in 0..5 {
        let mut corner = start;
        corner[axis] += size;
        corners.push((objective(&corner), corner));
    }
    let mut used = corners.len();
    while used < evaluations {
        corners.sort_by(|left, right| left.0.total_cmp(&right.0));
        let (best, worst) = (corners[0].0, corners[5]);
        if worst.0 - best < 1e-3 {
            break;
        }
        let centre = corners[..5].iter().map(|corner| corner.1).sum::<Vector5<f64>>() / 5.0;
        let along = |factor: f64| {
            let point = centre + (worst.1 - centre) * factor;
            (objective(&point), point)
        };
        let reflected = along(-1.0);
        used += 1;
        if reflected.0 < best {
            let expanded = along(-2.0);
            used += 1;
            corners[5] = if expanded.0 < reflected.0 {
                expanded
            } else {
                reflected
            };
        } else if reflected.0 < corners[4].0 {
            corners[5] = reflected;
        } else {
            let contracted = along(if reflected.0 < worst.0 { -0.5 } else { 0.5 });
            used += 1;
            if contracted.0 < reflected.0.min(worst.0) {
                corners[5] = contracted;
            } else {
                let anchor = corners[0].1;
                for corner in &mut corners[1..] {
                    corner.1 = anchor + (corner.1 - anchor) * 0.5;
                    corner.0 = objective(&corner.1);
                }
                used += 5;
            }
        }
    }
    corners.sort_by(|left, right| left.0.total_cmp(&right.0));
    corners[0].1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn simplex_finds_the_bottom_of_a_bowl() {
        let bottom = Vector5::new(1.0, -2.0, 0.5, 3.0, -1.0);
        let found = simplex_minimum(
            |p| {
                (p - bottom)
                    .component_mul(&Vector5::new(1.0, 3.0, 2.0, 1.0, 5.0))
                    .norm_squared()
            },
            Vector5::zeros(),
            0.8,
            2000,
        );
        assert!((found - bottom).norm() < 0.1, "{found}");
    }

    #[test]
    fn halton_points_fill_the_unit_interval() {
        assert_eq!([1, 2, 3, 4].map(|k| halton(k, 2)), [0.5, 0.25, 0.75, 0.125]);
        assert!((halton(5, 3) - 7.0 / 9.0).abs() < 1e-12);
    }
}
