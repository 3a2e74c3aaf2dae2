//! What can be seen of a board while it is recorded: bounded memory, nobody waits for it.

mod detection;

use std::collections::VecDeque;

use serde::Serialize;
use steadybench_analysis::events::EventKind;
use steadybench_analysis::sample::Sample;
use steadybench_protocol::{GuardState, Hello};

use crate::recorder::serial_digits;
use crate::stream::{HappeningKind, MarkSource, Output, Reading, Stream, When};

pub use detection::{Detected, Detection, event_name};

/// The shown current is the mean over so much board time, in microseconds.
const SHOWN_OVER_US: i64 = 500_000;

/// Lines kept for whoever asks late.
const LINES_MAX: usize = 256;

/// The present state of one board.
#[derive(Clone, Debug, Default, Serialize)]
pub struct LiveBoard {
    /// The name its port was given by.
    pub port: String,
    /// Its identity, in hexadecimal digits.
    pub serial: String,
    /// Whether the port is open and the board measures.
    pub measuring: bool,
    /// Seconds of board time since the run's first reading.
    pub elapsed_s: f64,
    /// Currents in amperes, mean over the last half second; `None` is missing.
    pub current_a: [Option<f64>; 2],
    /// Rail voltages in volts.
    pub rail_v: [Option<f64>; 2],
    /// Thermistors in degrees Celsius.
    pub temperature_c: [Option<f64>; 2],
    /// Reading instants recorded.
    pub readings: u64,
    /// Reading instants that never arrived.
    pub lost_readings: u64,
    /// Frames that came damaged.
    pub damaged_frames: u64,
    /// How far the readings' UTC may be off, in seconds.
    pub utc_bound_s: Option<f64>,
    /// `off`, `armed` or `tripped`.
    pub guard: &'static str,
    /// Whether the guard has opened the relay at any time in this run.
    pub guard_tripped: bool,
    /// Whether another board than the run's stands on the port at present.
    pub another_board: bool,
    /// Events since the run began.
    pub events: u64,
    /// The latest events in words, oldest first, each with its number.
    pub lines: VecDeque<(u64, String)>,
    #[serde(skip)]
    shown: Shown,
    /// Events told, each with the word it had.
    #[serde(skip)]
    told: VecDeque<(u64, EventKind)>,
}

/// The means in progress.
#[derive(Clone, Copy, Debug, Default)]
struct Shown {
    since_us: i64,
    sums: [f64; 2],
    counts: [u32; 2],
}

impl LiveBoard {
    /// A board on `port` that has shown nothing yet.
    #[must_use]
    pub fn new(port: String) -> Self {
        Self {
            port,
            guard: "off",
            ..Self::default()
        }
    }

    /// Takes what the stream gave.
    pub fn take(&mut self, output: &Output) {
        match output {
            Output::Board { hello, .. } => self.take_hello(hello),
            Output::Reading(reading) => self.take_reading(reading),
            Output::Gap(gap) => {
                let words = match gap.first_index {
                    Some(_) => format!("gap: {} readings missing, {}", gap.readings, gap.cause.words()),
                    None => format!(
                        "gap of {:.1} s: {}",
                        gap.duration_us as f64 * 1e-6,
                        gap.cause.words()
                    ),
                };
                self.line(gap.when, &words);
            }
            Output::Slow { slow, .. } => {
                self.rail_v = slow.rail_v.map(|rail| rail.map(|[latest, _, _]| latest));
                self.temperature_c = slow.temperature_c;
            }
            Output::Mark(mark) => {
                let words = match mark.source {
                    MarkSource::FootSwitch { edge, .. } => format!("foot switch {edge:?}").to_lowercase(),
                    MarkSource::Operator(kind) => format!("{}: {}", kind.name(), mark.label),
                };
                self.line(mark.when, &words);
            }
            Output::Happening(happening) => {
                self.guard_tripped |= happening.kind == HappeningKind::GuardTrip;
                let channel = happening
                    .channel
                    .map_or(String::new(), |number| format!("channel {number}: "));
                self.line(happening.when, &format!("{channel}{}", happening.detail));
            }
            Output::Health(health) => self.guard = guard_word(health.guard),
        }
    }

    /// Takes an event that the detector found. What it judges harmless, and a revision that keeps the word, is no news.
    pub fn take_event(&mut self, detected: &Detected) {
        let event = &detected.event;
        let harmless = event.kind == EventKind::Nuisance;
        let same = self.told.iter().any(|told| *told == (event.id, event.kind));
        if same || harmless && !detected.revised {
            return;
        }
        if self.told.len() == LINES_MAX {
            self.told.pop_front();
        }
        self.told.push_back((event.id, event.kind));
        let words = format!(
            "{} on channel {}: {:+.4} A for {:.1} ms{}",
            event_name(event.kind).replace('_', " "),
            event.channel,
            event.size_a,
            (event.end_s - event.start_s) * 1e3,
            if detected.revised { " (revised)" } else { "" },
        );
        self.line(detected.when, &words);
    }

    /// Brings the counts up to date.
    pub fn count(&mut self, stream: &Stream) {
        let counts = stream.counts();
        self.readings = counts.instants;
        self.lost_readings = counts.lost;
        self.damaged_frames = counts.damaged;
    }

    /// Says something that is not the stream's.
    pub fn say(&mut self, words: &str) {
        self.line(When::default(), words);
    }

    fn take_hello(&mut self, hello: &Hello) {
        self.serial = serial_digits(hello);
        self.guard = guard_word(hello.guard);
    }

    fn take_reading(&mut self, reading: &Reading) {
        let Some(elapsed_us) = reading.when.elapsed_us else {
            return;
        };
        self.elapsed_s = elapsed_us as f64 * 1e-6;
        if let Some(instant) = reading.when.utc {
            self.utc_bound_s = Some(instant.bound_s);
        }
        for (channel, current_a) in reading.current_a.into_iter().enumerate() {
            if let Some(current_a) = current_a {
                self.shown.sums[channel] += current_a;
                self.shown.counts[channel] += 1;
            }
        }
        if elapsed_us - self.shown.since_us >= SHOWN_OVER_US {
            self.current_a = [0, 1].map(|channel: usize| {
                let count = self.shown.counts[channel];
                (count > 0).then(|| self.shown.sums[channel] / f64::from(count))
            });
            self.shown = Shown {
                since_us: elapsed_us,
                ..Shown::default()
            };
        }
    }

    fn line(&mut self, when: When, words: &str) {
        let at = when
            .elapsed_us
            .map_or(String::new(), |us| format!("{:.3} s  ", us as f64 * 1e-6));
        if self.lines.len() == LINES_MAX {
            self.lines.pop_front();
        }
        self.lines.push_back((self.events, format!("{at}{words}")));
        self.events += 1;
    }
}

/// A reading as the examinations take it; `None` before the run's first.
///
/// Slow values stand only in the reading they came with.
#[must_use]
pub fn sample_of(reading: &Reading) -> Option<Sample> {
    let time_s = reading.when.elapsed_us? as f64 * 1e-6;
    let or_missing = |value: Option<f64>| value.unwrap_or(f64::NAN);
    let slow = reading.slow.unwrap_or_default();
    Some(Sample {
        time_s,
        current_a: reading.current_a.map(or_missing),
        rail_v: slow
            .rail_v
            .map(|rail| or_missing(rail.map(|[latest, _, _]| latest))),
        temperature_c: slow.temperature_c.map(or_missing),
    })
}

const fn guard_word(guard: GuardState) -> &'static str {
    match guard {
        GuardState::Off => "off",
        GuardState::Armed => "armed",
        GuardState::Tripped => "tripped",
    }
}
