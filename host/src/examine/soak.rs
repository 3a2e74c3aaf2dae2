//! A soak with its short events: the examination of the slow course sees a second at a time, the detector every reading.

use std::collections::BTreeMap;

use serde::Serialize;
use steadybench_analysis::events::{Event, EventDetector, EventSettings, EventUpdate};
use steadybench_analysis::sample::{Mark, Sample};
use steadybench_analysis::soak::{SoakExamination, SoakFindings, SoakSettings};

/// Readings further apart than this are left to the slow course alone.
const FAST_PERIOD_S: f64 = 0.1;

/// Events longer than this are the slow course's own.
const SHORT_S: f64 = 1.0;

/// Over a night, only what the learned noise would bring less than once in a thousand hours is worth telling.
const SCORE_MIN: f64 = 3.0;

/// A unit that has just been switched on starts its programme and warms up while the detector learns its noise and its
/// rhythms; short events are told from so many seconds after the first reading on. A soak lasts hours.
const LEARNING_S: f64 = 300.0;

/// Short events kept at most; the rest are counted.
const SHORT_EVENTS_MAX: usize = 10_000;

/// A soak being examined.
pub struct SoakPass {
    course: SoakExamination,
    detector: EventDetector,
    before_s: Option<f64>,
    told_from_s: f64,
    fast: bool,
    short: BTreeMap<u64, Event>,
    forgotten: u64,
}

/// What a soak ended in.
#[derive(Debug, Serialize)]
pub struct SoakPassFindings {
    /// The slow course.
    #[serde(flatten)]
    pub course: SoakFindings,
    /// Faults shorter than a second, in order of time; empty where readings are too far apart to have any.
    pub short_events: Vec<Event>,
    /// From when on short faults were told, in seconds of the recording; `None` where readings are too far apart.
    pub short_events_from_s: Option<f64>,
    /// Short faults beyond those listed.
    pub short_events_forgotten: u64,
}

impl SoakPass {
    /// Begins; marks of switched loads keep their effects from being taken for faults.
    #[must_use]
    pub fn new(settings: SoakSettings, events: EventSettings, marks: &[Mark]) -> Self {
        let mut detector = EventDetector::new(events);
        for mark in marks {
            detector.mark(mark);
        }
        Self {
            course: SoakExamination::new(settings),
            detector,
            before_s: None,
            told_from_s: f64::INFINITY,
            fast: false,
            short: BTreeMap::new(),
            forgotten: 0,
        }
    }

    /// Takes the next sample.
    pub fn push(&mut self, sample: &Sample) {
        self.course.push(sample);
        if let Some(before_s) = self.before_s.replace(sample.time_s) {
            self.fast |= sample.time_s - before_s < FAST_PERIOD_S;
        } else {
            self.told_from_s = sample.time_s + LEARNING_S;
        }
        if self.fast {
            self.detector.push(sample);
            self.take_news();
        }
    }

    /// Takes a mark, before or after the fact.
    pub fn mark(&mut self, mark: &Mark) {
        self.detector.mark(mark);
        self.take_news();
    }

    fn take_news(&mut self) {
        while let Some(update) = self.detector.next_update() {
            let (EventUpdate::Found(event) | EventUpdate::Revised(event)) = update;
            let short = event.kind.is_fault() && event.end_s - event.start_s < SHORT_S;
            let told = short && event.start_s >= self.told_from_s && event.score >= SCORE_MIN;
            if !told {
                self.short.remove(&event.id);
            } else if self.short.len() < SHORT_EVENTS_MAX || self.short.contains_key(&event.id) {
                self.short.insert(event.id, event);
            } else {
                self.forgotten += 1;
            }
        }
    }

    /// Ends the examination.
    #[must_use]
    pub fn finish(mut self) -> SoakPassFindings {
        self.detector.finish();
        self.take_news();
        let mut short_events: Vec<Event> = self.short.into_values().collect();
        short_events.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        SoakPassFindings {
            course: self.course.finish(),
            short_events,
            short_events_from_s: self.fast.then_some(self.told_from_s),
            short_events_forgotten: self.forgotten,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A 5 ms opening in ten minutes of 1000 readings/s: a second's mean hardly moves, the finding must be there.
    #[test]
    fn a_short_dropout_in_a_fast_soak_is_told() {
        let mut pass = SoakPass::new(SoakSettings::default(), EventSettings::default(), &[]);
        let mut state = 1_u64;
        for index in 0..600_000_u32 {
            // A linear congruential generator (Knuth, MMIX) for noise of about ±0.1 mA.
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let noise = ((state >> 33) as f64 / f64::from(1_u32 << 31) - 0.5) * 4e-4;
            let time_s = f64::from(index) * 1e-3;
            // The first opening falls into the time in which the noise is learned, and is not told.
            let open = (100_000..100_005).contains(&index) || (400_000..400_005).contains(&index);
            let current = if open { 0.0 } else { 0.25 } + noise;
            pass.push(&Sample {
                current_a: [current, 0.25 - noise],
                ..Sample::missing_at(time_s)
            });
        }
        let findings = pass.finish();
        let told: Vec<_> = findings
            .short_events
            .iter()
            .map(|event| (event.channel, event.start_s.round()))
            .collect();
        assert_eq!(told, [(1, 400.0)], "{:?}", findings.short_events);
    }
}
