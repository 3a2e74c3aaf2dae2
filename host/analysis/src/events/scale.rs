//! One time scale: the mean over a short window against the mean over the window before it.

use super::extremes::{Extremes, usual_score};
use super::ring::SumRing;
use super::tail::Tails;

/// How many times longer than the window its baseline may be.
const BASELINES: [u64; 4] = [1, 4, 16, 64];

/// A window length with its learned baseline, spread and tail.
#[derive(Clone, Debug)]
pub(super) struct Scale {
    /// Window in readings.
    pub(super) window: u64,
    /// The statistic is taken every `stride` readings.
    pub(super) stride: u64,
    /// Baseline lengths tried, in readings, and the mean magnitude of the statistic under each.
    baselines: [u64; BASELINES.len()],
    magnitudes: [f64; BASELINES.len()],
    tried: u64,
    chosen: usize,
    pub(super) tails: Tails,
    extremes: Extremes,
    /// The usual largest value per second, above and below, its standard score in Gaussian noise, and the slope beyond.
    usual: [f64; 2],
    usual_score: f64,
    core: f64,
    /// A statistic above `upper_a` or below `-lower_a` opens an excursion.
    pub(super) upper_a: f64,
    pub(super) lower_a: f64,
    /// Standard score of the threshold.
    pub(super) threshold_score: f64,
}

impl Scale {
    pub(super) fn new(
        window: u64,
        shortest_baseline: u64,
        longest_baseline: u64,
        threshold_score: f64,
        rate_hz: f64,
    ) -> Self {
        let stride = (window / 8).max(1);
        let baselines =
            BASELINES.map(|times| (window * times).clamp(shortest_baseline, longest_baseline.max(window)));
        Self {
            window,
            stride,
            baselines,
            magnitudes: [0.0; BASELINES.len()],
            tried: 0,
            chosen: 1,
            tails: Tails::new(),
            extremes: Extremes::new((rate_hz / stride as f64).ceil() as u32),
            usual: [0.0; 2],
            usual_score: usual_score(rate_hz / window as f64),
            core: f64::INFINITY,
            upper_a: f64::INFINITY,
            lower_a: f64::INFINITY,
            threshold_score,
        }
    }

    /// Baseline length now in use, in readings.
    pub(super) const fn baseline(&self) -> u64 {
        self.baselines[self.chosen]
    }

    /// The statistic at the ring's end with a baseline of `length`, if all of it lies at or after `since`.
    fn statistic_with(&self, ring: &SumRing, since: u64, length: u64) -> Option<f64> {
        let end = ring.end();
        let middle = end.checked_sub(self.window)?;
        let start = middle.checked_sub(length)?;
        (start >= since && start >= ring.oldest()).then(|| ring.mean(middle, end) - ring.mean(start, middle))
    }

    /// The statistic at the ring's end. Soon after `since` the baseline is shortened, to a quarter at the least, and the
    /// statistic is made smaller in the proportion by which white noise would make it larger.
    pub(super) fn statistic(&self, ring: &SumRing, since: u64) -> Option<f64> {
        let available = ring.end().saturating_sub(since).saturating_sub(self.window);
        let whole = self.baseline();
        if available >= whole {
            return self.statistic_with(ring, since, whole);
        }
        if available * 4 < whole || available < self.window.min(4) {
            return None;
        }
        let variance = |length: u64| 1.0 / self.window as f64 + 1.0 / length as f64;
        let share = (variance(whole) / variance(available)).sqrt();
        self.statistic_with(ring, since, available)
            .map(|value| value * share)
    }

    /// Takes note of the statistic's largest values, events or not.
    pub(super) fn note(&mut self, value: f64) {
        self.extremes.push(value);
    }

    /// Learns the statistic, and now and then compares the baseline lengths.
    pub(super) fn learn(&mut self, ring: &SumRing, since: u64, value: f64) {
        self.tails.learn(value);
        self.tried += 1;
        if self.tried.is_multiple_of(4) {
            let mut all = [0.0; BASELINES.len()];
            for (slot, &length) in all.iter_mut().zip(&self.baselines) {
                match self.statistic_with(ring, since, length) {
                    Some(value) => *slot = value.abs(),
                    None => return,
                }
            }
            for (mean, value) in self.magnitudes.iter_mut().zip(all) {
                *mean += (value - *mean) * 0.002_f64.max(4.0 / self.tried as f64);
            }
        }
    }

    /// Works thresholds out anew from what was learned. Too few values: no threshold can be passed yet.
    pub(super) fn refresh(&mut self, floor_a: f64, least_values: f64, work: &mut Vec<f32>) {
        if self.tails.values() < least_values || self.extremes.blocks() < 2 {
            return;
        }
        let mut best = self.chosen;
        // The baseline is chosen once, at the start: a change means learning the noise anew.
        let young = self.extremes.blocks() < 8;
        for index in 0..BASELINES.len() {
            if young && self.magnitudes[index] < 0.9 * self.magnitudes[best] {
                best = index;
            }
        }
        if best != self.chosen && self.baselines[best] != self.baselines[self.chosen] {
            self.chosen = best;
            self.tails.clear();
            return;
        }
        self.tails.refresh(floor_a);
        self.usual = self.extremes.usual(work);
        self.core = self.tails.bulk().max(floor_a);
        let unsure = 0.3 * 10.0_f64.min(self.extremes.blocks() as f64);
        let beyond = (self.threshold_score - self.usual_score + 3.0 - unsure).max(0.5) * self.core;
        self.upper_a = self
            .tails
            .above
            .magnitude(self.threshold_score)
            .max(self.usual[0] + beyond);
        self.lower_a = self
            .tails
            .below
            .magnitude(self.threshold_score)
            .max(self.usual[1] + beyond);
    }

    /// Standard score of a value of the statistic.
    pub(super) fn score(&self, value: f64) -> f64 {
        let (tail, usual) = if value >= 0.0 {
            (&self.tails.above, self.usual[0])
        } else {
            (&self.tails.below, self.usual[1])
        };
        tail.score(value.abs())
            .min(self.usual_score + (value.abs() - usual) / self.core)
    }

    /// Spread of the bulk of the statistic in amperes.
    pub(super) const fn core(&self) -> f64 {
        self.core
    }

    /// Spread of the statistic in amperes: one standard score near the threshold.
    pub(super) fn spread(&self) -> f64 {
        let mean = 0.5 * (self.upper_a + self.lower_a) / self.threshold_score;
        if mean.is_finite() { mean } else { f64::INFINITY }
    }

    /// Forgets what was learned; the thresholds stand until enough is learned anew.
    pub(super) fn clear(&mut self) {
        self.tails.clear();
        self.extremes.clear();
    }
}
