//! One channel: its time scales, and the excursion that may be under way.

use super::calm::ChannelBefore;
use super::ring::SumRing;
use super::scale::Scale;
use super::settings::EventSettings;

/// A departure from the level before it, while it lasts and until it is settled what it was.
#[derive(Clone, Debug)]
pub(super) struct Excursion {
    /// Number given to the event that comes of it.
    pub(super) id: u64,
    /// Position at which the first window that gave it away began.
    pub(super) first_start: u64,
    /// Position one past the reading that gave it away.
    pub(super) found_at: u64,
    /// Best standard score so far, the scale and end position it was reached at, and the value there.
    pub(super) peak_score: f64,
    pub(super) peak_scale: usize,
    pub(super) peak_end: u64,
    pub(super) peak_a: f64,
    /// Level before the excursion.
    pub(super) base_a: f64,
    /// Readings the level before it was averaged over.
    pub(super) base_length: u64,
    /// One past the last position that was still away from that level.
    pub(super) last_away: u64,
    pub(super) decided: bool,
    /// Not a departure but what a pulse below the threshold left behind.
    pub(super) echo: bool,
}

/// What the newest reading brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Progress {
    Nothing,
    /// The look-ahead is over: say what it looks like now.
    Decide,
    /// Back at the level before: the excursion is over.
    Returned,
    /// Away for so long that this is the new level.
    Latched,
}

/// Durations in readings.
#[derive(Clone, Copy, Debug)]
pub(super) struct Spans {
    pub(super) look_ahead: u64,
    pub(super) hold: u64,
    pub(super) latch: u64,
    pub(super) settle: u64,
    pub(super) aftermath: u64,
    /// The longest pulse whose end alone may have been seen.
    pub(super) pulse: u64,
}

#[derive(Clone, Debug)]
pub(super) struct Channel {
    pub(super) ring: SumRing,
    pub(super) scales: Vec<Scale>,
    pub(super) excursion: Option<Excursion>,
    /// No window may reach back before this position.
    pub(super) since: u64,
    /// Followed level for the ripple loops, in amperes.
    pub(super) level_a: f64,
    level_share: f64,
    pub(super) spans: Spans,
    /// Excursions per reading, over the last half minute or so.
    opened: f64,
    opened_share: f64,
    /// More excursions than this per reading are no events but the load's own doing, and are learned.
    opened_limit: f64,
    /// Readings at the start that are learned whatever they bring.
    untaught: u64,
    /// Smallest step between successive readings seen so far.
    pub(super) step_a: f64,
    last_raw: f64,
    learned: u64,
    missing: u64,
    missing_limit: u64,
    work: Vec<f32>,
    /// Mean magnitude of the departure from the followed level, and of the second difference, both of single readings.
    noise_a: f64,
    pub(super) quick_noise_a: f64,
    noise_share: f64,
    /// From this position on that is the share.
    noise_settled: u64,
}

impl Channel {
    pub(super) fn new(settings: &EventSettings, rate_hz: f64) -> Self {
        let readings = |seconds: f64| ((seconds * rate_hz).round() as u64).max(1);
        let longest = readings(settings.longest_scale_s).max(8);
        let count = longest.ilog2() + 1;
        let scales = (0..count)
            .map(|power| {
                let window = 1_u64 << power;
                let score = settings.threshold_score(rate_hz, window, count);
                Scale::new(window, 4, readings(0.5), score, rate_hz)
            })
            .collect();
        let spans = Spans {
            look_ahead: readings(settings.look_ahead_s),
            hold: readings(settings.look_ahead_s),
            latch: readings(settings.latch_s),
            settle: readings(0.06),
            aftermath: readings(0.1),
            pulse: readings(0.1),
        };
        Self {
            ring: SumRing::new(
                (2 * longest + readings(0.6) + readings(settings.latch_s) + spans.settle) as usize,
            ),
            scales,
            excursion: None,
            since: 0,
            level_a: f64::NAN,
            level_share: 1.0 / (0.05 * rate_hz).max(4.0),
            spans,
            opened: 0.0,
            opened_share: 1.0 / (25.0 * rate_hz),
            opened_limit: 0.4 / rate_hz,
            untaught: readings(2.5),
            step_a: f64::INFINITY,
            last_raw: f64::NAN,
            learned: 0,
            missing: 0,
            missing_limit: readings(0.01).max(2),
            work: Vec::new(),
            noise_a: 0.0,
            quick_noise_a: 0.0,
            noise_share: 1.0 / (5.0 * rate_hz),
            noise_settled: (10.0 * rate_hz).ceil() as u64,
        }
    }

    /// Fills in for a missing reading; returns what stands in for it. A long gap separates what was from what comes.
    pub(super) fn present(&mut self, raw: f64) -> Option<f64> {
        if raw.is_finite() {
            if self.missing > self.missing_limit {
                self.interrupt();
                self.level_a = raw;
            }
            self.missing = 0;
            self.follow_step(raw);
            if self.level_a.is_nan() {
                self.level_a = raw;
            }
            Some(raw)
        } else {
            self.missing += 1;
            None
        }
    }

    /// Takes note of the step from the reading before.
    pub(super) fn follow_step(&mut self, raw: f64) {
        let step = (raw - self.last_raw).abs();
        if step > 1e-9 && step < self.step_a {
            self.step_a = step;
        }
        self.last_raw = raw;
    }

    /// The level that ripple stands on now; `None` where ripple cannot be learned: in the first moments of an
    /// excursion, and while hardly any current flows, for then there is no ripple either.
    pub(super) fn ripple_level(&self) -> Option<f64> {
        match &self.excursion {
            None => Some(self.level_a),
            Some(excursion) => {
                let settled = self.ring.end() > excursion.found_at + self.spans.look_ahead / 2;
                (settled && self.level_a.abs() > 0.3 * excursion.base_a.abs()).then_some(self.level_a)
            }
        }
    }

    /// Whether the reading last offered was missing.
    pub(super) const fn is_missing(&self) -> bool {
        self.missing > 0
    }

    /// What stands in for a missing reading.
    pub(super) fn stand_in(&self) -> f64 {
        if self.ring.end() > 0 {
            self.ring.at(self.ring.end() - 1)
        } else {
            0.0
        }
    }

    /// Nothing before the newest reading may be compared with what follows it.
    pub(super) fn interrupt(&mut self) {
        self.since = self.ring.end();
        self.excursion = None;
    }

    /// Takes the next reading, ripple removed.
    pub(super) fn push(&mut self, value: f64, next_id: &mut u64) -> Progress {
        self.ring.push(value);
        let end = self.ring.end();
        match &self.excursion {
            None => self.level_a += (value - self.level_a) * self.level_share,
            Some(excursion) => {
                // The excursion's own level is followed quickly, so that the ripple on it can be.
                let from = excursion.found_at.max(end.saturating_sub(self.spans.settle / 3));
                if from < end {
                    self.level_a = self.ring.mean(from, end);
                }
            }
        }
        if self.is_missing() {
            return Progress::Nothing;
        }
        if end > self.since + 3 {
            self.measure_noise(value);
        }
        let open = self.excursion.is_some();
        let learn = !open || self.opened > self.opened_limit || self.learned < self.untaught;
        self.opened -= self.opened * self.opened_share;
        let mut best: Option<(usize, f64, f64)> = None;
        for index in 0..self.scales.len() {
            let scale = &mut self.scales[index];
            if !end.is_multiple_of(scale.stride) {
                continue;
            }
            let Some(statistic) = scale.statistic(&self.ring, self.since) else {
                continue;
            };
            if statistic > scale.upper_a || statistic < -scale.lower_a {
                let score = scale.score(statistic) - scale.threshold_score;
                if best.is_none_or(|(_, _, most)| score > most) {
                    best = Some((index, statistic, score));
                }
            }
            scale.note(statistic);
            if learn {
                scale.learn(&self.ring, self.since, statistic);
            }
        }
        self.learned += u64::from(learn);
        if self.learned < self.untaught {
            return Progress::Nothing;
        }
        match self.excursion {
            Some(_) => self.follow(best),
            None => {
                if let Some((index, statistic, _)) = best {
                    self.opened += self.opened_share;
                    self.open(index, statistic, next_id);
                }
                Progress::Nothing
            }
        }
    }

    /// Whether the next readings can be taken as a block: nothing is under way, and every statistic looks at readings only
    /// that may be compared.
    pub(super) fn is_calm(&self) -> bool {
        let reach = self.scales.iter().map(Scale::reach).max().unwrap_or(0);
        self.excursion.is_none()
            && !self.is_missing()
            && self.learned >= self.untaught
            && self.ring.end() >= self.since + reach
    }

    /// What [`Self::go_on`] changes.
    pub(super) const fn before(&self) -> ChannelBefore {
        ChannelBefore {
            ring: self.ring.mark(),
            level_a: self.level_a,
            opened: self.opened,
            step_a: self.step_a,
            last_raw: self.last_raw,
            learned: self.learned,
            noise_a: self.noise_a,
            quick_noise_a: self.quick_noise_a,
        }
    }

    /// Goes back to before the readings that were taken by [`Self::go_on`] since.
    pub(super) const fn take_back(&mut self, before: ChannelBefore) {
        self.ring.take_back(before.ring);
        self.level_a = before.level_a;
        self.opened = before.opened;
        self.step_a = before.step_a;
        self.last_raw = before.last_raw;
        self.learned = before.learned;
        self.noise_a = before.noise_a;
        self.quick_noise_a = before.quick_noise_a;
    }

    /// Takes the next reading, ripple removed, of a block: as [`Self::push`] where nothing is under way, but for the
    /// scales.
    pub(super) fn go_on(&mut self, value: f64) {
        self.ring.push(value);
        self.level_a += (value - self.level_a) * self.level_share;
        self.measure_noise(value);
        self.opened -= self.opened * self.opened_share;
        self.learned += 1;
    }

    /// Works out the statistics of a block of so many readings; says whether one passes a threshold.
    pub(super) fn work_out(&mut self, readings: usize) -> bool {
        let ring = &self.ring;
        self.scales.iter_mut().any(|scale| scale.work_out(ring, readings))
    }

    /// Learns the statistics of that block.
    pub(super) fn learn_block(&mut self, readings: usize) {
        for scale in &mut self.scales {
            scale.learn_fresh(&self.ring, self.since, readings);
        }
    }

    fn measure_noise(&mut self, value: f64) {
        let end = self.ring.end();
        // At the start the share is larger, so that the first seconds count.
        let share = if end < self.noise_settled {
            self.noise_share.max(2.0 / (end as f64 + 20.0))
        } else {
            self.noise_share
        };
        let follow = |mean: &mut f64, value: f64| {
            let seen = if *mean > 0.0 {
                value.min(4.0 * *mean)
            } else {
                value
            };
            *mean += (seen - *mean) * share;
        };
        let quick = self.second_difference(end - 2).abs();
        follow(&mut self.quick_noise_a, quick);
        if self.excursion.is_none() {
            follow(&mut self.noise_a, (value - self.level_a).abs());
        }
    }

    /// How far the reading at `position` stands from the mean of its two neighbours, in amperes.
    pub(super) fn second_difference(&self, position: u64) -> f64 {
        self.ring.at(position) - 0.5 * (self.ring.at(position - 1) + self.ring.at(position + 1))
    }

    fn open(&mut self, index: usize, statistic: f64, next_id: &mut u64) {
        let end = self.ring.end();
        let scale = &self.scales[index];
        let first_start = end - scale.window;
        let base_length = scale
            .baseline()
            .min(first_start.saturating_sub(self.since))
            .max(1);
        self.excursion = Some(Excursion {
            id: *next_id,
            first_start,
            found_at: end,
            peak_score: scale.score(statistic),
            peak_scale: index,
            peak_end: end,
            peak_a: statistic,
            base_a: self.ring.mean(first_start - base_length, first_start),
            base_length,
            last_away: end,
            decided: false,
            echo: false,
        });
        *next_id += 1;
    }

    fn follow(&mut self, best: Option<(usize, f64, f64)>) -> Progress {
        let end = self.ring.end();
        let Some(excursion) = &mut self.excursion else {
            return Progress::Nothing;
        };
        if let Some((index, statistic, _)) = best {
            let scale = &self.scales[index];
            let score = scale.score(statistic);
            let better = score - scale.threshold_score
                > excursion.peak_score - self.scales[excursion.peak_scale].threshold_score;
            let start = end - scale.window;
            if !excursion.decided
                && better
                && start <= excursion.first_start + scale.window / 4
                && statistic.signum() == excursion.peak_a.signum()
            {
                excursion.peak_score = score;
                excursion.peak_scale = index;
                excursion.peak_end = end;
                excursion.peak_a = statistic;
                if start <= excursion.first_start {
                    excursion.first_start = start;
                    excursion.base_length = scale.baseline().min(start.saturating_sub(self.since)).max(1);
                    excursion.base_a = self.ring.mean(start - excursion.base_length, start);
                }
            }
        }
        let window = (self.scales[excursion.peak_scale].window / 2).max(1);
        let away =
            (self.ring.mean(end - window, end) - excursion.base_a).abs() > 0.5 * excursion.peak_a.abs();
        let away = away
            || self
                .scales
                .iter()
                .take_while(|scale| scale.window <= 2 * window)
                .any(|scale| {
                    let value = self.ring.mean(end - scale.window, end) - excursion.base_a;
                    value > scale.upper_a || value < -scale.lower_a
                });
        if away {
            excursion.last_away = end;
        }
        if end - excursion.last_away >= self.spans.hold.max(window + window / 2) {
            return Progress::Returned;
        }
        if end - excursion.first_start >= self.spans.latch {
            return Progress::Latched;
        }
        if !excursion.decided && end - excursion.found_at >= self.spans.look_ahead {
            excursion.decided = true;
            return Progress::Decide;
        }
        Progress::Nothing
    }

    /// Whether enough was seen of an excursion to tell it from what [`Self::turn_into_pulse`] looks for.
    pub(super) fn can_tell_pulse(&self, excursion: &Excursion) -> bool {
        let window = self.scales[excursion.peak_scale].window.max(4);
        self.ring.end() > excursion.first_start + window + 4
    }

    /// What was taken for a change may be the level coming back, or only a baseline with a pulse in it: the current is
    /// where it was before a pulse that stayed below the threshold, as the load's own changes do. Then the excursion is
    /// made that pulse, which is over.
    pub(super) fn turn_into_pulse(&mut self) -> bool {
        let pulse = self
            .excursion
            .as_ref()
            .and_then(|excursion| self.pulse_of(excursion));
        let is_pulse = pulse.is_some();
        if is_pulse {
            self.excursion = pulse;
        }
        is_pulse
    }

    /// The excursion as such a pulse, where it is one.
    pub(super) fn pulse_of(&self, excursion: &Excursion) -> Option<Excursion> {
        let end = self.ring.end();
        let window = self.scales[excursion.peak_scale].window.max(4);
        let edge = excursion.first_start;
        if !self.can_tell_pulse(excursion) {
            return None;
        }
        let now_a = self.ring.mean(edge + window / 2, end);
        let size_a = now_a - excursion.base_a;
        let near = |mean_a: f64, level_a: f64| (mean_a - level_a).abs() < 0.5 * size_a.abs();
        let still = near(self.ring.mean(edge + window, end), now_a);
        if size_a * excursion.peak_a.signum() < 0.5 * excursion.peak_a.abs() || !still {
            return None;
        }
        let from = self
            .since
            .max(self.ring.oldest())
            .max(edge.saturating_sub(excursion.base_length.max(4 * self.spans.pulse)));
        // The window that gave it away may have begun a little before the pulse was over.
        let edge = edge + window / 4;
        let pulse = pulse_before(&self.ring, from, edge, -size_a.signum(), self.spans.pulse)?;
        // At rest before it for longer than it lasted, or this is the return to what was the level before.
        let rest = (3 * pulse.length()).max(self.spans.look_ahead / 2);
        if pulse.from < from + rest {
            return None;
        }
        let before_a = self.ring.mean(from, pulse.from);
        let pulse_a = self.ring.mean(pulse.from, pulse.to) - before_a;
        let calm_between =
            pulse.to + 4 >= edge || (self.ring.mean(pulse.to + 2, edge) - now_a).abs() < 0.3 * pulse_a.abs();
        if !near(before_a, now_a) || !calm_between || pulse_a.abs() < 0.5 * size_a.abs() {
            return None;
        }
        Some(Excursion {
            first_start: pulse.from,
            peak_scale: (pulse.length().ilog2() as usize).min(self.scales.len() - 1),
            peak_end: pulse.to,
            peak_a: pulse_a,
            base_a: before_a,
            base_length: pulse.from - from,
            last_away: pulse.to,
            echo: true,
            ..excursion.clone()
        })
    }

    /// Ends the excursion; comparisons start anew after it.
    pub(super) fn close(&mut self, progress: Progress) {
        let end = self.ring.end();
        let Some(excursion) = self.excursion.take() else {
            return;
        };
        self.since = match progress {
            Progress::Latched => end.saturating_sub(self.spans.settle),
            _ => (excursion.last_away + 1).min(end),
        };
        if self.since < end {
            self.level_a = self.ring.mean(self.since, end);
        }
    }

    /// Works thresholds out anew. `step_a` is the converter's step.
    pub(super) fn refresh(&mut self, step_a: Option<f64>, rate_hz: f64) {
        let step = step_a.unwrap_or(if self.step_a.is_finite() { self.step_a } else { 0.0 });
        // A reading that scatters by half a step or more dithers the converter, and means over many readings are finer.
        let dithered = self.scales[0].tails.bulk() > 0.5 * step;
        for scale in &mut self.scales {
            let floor = if dithered { 0.0 } else { 0.5 * step };
            scale.refresh(floor, 150.0, &mut self.work);
            if scale.tails.values() * scale.stride as f64 > 120.0 * rate_hz {
                scale.tails.forget_half();
            }
        }
    }

    /// Starts learning from nothing: the noise has become another.
    pub(super) fn relearn(&mut self) {
        for scale in &mut self.scales {
            scale.clear();
        }
        self.since = self.ring.end();
        self.excursion = None;
    }

    /// Spread in amperes of the bulk of the means over `readings`, without regard to what the load does now and then.
    pub(super) fn core(&self, readings: u64) -> f64 {
        let index = (readings.max(1).ilog2() as usize).min(self.scales.len() - 1);
        let core = self.scales[index].core();
        if core.is_finite() {
            core.max(0.4 * self.spread(readings))
        } else {
            self.spread(readings)
        }
    }

    /// Spread in amperes of a mean over `readings`, against the level before.
    pub(super) fn spread(&self, readings: u64) -> f64 {
        let index = (readings.max(1).ilog2() as usize).min(self.scales.len() - 1);
        let mut spread = self.scales[index].spread();
        let mut lower = index;
        while !spread.is_finite() && lower > 0 {
            lower -= 1;
            spread = self.scales[lower].spread();
        }
        if !spread.is_finite() {
            // Mean magnitude to standard deviation of Gaussian noise: the root of half of pi.
            spread = self.noise_a * std::f64::consts::FRAC_PI_2.sqrt();
        }
        spread
    }
}

/// A stretch of readings that stands out.
#[derive(Clone, Copy, Debug)]
struct Pulse {
    from: u64,
    to: u64,
}

impl Pulse {
    const fn length(self) -> u64 {
        self.to - self.from
    }
}

/// The stretch of `from..to` that stands out most in the direction of `sign`, over means of four readings, when it is
/// shorter than `longest`.
fn pulse_before(ring: &SumRing, from: u64, to: u64, sign: f64, longest: u64) -> Option<Pulse> {
    const WIDTH: u64 = 4;
    let last = to.checked_sub(WIDTH).filter(|last| *last > from)?;
    let level_a = ring.mean(from, to);
    let height = |at: u64| sign * (ring.mean(at, at + WIDTH) - level_a);
    let (top, most_a) = (from..=last)
        .map(|at| (at, height(at)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let above = |at: &u64| height(*at) > 0.5 * most_a;
    let first = (from..=top).rev().take_while(above).last()?;
    let beyond = (top..=last).take_while(above).last()?;
    // A mean of four is half up when half of its readings are.
    let pulse = Pulse {
        from: first + WIDTH / 2,
        to: (beyond + WIDTH / 2).max(first + WIDTH / 2 + 1),
    };
    (pulse.length() <= longest && first > from).then_some(pulse)
}
