//! Keeps what matters of one channel's stream: before, around and long after the switch-on, in bounded memory.

use std::collections::VecDeque;

use super::envelope::Envelope;
use super::trace::{Trace, median};

/// Time kept before the switch-on.
const BEFORE_S: f64 = 2.0;
/// Readings kept before the switch-on, whatever the rate.
const BEFORE_READINGS: usize = 40_000;
/// Readings kept of the end of the recording, whatever the rate.
const RECENT_READINGS: usize = 200_000;
/// Rail readings kept, of which the middle one stands for the rail before; a switch-on is noticed within a few readings.
const RAIL_READINGS: usize = 24;
/// The last of them, which may be from after the switch-on, count for the rail's sag too.
const RAIL_LATE_READINGS: usize = 8;
/// Readings that must be seen before a rise can be told from the level before it.
const LEARNING_READINGS: u64 = 10;

/// Level and spread of the current before the switch-on, learnt as it streams.
#[derive(Clone, Debug, Default)]
struct Baseline {
    count: u64,
    mean: f64,
    deviation: f64,
    smallest_step: f64,
    last: f64,
    high_in_a_row: u32,
}

impl Baseline {
    /// Takes a reading and tells whether it belongs to a switch-on.
    fn push(&mut self, value: f64, gain: f64) -> bool {
        if self.count == 0 {
            self.mean = value;
            self.last = value;
        }
        let step = (value - self.last).abs();
        self.last = value;
        let away = (value - self.mean).abs();
        let spread = self.deviation.max(self.smallest_step).max(1e-12);
        if self.count >= LEARNING_READINGS {
            if away > 8.0 * spread {
                self.high_in_a_row += 1;
                if self.high_in_a_row >= 3 || away > 40.0 * spread {
                    return true;
                }
                return false;
            }
            self.high_in_a_row = 0;
        }
        if step > 0.0 && (self.smallest_step == 0.0 || step < self.smallest_step) {
            self.smallest_step = step;
        }
        self.count += 1;
        let weight = gain.max(1.0 / self.count as f64);
        self.mean += weight * (value - self.mean);
        self.deviation += weight * (away - self.deviation);
        false
    }
}

/// One channel's stream, reduced.
#[derive(Clone, Debug)]
pub(crate) struct Capture {
    cycle_s: f64,
    capacity: usize,
    times: VecDeque<f64>,
    values: VecDeque<f64>,
    recent: VecDeque<(f64, f64)>,
    baseline: Baseline,
    rail: VecDeque<f64>,
    rail_before: Option<f64>,
    trigger_s: Option<f64>,
    highest: f64,
    complete: bool,
    late_peak: Option<(f64, f64)>,
    earlier_switch_ons: u32,
    missing: u64,
    envelope: Envelope,
    last_time_s: f64,
}

impl Capture {
    pub(crate) fn new(cycle_s: f64, capacity: usize) -> Self {
        Self {
            cycle_s,
            capacity: capacity.max(1000),
            times: VecDeque::new(),
            values: VecDeque::new(),
            recent: VecDeque::new(),
            baseline: Baseline::default(),
            rail: VecDeque::new(),
            rail_before: None,
            trigger_s: None,
            highest: 0.0,
            complete: false,
            late_peak: None,
            earlier_switch_ons: 0,
            missing: 0,
            envelope: Envelope::new(cycle_s),
            last_time_s: f64::NEG_INFINITY,
        }
    }

    pub(crate) fn push(&mut self, time_s: f64, current_a: f64, rail_v: f64) {
        if !time_s.is_finite() || time_s < self.last_time_s {
            self.missing += 1;
            return;
        }
        let step_s = time_s - self.last_time_s;
        self.last_time_s = time_s;
        if rail_v.is_finite() {
            self.rail.push_back(rail_v);
            if self.rail.len() > RAIL_READINGS {
                self.rail.pop_front();
            }
        }
        self.envelope.push(time_s, current_a, rail_v);
        if !current_a.is_finite() {
            self.missing += 1;
            return;
        }
        self.keep_recent(time_s, current_a);
        match self.trigger_s {
            None => {
                self.keep(time_s, current_a);
                // The baseline forgets over half a second, so a slow drift of the standby doesn't set it off.
                let gain = (step_s / 0.5).clamp(1e-6, 0.1);
                if self.baseline.push(current_a, gain) {
                    self.start(time_s, current_a);
                } else {
                    self.drop_old(time_s);
                }
            }
            Some(_) if !self.complete => {
                self.highest = self.highest.max(current_a.abs());
                self.keep(time_s, current_a);
                self.complete = self.times.len() >= self.capacity;
            }
            Some(_) => self.after_capture(time_s, current_a),
        }
    }

    fn keep(&mut self, time_s: f64, value: f64) {
        self.times.push_back(time_s);
        self.values.push_back(value);
    }

    fn keep_recent(&mut self, time_s: f64, value: f64) {
        let span_s = (12.0 * self.cycle_s).max(1.0);
        self.recent.push_back((time_s, value));
        while self.recent.len() > RECENT_READINGS
            || self
                .recent
                .front()
                .is_some_and(|(first, _)| time_s - first > span_s)
        {
            self.recent.pop_front();
        }
    }

    fn drop_old(&mut self, time_s: f64) {
        while self.times.len() > BEFORE_READINGS.min(self.capacity / 2)
            || self.times.front().is_some_and(|first| time_s - first > BEFORE_S)
        {
            self.times.pop_front();
            self.values.pop_front();
        }
    }

    fn start(&mut self, time_s: f64, value: f64) {
        self.trigger_s = Some(time_s);
        self.highest = value.abs();
        self.complete = false;
        self.late_peak = None;
        // The envelope begins a little before the trigger, so that the block before it can be looked at too.
        self.envelope.clear(self.cycle_s);
        for (time, current) in self.times.iter().zip(&self.values) {
            if *time >= time_s - 2.0 * self.cycle_s {
                self.envelope.push(*time, *current, f64::NAN);
            }
        }
        let mut before: Vec<f64> = self.rail.iter().copied().collect();
        self.rail_before = (!before.is_empty()).then(|| median(&mut before));
        for rail_v in self.rail.iter().rev().take(RAIL_LATE_READINGS) {
            self.envelope.push(time_s, f64::NAN, *rail_v);
        }
    }

    /// Once the capture is full only its long view goes on; a rise to twice its peak is a new, greater switch-on.
    fn after_capture(&mut self, time_s: f64, value: f64) {
        let height = value.abs();
        if height > 2.0 * self.highest {
            self.earlier_switch_ons += 1;
            self.times.clear();
            self.values.clear();
            for (time, current) in &self.recent {
                self.times.push_back(*time);
                self.values.push_back(*current);
            }
            self.start(time_s, value);
        } else if height > self.highest && self.late_peak.is_none_or(|(_, late)| height > late) {
            self.late_peak = Some((time_s, height));
        }
    }

    pub(crate) fn trigger_s(&self) -> Option<f64> {
        self.trigger_s
    }

    pub(crate) fn complete(&self) -> bool {
        self.complete
    }

    pub(crate) fn last_time_s(&self) -> f64 {
        self.last_time_s
    }

    pub(crate) fn missing(&self) -> u64 {
        self.missing
    }

    pub(crate) fn earlier_switch_ons(&self) -> u32 {
        self.earlier_switch_ons
    }

    pub(crate) fn late_peak(&self) -> Option<(f64, f64)> {
        self.late_peak
    }

    pub(crate) fn rail_before(&self) -> Option<f64> {
        self.rail_before
    }

    pub(crate) fn envelope(&self) -> &Envelope {
        &self.envelope
    }

    /// The full-rate readings around the switch-on.
    pub(crate) fn trace(&self) -> Trace {
        Trace::new(
            self.times.iter().copied().collect(),
            self.values.iter().copied().collect(),
        )
    }

    /// The full-rate readings of the end of the recording.
    pub(crate) fn recent(&self) -> Trace {
        let (times, values) = self.recent.iter().copied().unzip();
        Trace::new(times, values)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fed(readings: impl Iterator<Item = f64>, capacity: usize) -> Capture {
        let mut capture = Capture::new(0.02, capacity);
        for (index, value) in readings.enumerate() {
            capture.push(index as f64 * 1e-3, value, f64::NAN);
        }
        capture
    }

    #[test]
    fn waits_on_a_standby_with_noise_and_starts_on_a_step() {
        let quiet = |index: usize| 0.05 + 0.001 * ((index * 7919 % 13) as f64 - 6.0);
        let capture = fed((0..20_000).map(quiet), 10_000);
        assert_eq!(capture.trigger_s(), None);
        let capture = fed(
            (0..20_000).map(|index| quiet(index) + f64::from(u8::from(index >= 12_000))),
            10_000,
        );
        assert!((capture.trigger_s().unwrap() - 12.0).abs() < 0.005);
    }

    #[test]
    fn a_greater_switch_on_after_a_full_capture_replaces_it() {
        let level = |index: usize| match index {
            0..1000 => 0.0,
            1000..50_000 => 0.1,
            _ => 1.0,
        };
        let capture = fed((0..60_000).map(level), 5000);
        assert_eq!(capture.earlier_switch_ons(), 1);
        assert!((capture.trigger_s().unwrap() - 50.0).abs() < 0.005);
        assert!(capture.trace().len() <= 5000);
    }

    #[test]
    fn memory_is_bounded_whatever_comes() {
        let capture = fed(
            (0..1_000_000).map(|index| {
                if index % 3 == 0 {
                    f64::NAN
                } else {
                    f64::from(index % 100)
                }
            }),
            5000,
        );
        assert!(capture.trace().len() <= 5000);
        assert!(capture.recent().len() <= 1100);
        assert_eq!(capture.missing(), 333_334);
    }
}
