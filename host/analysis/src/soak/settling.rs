//! Settling, drift and the pull of temperature, taken apart.
//!
//! **Model.** Bin means of the current of one channel:
//! `y(t) = level + slope·t + Σ shift_j·[t ≥ t_j] + Σ a_i·exp(-t/τ_i) + k·T(t; λ) + noise`,
//! with none, one or two exponentials, `T` the case temperature seen through a first-order lag `λ` (the part that
//! draws the current sits inside and follows late), and the noise of [`super::noise`].
//!
//! **Method.** Time constants and lag are not chosen but averaged over: every combination on a logarithmic grid gets
//! its evidence ([`super::regression`]), for each of several credible noise models ([`super::noise_fit`]), and the
//! slope's distribution is the weighted mixture of all of them (Bayesian model averaging: Hoeting and others 1999,
//! *Statistical Science* 14:382; from memory). What the recording cannot tell apart, such as a slow exponential from
//! a drift, thereby widens the interval instead of choosing a side.
//!
//! **Assumptions.** Settling starts with the recording (or at switch-on within it); temperature acts linearly; one
//! drift rate from end to end. Exponentials no faster than 1.5 bins and no slower than the recording or two hours,
//! whichever is longer, are considered.

use crate::statistics::Bounded;
use nalgebra::DVector;

use super::explanations::{Axis, Explanation, Space};
use super::grid::{Bins, median};
use super::mixture::Mixture;
use super::noise::{NoiseModel, Whitener};
use super::noise_fit::{NoiseFit, NoisePrior, WeightedNoise};
use super::regression::{Column, Gram};
use super::regressors::{Temperature, centred, interpolated, lagged, share_after};

/// How finely to look. The live page looks less finely than the end of a soak.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Effort {
    pub(crate) cells: usize,
    pub(crate) noise_points: usize,
    pub(crate) evaluations: usize,
}

impl Effort {
    pub(crate) const FULL: Self = Self {
        cells: 12_000,
        noise_points: 24,
        evaluations: 260,
    };
    pub(crate) const MIDDLE: Self = Self {
        cells: 4000,
        noise_points: 1,
        evaluations: 100,
    };
    pub(crate) const QUICK: Self = Self {
        cells: 2500,
        noise_points: 1,
        evaluations: 60,
    };
}

/// The series, its columns and what is believed beforehand.
pub(crate) struct SettlingModel<'a> {
    bins: &'a Bins,
    series: Vec<f64>,
    centre: f64,
    space: Space<'a>,
    shifts_s: Vec<f64>,
    noise_prior: NoisePrior,
    effort: Effort,
}

/// What is found about one channel.
#[derive(Clone, Debug)]
pub(crate) struct Settling {
    /// Drift in amperes per second.
    pub(crate) slope: Mixture,
    /// Level the exponentials lead to, at the beginning of the drift line and the later temperature.
    pub(crate) level: Mixture,
    /// What the exponentials still have to go at the end: current now minus settled current.
    pub(crate) remaining: Mixture,
    /// Time constant of the largest exponential and its 95 % range, in seconds; `None` where none is likely.
    pub(crate) time_constant_s: Option<Bounded>,
    /// Amplitude of the largest exponential at the beginning.
    pub(crate) amplitude: Mixture,
    /// Slowest time constant that still matters at the end, in seconds: mean over the explanations.
    pub(crate) slowest_s: f64,
    /// Probability of none, one and two exponentials.
    pub(crate) exponentials: [f64; 3],
    /// Amperes per kelvin, when there was a temperature to compare with.
    pub(crate) temperature_slope: Option<Mixture>,
    /// Mean lag behind the case temperature, in seconds.
    pub(crate) lag_s: Option<f64>,
    /// The most credible noise of the bins.
    pub(crate) noise: NoiseModel,
    /// The noise fit, to start the next one from.
    pub(crate) noise_fit: NoiseFit,
    best: Best,
}

/// Lag given to what the explained case temperature leaves over, in seconds.
const LEFTOVER_LAG_S: f64 = 150.0;

/// The most credible explanation, worked out: kept because the model is made anew for every use.
#[derive(Clone, Debug)]
struct Best {
    time_constants_s: Vec<f64>,
    mean: DVector<f64>,
    sd: Vec<f64>,
    columns: Vec<Column>,
}

/// Likelihood ratio, in natural logarithms, below the best at which an explanation is dropped.
const DROP_BELOW: f64 = 14.0;

impl<'a> SettlingModel<'a> {
    /// Prepares the columns. `shifts_s` are the instants of level shifts in seconds after the bins' origin;
    /// `resolution` the smallest step of the readings; `temperature` the one to compare with.
    pub(crate) fn new(
        bins: &'a Bins,
        shifts_s: &[f64],
        temperature: Temperature,
        resolution: f64,
        effort: Effort,
    ) -> Self {
        let pull_sd = |centre: f64| {
            // Copper's 0.39 % per kelvin as the measure of a load; a case follows its room one to one.
            if bins.is_temperature {
                1.0
            } else {
                0.004 * centre.abs()
            }
        };
        let mut present: Vec<f64> = bins
            .value
            .iter()
            .zip(&bins.weight)
            .filter(|(_, w)| **w > 0.0)
            .map(|(v, _)| *v)
            .collect();
        let centre = median(&mut present);
        present.sort_by(f64::total_cmp);
        let mut steps: Vec<f64> = Vec::with_capacity(present.len());
        let series: Vec<f64> = bins.value.iter().map(|value| value - centre).collect();
        for (pair, weights) in bins.value.windows(2).zip(bins.weight.windows(2)) {
            if weights[0] > 0.0 && weights[1] > 0.0 {
                steps.push((pair[1] - pair[0]).abs());
            }
        }
        // Median absolute step of white noise: 0.6745 √2 σ.
        let floor = (resolution / 12.0_f64.sqrt() / (bins.places as f64).sqrt())
            .max(1e-7 * centre.abs())
            .max(1e-12);
        let scale = (median(&mut steps) / 0.954).max(floor);
        let range = (present[present.len() - 1] - present[0]).max(10.0 * scale);
        let span = bins.span_s();

        let mut columns = Vec::new();
        let mut add = |values: Vec<f64>, prior_sd: f64| columns.push(Column { values, prior_sd });
        add(vec![1.0; bins.time_s.len()], 3.0 * range);
        add(bins.time_s.iter().map(|t| t / span).collect(), 5.0 * range);
        for &shift in shifts_s {
            add(
                bins.time_s
                    .iter()
                    .map(|&t| share_after(t, shift, bins.step_s))
                    .collect(),
                range,
            );
        }
        if matches!(temperature, Temperature::Unknown) {
            // A room that nobody measured: a daily round of a kelvin or two at a tenth of a per cent a kelvin.
            for (harmonic, share) in [(1.0, 2.0e-3), (2.0, 7.0e-4)] {
                let turn = |t: &f64| 2.0 * std::f64::consts::PI * harmonic * t / 86_400.0;
                add(
                    bins.time_s.iter().map(|t| turn(t).sin()).collect(),
                    share * centre.abs(),
                );
                add(
                    bins.time_s.iter().map(|t| turn(t).cos() - 1.0).collect(),
                    share * centre.abs(),
                );
            }
        }
        if let (Temperature::Case, Some(leftover)) = (temperature, &bins.leftover_k) {
            add(lagged(leftover, bins.step_s, LEFTOVER_LAG_S, 1), pull_sd(centre));
        }
        let exponential = Axis {
            first: (1.5 * bins.step_s).max(20.0),
            last: span.max(7200.0),
            level: 4,
        };
        let settling_sd = (0.5 * range).max(0.02 * centre.abs());
        let make_exponential = Box::new(move |tau: f64| Column {
            values: bins.time_s.iter().map(|t| (-t / tau).exp()).collect(),
            prior_sd: settling_sd,
        });
        let line = temperature.line(bins);
        let lag = line.map(|(_, first, last, _)| Axis {
            first,
            last,
            level: 2,
        });
        let pull_sd = pull_sd(centre);
        let make_lagged = Box::new(move |lag: f64| {
            let (line, _, _, stages) = line.unwrap_or((&bins.time_s, 1.0, 1.0, 1));
            Column {
                values: centred(lagged(line, bins.step_s, lag, stages)),
                prior_sd: pull_sd,
            }
        });
        let space = Space::new(
            columns,
            exponential,
            lag,
            make_exponential,
            make_lagged,
            effort.cells,
        );
        let noise_prior = NoisePrior {
            scale,
            white_floor: floor,
            memory_s: [(1.5 * bins.step_s).max(90.0), (6.0 * bins.step_s).max(900.0)],
            memory_spread: [0.8, 0.9],
        };
        Self {
            bins,
            series,
            centre,
            space,
            shifts_s: shifts_s.to_vec(),
            noise_prior,
            effort,
        }
    }

    fn gram(&self, noise: &NoiseModel) -> Gram {
        let whitener = Whitener::new(noise, self.bins.step_s, &self.bins.weight);
        Gram::new(whitener, self.bins.present(), &self.series)
    }

    fn evidence_of(&self, explanation: &Explanation, noise: &NoiseModel) -> f64 {
        self.gram(noise)
            .fit(&self.space.columns, &explanation.columns)
            .map_or(f64::NEG_INFINITY, |fit| fit.log_evidence)
    }

    /// Finds the noise, explores all explanations and averages. `start` is an earlier fit of the same channel.
    pub(crate) fn solve(mut self, start: Option<&Settling>) -> Option<Settling> {
        let rough = NoiseModel {
            white_sd: self.noise_prior.scale,
            memory_sd: [0.5 * self.noise_prior.scale, self.noise_prior.scale],
            memory_s: self.noise_prior.memory_s,
        };
        let mut noise = start.map_or(rough, |settling| settling.noise);
        let mut fit: Option<NoiseFit> = start.map(|settling| settling.noise_fit.clone());
        for _ in 0..2 {
            let mut gram = self.gram(&noise);
            let explanations = self.space.explore(&mut gram);
            let best = greatest(&explanations)?;
            let found = NoiseFit::find(self.noise_prior, fit.as_ref(), self.effort.evaluations, |noise| {
                self.evidence_of(&explanations[best], noise)
            });
            noise = found.noise();
            fit = Some(found);
        }
        let noise_fit = fit?;
        let mut gram = self.gram(&noise);
        let mut explanations = self.space.explore(&mut gram);
        let best = explanations[greatest(&explanations)?].clone();
        explanations.retain(|explanation| explanation.score > best.score - DROP_BELOW);
        let points = if self.effort.noise_points > 1 {
            noise_fit.points(self.effort.noise_points, |noise| self.evidence_of(&best, noise))
        } else {
            vec![WeightedNoise {
                noise,
                log_weight: 0.0,
            }]
        };
        self.average(&mut explanations, &points, noise_fit, best)
    }

    fn average(
        &self,
        explanations: &mut [Explanation],
        points: &[WeightedNoise],
        noise_fit: NoiseFit,
        best: Explanation,
    ) -> Option<Settling> {
        let noise = noise_fit.noise();
        let mut judged: Vec<(Gram, Vec<f64>)> = Vec::with_capacity(points.len());
        for point in points {
            let mut gram = self.gram(&point.noise);
            for explanation in explanations.iter_mut() {
                self.space.judge(&mut gram, explanation);
            }
            judged.push((
                gram,
                explanations.iter().map(|explanation| explanation.score).collect(),
            ));
        }
        let totals: Vec<f64> = judged
            .iter()
            .zip(points)
            .map(|((_, scores), point)| point.log_weight + log_sum(scores))
            .collect();
        // Truncated importance weights: no point may outweigh the mean by more than the root of their number.
        let cap = log_sum(&totals) - 0.5 * (points.len() as f64).ln();
        let highest = totals.iter().copied().fold(f64::NEG_INFINITY, f64::max).min(cap);
        if !highest.is_finite() {
            return None;
        }
        let mut sums = Sums::default();
        for (((gram, scores), point), total) in judged.iter_mut().zip(points).zip(&totals) {
            let excess = (total - cap).max(0.0);
            for (explanation, score) in explanations.iter().zip(scores) {
                let weight = (*score + point.log_weight - excess - highest).exp();
                if weight > 1e-6 {
                    self.add(&mut sums, gram, explanation, weight);
                }
            }
        }
        let fit = self.gram(&noise).fit(&self.space.columns, &best.columns)?;
        let best = Best {
            sd: (0..best.columns.len())
                .map(|place| fit.variance(place).sqrt())
                .collect(),
            columns: best
                .columns
                .iter()
                .map(|&k| self.space.columns[k].clone())
                .collect(),
            time_constants_s: best.time_constants_s,
            mean: fit.mean,
        };
        sums.finish(noise_fit, best, self.space.lag.is_some())
    }

    fn add(&self, sums: &mut Sums, gram: &mut Gram, explanation: &Explanation, weight: f64) {
        let Some(fit) = gram.fit(&self.space.columns, &explanation.columns) else {
            return;
        };
        let span = self.bins.span_s();
        let always = self.space.always;
        let exponentials = explanation.time_constants_s.len();
        sums.total += weight;
        sums.exponentials[exponentials] += weight;
        sums.slope
            .add(weight, fit.mean[1] / span, fit.variance(1) / (span * span));
        sums.level.add(weight, fit.mean[0] + self.centre, fit.variance(0));
        let mut left = DVector::zeros(explanation.columns.len());
        let mut largest: Option<(usize, f64)> = None;
        for (number, tau) in explanation.time_constants_s.iter().enumerate() {
            let place = always + number;
            left[place] = (-span / tau).exp();
            sums.slowest_s += weight * tau / exponentials as f64;
            if largest.is_none_or(|(other, _)| fit.mean[place].abs() > fit.mean[other].abs()) {
                largest = Some((place, *tau));
            }
        }
        sums.remaining
            .add(weight, fit.mean.dot(&left), fit.variance_of(&left));
        match largest {
            Some((place, tau)) => {
                sums.amplitude.add(weight, fit.mean[place], fit.variance(place));
                sums.log_time_constant.push((weight, tau.ln()));
            }
            None => sums.amplitude.add(weight, 0.0, 0.0),
        }
        if let Some(lag) = explanation.lag_s {
            let place = explanation.columns.len() - 1;
            sums.temperature.add(weight, fit.mean[place], fit.variance(place));
            sums.lag += weight * lag;
            sums.lag_weight += weight;
        } else {
            sums.temperature.add(weight, 0.0, 0.0);
        }
    }

    /// The most credible explanation at the bins' middles and, by the same columns, at any instant: level, drift and
    /// exponentials exactly, temperature by straight lines between bins.
    pub(crate) fn trend_at(&self, settling: &Settling, time_s: f64, with_shifts: bool) -> f64 {
        let span = self.bins.span_s();
        let mut value = self.centre;
        let always = self.space.always;
        let best = &settling.best;
        for (place, coefficient) in best.mean.iter().enumerate() {
            value += coefficient
                * if place == 0 {
                    1.0
                } else if place == 1 {
                    time_s / span
                } else if place < 2 + self.shifts_s.len() {
                    f64::from(with_shifts && time_s >= self.shifts_s[place - 2])
                } else if place >= always && place < always + best.time_constants_s.len() {
                    (-time_s / best.time_constants_s[place - always]).exp()
                } else {
                    interpolated(&best.columns[place].values, time_s / self.bins.step_s - 0.5)
                };
        }
        value
    }

    /// For every bin boundary, the z-value of a level shift there on top of the best explanation, and its size.
    pub(crate) fn shift_scan(&self, settling: &Settling) -> Vec<(f64, f64)> {
        let whitener = Whitener::new(&settling.noise, self.bins.step_s, &self.bins.weight);
        let count = settling.best.columns.len();
        let mut white: Vec<Vec<f64>> = vec![Vec::new(); count + 1];
        whitener.whiten(&self.series, &mut white[0]);
        for (column, out) in settling.best.columns.iter().zip(&mut white[1..]) {
            whitener.whiten(&column.values, out);
        }
        let mut precision = nalgebra::DMatrix::zeros(count, count);
        let mut right = DVector::zeros(count);
        for row in 0..count {
            right[row] = product_from(&white[row + 1], &white[0], 0);
            for column in 0..count {
                precision[(row, column)] = product_from(&white[row + 1], &white[column + 1], 0);
            }
            precision[(row, row)] += settling.best.columns[row].prior_sd.powi(-2);
        }
        let Some(cholesky) = precision.cholesky() else {
            return Vec::new();
        };
        let fitted = cholesky.solve(&right);
        let length = self.series.len();
        let mut out = vec![(0.0, 0.0); length];
        let mut column = vec![1.0; length];
        let mut step = Vec::new();
        for boundary in 0..length {
            if boundary > 0 {
                column[boundary - 1] = 0.0;
            }
            if boundary < 3 || boundary + 3 > length {
                continue;
            }
            whitener.whiten(&column, &mut step);
            let along = DVector::from_fn(count, |row, _| product_from(&white[row + 1], &step, boundary));
            let information = product_from(&step, &step, boundary) - along.dot(&cholesky.solve(&along));
            let pull = product_from(&step, &white[0], boundary) - along.dot(&fitted);
            if information > 0.0 {
                out[boundary] = (pull / information.sqrt(), pull / information);
            }
        }
        out
    }

    /// Size and standard deviation of each level shift under the most credible explanation.
    pub(crate) fn shifts(&self, settling: &Settling) -> Vec<(f64, f64)> {
        (2..2 + self.shifts_s.len())
            .map(|place| (settling.best.mean[place], settling.best.sd[place]))
            .collect()
    }

    /// Prior standard deviation of a level shift.
    pub(crate) fn shift_prior_sd(&self) -> f64 {
        self.space.columns[0].prior_sd / 3.0
    }
}

#[derive(Default)]
struct Sums {
    total: f64,
    slope: Mixture,
    level: Mixture,
    remaining: Mixture,
    amplitude: Mixture,
    temperature: Mixture,
    exponentials: [f64; 3],
    log_time_constant: Vec<(f64, f64)>,
    slowest_s: f64,
    lag: f64,
    lag_weight: f64,
}

impl Sums {
    fn finish(mut self, noise_fit: NoiseFit, best: Best, with_temperature: bool) -> Option<Settling> {
        if self.total <= 0.0 {
            return None;
        }
        let some = self.exponentials[1] + self.exponentials[2];
        self.log_time_constant
            .sort_by(|left, right| left.1.total_cmp(&right.1));
        for mixture in [
            &mut self.slope,
            &mut self.level,
            &mut self.remaining,
            &mut self.amplitude,
            &mut self.temperature,
        ] {
            mixture.compress();
        }
        let time_constant_s = (some > 0.5 * self.total).then(|| Bounded {
            value: weighted_quantile(&self.log_time_constant, 0.5).exp(),
            low: weighted_quantile(&self.log_time_constant, 0.025).exp(),
            high: weighted_quantile(&self.log_time_constant, 0.975).exp(),
            coverage: 0.95,
        });
        Some(Settling {
            slope: self.slope,
            level: self.level,
            remaining: self.remaining,
            time_constant_s,
            amplitude: self.amplitude,
            slowest_s: if some > 0.0 { self.slowest_s / some } else { 0.0 },
            exponentials: self.exponentials.map(|weight| weight / self.total),
            temperature_slope: with_temperature.then_some(self.temperature),
            lag_s: (with_temperature && self.lag_weight > 0.0).then(|| self.lag / self.lag_weight),
            noise: noise_fit.noise(),
            noise_fit,
            best,
        })
    }
}

fn product_from(left: &[f64], right: &[f64], first: usize) -> f64 {
    left[first..]
        .iter()
        .zip(&right[first..])
        .map(|(l, r)| l * r)
        .sum()
}

fn greatest(explanations: &[Explanation]) -> Option<usize> {
    (0..explanations.len())
        .filter(|&k| explanations[k].score.is_finite())
        .max_by(|&a, &b| explanations[a].score.total_cmp(&explanations[b].score))
}

fn log_sum(values: &[f64]) -> f64 {
    let highest = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if !highest.is_finite() {
        return highest;
    }
    highest
        + values
            .iter()
            .map(|value| (value - highest).exp())
            .sum::<f64>()
            .ln()
}

fn weighted_quantile(sorted: &[(f64, f64)], probability: f64) -> f64 {
    let total: f64 = sorted.iter().map(|pair| pair.0).sum();
    let mut sum = 0.0;
    for &(weight, value) in sorted {
        sum += weight;
        if sum >= probability * total {
            return value;
        }
    }
    sorted.last().map_or(f64::NAN, |pair| pair.1)
}
