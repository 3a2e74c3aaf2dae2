//! One time scale: the mean over a short window against the mean over the window before it.

use super::calm::BLOCK;
use super::extremes::{Extremes, usual_score};
use super::ring::SumRing;
use super::tail::Tails;

/// How many times longer than the window its baseline may be.
const BASELINES: [u64; 4] = [1, 4, 16, 64];

/// Baselines are compared for so many blocks of [`Extremes`], of a second each.
const YOUNG_BLOCKS: usize = 8;

/// One statistic in so many is tried with every baseline.
const TRIED_EVERY: u64 = 4;

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
    /// The statistics of a block that is not learned yet.
    fresh: Vec<f64>,
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
            fresh: Vec::with_capacity(BLOCK),
        }
    }

    /// Baseline length now in use, in readings.
    pub(super) const fn baseline(&self) -> u64 {
        self.baselines[self.chosen]
    }

    /// The longest stretch of readings that any of its statistics looks at.
    pub(super) fn reach(&self) -> u64 {
        self.window + self.baselines.iter().copied().max().unwrap_or(0)
    }

    /// The statistic at `end` with a baseline of `length`, if all of it lies at or after `since`.
    fn statistic_with(&self, ring: &SumRing, end: u64, since: u64, length: u64) -> Option<f64> {
        let middle = end.checked_sub(self.window)?;
        let start = middle.checked_sub(length)?;
        (start >= since && start >= ring.oldest()).then(|| ring.mean(middle, end) - ring.mean(start, middle))
    }

    /// The statistic at the ring's end. Soon after `since` the baseline is shortened, to a quarter at the least, and the
    /// statistic is made smaller in the proportion by which white noise would make it larger.
    pub(super) fn statistic(&self, ring: &SumRing, since: u64) -> Option<f64> {
        let end = ring.end();
        let available = end.saturating_sub(since).saturating_sub(self.window);
        let whole = self.baseline();
        if available >= whole {
            return self.statistic_with(ring, end, since, whole);
        }
        if available * 4 < whole || available < self.window.min(4) {
            return None;
        }
        let variance = |length: u64| 1.0 / self.window as f64 + 1.0 / length as f64;
        let share = (variance(whole) / variance(available)).sqrt();
        self.statistic_with(ring, end, since, available)
            .map(|value| value * share)
    }

    /// Takes note of the statistic's largest values, events or not.
    pub(super) fn note(&mut self, value: f64) {
        self.extremes.push(value);
    }

    /// Learns the statistic at the ring's end, and now and then compares the baseline lengths.
    pub(super) fn learn(&mut self, ring: &SumRing, since: u64, value: f64) {
        self.tails.learn(value);
        self.compare_baselines(ring, ring.end(), since);
    }

    /// The baseline is chosen once, at the start: a change means learning the noise anew.
    fn is_young(&self) -> bool {
        self.extremes.blocks() < YOUNG_BLOCKS
    }

    fn compare_baselines(&mut self, ring: &SumRing, end: u64, since: u64) {
        if !self.is_young() {
            return;
        }
        self.tried += 1;
        if !self.tried.is_multiple_of(TRIED_EVERY) {
            return;
        }
        let mut all = [0.0; BASELINES.len()];
        for (slot, &length) in all.iter_mut().zip(&self.baselines) {
            match self.statistic_with(ring, end, since, length) {
                Some(value) => *slot = value.abs(),
                None => return,
            }
        }
        let share = 0.002_f64.max(TRIED_EVERY as f64 / self.tried as f64);
        for (mean, value) in self.magnitudes.iter_mut().zip(all) {
            *mean += (value - *mean) * share;
        }
    }

    /// Works out the statistics of the last `readings` readings, at most [`BLOCK`], as [`Self::statistic`] gives them one
    /// by one; says whether one passes a threshold. All of [`Self::reach`] before each must have been taken.
    pub(super) fn work_out(&mut self, ring: &SumRing, readings: usize) -> bool {
        let (window, baseline) = (self.window, self.baseline());
        let before = ring.end() - readings as u64;
        let reach = window + baseline;
        // From the first reading's end on there is one sum for each reading.
        let starts = ring.sums(before + 1 - reach, reach as usize + readings);
        let (middles, ends) = (&starts[baseline as usize..], &starts[reach as usize..]);
        let places = Places {
            sums: [&starts[..readings], &middles[..readings], ends],
            first: (self.stride - 1 - before % self.stride) as usize,
            stride: self.stride as usize,
        };
        let reference = ring.reference();
        // Windows are powers of two, and multiplying by the inverse of one rounds as dividing by it does.
        let of_window = 1.0 / window as f64;
        if baseline.is_power_of_two() {
            let of_baseline = 1.0 / baseline as f64;
            places.each_into(&mut self.fresh, |start, middle, end| {
                ((end - middle) * of_window + reference) - ((middle - start) * of_baseline + reference)
            });
        } else {
            let baseline = baseline as f64;
            places.each_into(&mut self.fresh, |start, middle, end| {
                ((end - middle) * of_window + reference) - ((middle - start) / baseline + reference)
            });
        }
        let (upper_a, lower_a) = (self.upper_a, -self.lower_a);
        let passes = |passed: bool, value: &f64| passed | (*value > upper_a) | (*value < lower_a);
        self.fresh.iter().fold(false, passes)
    }

    /// Takes note of the statistics [worked out](Self::work_out) last, and learns them.
    pub(super) fn learn_fresh(&mut self, ring: &SumRing, since: u64, readings: usize) {
        let fresh = std::mem::take(&mut self.fresh);
        self.extremes.push_all(&fresh);
        self.tails.learn_all(&fresh);
        if self.is_young() {
            let before = ring.end() - readings as u64;
            let mut end = before - before % self.stride;
            for _ in &fresh {
                end += self.stride;
                self.compare_baselines(ring, end, since);
            }
        }
        self.fresh = fresh;
    }

    /// Works thresholds out anew from what was learned. Too few values: no threshold can be passed yet.
    pub(super) fn refresh(&mut self, floor_a: f64, least_values: f64, work: &mut Vec<f32>) {
        if self.tails.values() < least_values || self.extremes.blocks() < 2 {
            return;
        }
        let mut best = self.chosen;
        let young = self.is_young();
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
        self.core = self.tails.refresh(floor_a).max(floor_a);
        if self.extremes.has_news() {
            self.usual = self.extremes.usual(work);
        }
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

    /// Forgets what was learned; the thresholds stand until enough is learned anew. How the baselines compared is kept:
    /// the first moments after a change of level would choose a baseline for the change, not for the noise.
    pub(super) fn clear(&mut self) {
        self.tails.clear();
        self.extremes.clear();
    }
}

/// Where in a block a statistic is taken: at each of these sums, from the first on by strides.
struct Places<'a> {
    /// The sums at the baseline's start, at the window's start and at its end.
    sums: [&'a [f64]; 3],
    first: usize,
    stride: usize,
}

impl Places<'_> {
    #[inline]
    fn each_into(&self, values: &mut Vec<f64>, statistic: impl Fn(f64, f64, f64) -> f64) {
        let [starts, middles, ends] = self.sums;
        values.clear();
        if self.stride == 1 {
            let three = starts.iter().zip(middles).zip(ends);
            values.extend(three.map(|((start, middle), end)| statistic(*start, *middle, *end)));
        } else {
            let places = (self.first..ends.len()).step_by(self.stride);
            values.extend(places.map(|at| statistic(starts[at], middles[at], ends[at])));
        }
    }
}
