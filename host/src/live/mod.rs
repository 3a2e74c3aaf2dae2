//! What can be seen of a board while it is recorded: bounded memory, nobody waits for it.

mod analyst;
mod board_view;
mod columns;
mod detection;
mod hub;
pub mod standing;
mod trend;
pub mod view;

use std::collections::VecDeque;
use std::time::Instant;

use schemars::JsonSchema;
use serde::Serialize;
use steadybench_analysis::events::EventKind;
use steadybench_analysis::sample::Sample;
use steadybench_protocol::{GuardState, Hello, MarkEdge};

use crate::calibrations;
use crate::recorder::{HostMarkKind, serial_digits};
use crate::stream::{HappeningKind, MarkSource, Output, Reading, Stream, When};
use crate::units::Units;

use columns::Columns;
use trend::{Known, SHOWN_OVER_US, Trend};
use view::{DetectionView, GlimpseView, MarkView, TroubleView, utc_of};

pub use analyst::{Analyst, Standing, StandingView, WhenBehind, start_analyst};
pub use detection::{Detected, Detection, event_name};
pub use hub::{Event as LiveEvent, Hub, News, WATCHERS_MAX, Watcher};

/// Lines kept for whoever asks late.
const LINES_MAX: usize = 256;

/// The present state of one board.
#[derive(Clone, Debug, Default, Serialize, JsonSchema)]
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
    /// Why the guard tripped last.
    pub guard_cause: Option<String>,
    #[serde(skip)]
    now: Now,
    /// Events told, each with the word it had.
    #[serde(skip)]
    told: VecDeque<(u64, EventKind)>,
}

/// What the present state is made from.
#[derive(Clone, Debug, Default)]
struct Now {
    elapsed_us: i64,
    since_us: i64,
    arrived: Option<Instant>,
    trends: [Trend; 2],
    known: [Option<Known>; 2],
    units: Option<Units>,
    board_c: Option<f64>,
    /// Where the foot switch taps.
    foot_switch_place: String,
    columns: Columns,
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

    /// A new run begins, or standby: what is not the port's is forgotten.
    pub fn begin_anew(&mut self) {
        *self = Self {
            // Lines go on being counted, so that whoever shows them takes each once.
            events: self.events,
            serial: std::mem::take(&mut self.serial),
            ..Self::new(std::mem::take(&mut self.port))
        };
    }

    /// Takes what the stream gave, and tells the hub what is worth telling.
    pub fn take(&mut self, output: &Output, hub: &Hub) {
        match output {
            Output::Board { hello, units } => self.take_hello(hello, *units),
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
                self.tell_trouble(hub, "gap", words);
            }
            Output::Slow { slow, .. } => {
                self.now.board_c = slow.chip_c.into_iter().flatten().reduce(f64::max);
                self.rail_v = slow.rail_v.map(|rail| rail.map(|[latest, _, _]| latest));
                self.temperature_c = slow.temperature_c;
            }
            Output::Mark(mark) => {
                let words = match mark.source {
                    MarkSource::FootSwitch { edge, .. } => format!("foot switch {edge:?}").to_lowercase(),
                    MarkSource::Operator(kind) => format!("{}: {}", kind.name(), mark.label),
                };
                self.line(mark.when, &words);
                self.tell_mark(hub, mark);
            }
            Output::Happening(happening) => {
                let channel = happening
                    .channel
                    .map_or(String::new(), |number| format!("channel {number}: "));
                let words = format!("{channel}{}", happening.detail);
                if happening.kind == HappeningKind::GuardTrip {
                    self.guard_tripped = true;
                    self.guard = guard_word(GuardState::Tripped);
                    self.guard_cause = Some(words.clone());
                }
                self.line(happening.when, &words);
                self.tell_trouble(hub, happening.kind.name(), words);
            }
            Output::Health(health) => self.guard = guard_word(health.guard),
        }
    }

    /// Takes an event that the detector found. What it judges harmless, and a revision that keeps the word, is no news.
    pub fn take_event(&mut self, detected: &Detected, hub: &Hub) {
        let event = &detected.event;
        if event.kind.is_fault()
            && let Some(elapsed_us) = detected.when.elapsed_us
        {
            self.now.trends[usize::from(event.channel == 2)].take_fault(elapsed_us);
        }
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
        hub.publish(
            "detection",
            &DetectionView {
                number: event.id,
                revised: detected.revised,
                board: self.serial.clone(),
                channel: event.channel,
                kind: event_name(event.kind),
                fault: event.kind.is_fault(),
                common: event.kind == EventKind::LoadChange,
                at: detected.when.into(),
                size_a: event.size_a,
                size_uncertainty_a: event.size_uncertainty_a,
                duration_s: event.end_s - event.start_s,
                words,
                reason: event.reason.clone(),
                arrived_utc: detected.arrived.map(utc_of),
                said_utc: Some(utc_of(Instant::now())),
            },
        );
    }

    /// Takes a first look at an event, which may still turn out harmless; what looks harmless already is not told.
    pub fn take_glimpse(&mut self, glimpsed: &Detected, hub: &Hub) {
        let event = &glimpsed.event;
        if event.kind.is_fault() {
            hub.publish(
                "glimpse",
                &GlimpseView {
                    number: event.id,
                    board: self.serial.clone(),
                    channel: event.channel,
                    at: glimpsed.when.into(),
                    size_a: event.size_a,
                    arrived_utc: glimpsed.arrived.map(utc_of),
                    said_utc: utc_of(Instant::now()),
                },
            );
        }
    }

    fn tell_mark(&mut self, hub: &Hub, mark: &crate::stream::MarkRow) {
        let (kind, source) = match mark.source {
            MarkSource::FootSwitch {
                edge: MarkEdge::Pressed,
                ..
            } => (HostMarkKind::Tap, "pedal"),
            MarkSource::FootSwitch { .. } => return,
            MarkSource::Operator(kind) => (kind, "operator"),
        };
        if kind == HostMarkKind::Place {
            self.now.foot_switch_place.clone_from(&mark.label);
        }
        let label = if source == "pedal" {
            &self.now.foot_switch_place
        } else {
            &mark.label
        };
        hub.publish(
            "mark",
            &MarkView {
                board: self.serial.clone(),
                kind: kind.name(),
                label: label.clone(),
                at: mark.when.into(),
                source,
            },
        );
    }

    fn tell_trouble(&self, hub: &Hub, kind: &'static str, words: String) {
        hub.publish(
            "trouble",
            &TroubleView {
                board: Some(self.serial.clone()),
                kind,
                over: false,
                words,
            },
        );
    }

    /// Brings the counts up to date.
    pub fn count(&mut self, stream: &Stream) {
        let counts = stream.counts();
        self.lost_readings = counts.lost;
        if counts.instants > self.readings {
            self.now.arrived = Some(Instant::now());
        }
        self.readings = counts.instants;
        self.damaged_frames = counts.damaged;
    }

    /// Says something that is not the stream's.
    pub fn say(&mut self, words: &str) {
        self.line(When::default(), words);
    }

    fn take_hello(&mut self, hello: &Hello, units: Units) {
        self.serial = serial_digits(hello);
        self.guard = guard_word(hello.guard);
        let fitted = calibrations::store::as_built(hello, jiff::civil::Date::default());
        let calibration = calibrations::of(&self.serial).unwrap_or(&fitted);
        self.now.units = Some(units);
        self.now.known = [0, 1].map(|channel: usize| {
            Some(Known {
                calibration: calibration.channels[channel],
                setting: calibrations::setting_of(&hello.channels[channel]),
            })
        });
    }

    fn take_reading(&mut self, reading: &Reading) {
        let Some(elapsed_us) = reading.when.elapsed_us else {
            return;
        };
        self.elapsed_s = elapsed_us as f64 * 1e-6;
        if let Some(instant) = reading.when.utc {
            self.utc_bound_s = Some(instant.bound_s);
        }
        let now = &mut self.now;
        now.elapsed_us = elapsed_us;
        for (trend, code) in now.trends.iter_mut().zip(reading.codes) {
            trend.take(elapsed_us, code);
        }
        now.columns.take(elapsed_us, reading.current_a);
        if elapsed_us - now.since_us >= SHOWN_OVER_US {
            now.since_us = elapsed_us;
            let board_c = now.board_c.unwrap_or(25.0);
            for channel in [0, 1] {
                let Some(units) = now.units else { continue };
                let scale = units.channels[channel];
                let offset_a = scale.current_a(0);
                let current_a = |code: f64| code * scale.current_step_a() + offset_a;
                now.trends[channel].close(elapsed_us, current_a, now.known[channel].as_ref(), board_c);
                self.current_a[channel] = now.trends[channel].shown_a();
            }
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
