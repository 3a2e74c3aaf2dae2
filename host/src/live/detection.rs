//! Events, found while the readings come: the analysis crate's detector behind a stream's outputs.

use std::collections::VecDeque;
use std::time::Instant;

use steadybench_analysis::events::{Event, EventDetector, EventKind, EventSettings, EventUpdate};
use steadybench_analysis::sample::{Mark, MarkKind};

use crate::recorder::HostMarkKind;
use crate::stream::{MarkRow, MarkSource, Output, Reading, When};

use super::sample_of;

/// Onsets remembered for events that are revised; the detector itself keeps as many.
const ONSETS_MAX: usize = 64;

/// Arrivals remembered: at 20 ms a frame more than any onset lies back.
const ARRIVALS_MAX: usize = 64;

/// An event on the run's time line.
#[derive(Clone, Debug, PartialEq)]
pub struct Detected {
    /// Its onset.
    pub when: When,
    /// What the detector says.
    pub event: Event,
    /// Whether this supersedes what was said of the same number before.
    pub revised: bool,
    /// When the bytes came that hold the reading at its onset; `None` where nobody said so.
    pub arrived: Option<Instant>,
}

/// Finds events in what a stream gives, decided within 50 ms of data.
pub struct Detection {
    detector: EventDetector,
    begun: bool,
    last: When,
    onsets: VecDeque<(u64, When)>,
    /// The last reading of what came, and when that was.
    arrivals: VecDeque<(i64, Instant)>,
}

impl Default for Detection {
    fn default() -> Self {
        Self {
            detector: EventDetector::new(EventSettings::default()),
            begun: false,
            last: When::default(),
            onsets: VecDeque::new(),
            arrivals: VecDeque::new(),
        }
    }
}

impl std::fmt::Debug for Detection {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Detection")
            .field("last", &self.last)
            .finish_non_exhaustive()
    }
}

impl Detection {
    /// Takes what the stream gave, and gives what that brings to light, some 20 ms of readings at a time; [`Self::settle`]
    /// waits for none.
    pub fn take(&mut self, output: &Output, found: &mut impl FnMut(Detected)) {
        match output {
            // The rate is the board's own; a board that is set up is met before its first reading.
            Output::Board { hello, .. } if !self.begun => {
                self.detector = EventDetector::new(EventSettings {
                    rate_hz: Some(1e6 / f64::from(hello.reading_period_us.max(1))),
                    ..EventSettings::default()
                });
            }
            Output::Reading(reading) => self.take_reading(reading),
            Output::Mark(mark) => self.take_mark(mark),
            _ => return,
        }
        self.give(found);
    }

    /// Gives what the readings so far bring to light, as when a read of the port brought no more.
    pub fn settle(&mut self, found: &mut impl FnMut(Detected)) {
        self.detector.settle();
        self.give(found);
    }

    /// The recording is over: what is under way is given as it stands.
    pub fn finish(&mut self, found: &mut impl FnMut(Detected)) {
        self.detector.finish();
        self.give(found);
    }

    fn take_reading(&mut self, reading: &Reading) {
        if let Some(sample) = sample_of(reading) {
            self.begun = true;
            self.last = reading.when;
            self.detector.push(&sample);
        }
    }

    fn take_mark(&mut self, mark: &MarkRow) {
        if mark.source == MarkSource::Operator(HostMarkKind::Command)
            && let Some(elapsed_us) = mark.when.elapsed_us
        {
            self.detector.mark(&Mark {
                time_s: elapsed_us as f64 * 1e-6,
                kind: MarkKind::Command,
                label: mark.label.clone(),
            });
        }
    }

    fn give(&mut self, found: &mut impl FnMut(Detected)) {
        while let Some(update) = self.detector.next_update() {
            let revised = matches!(update, EventUpdate::Revised(_));
            let (EventUpdate::Found(event) | EventUpdate::Revised(event)) = update;
            let detected = self.placed(event, revised);
            found(detected);
        }
    }

    /// The readings taken since this was last called came at `at`.
    pub fn arrived(&mut self, at: Instant) {
        let Some(elapsed_us) = self.last.elapsed_us else {
            return;
        };
        if self
            .arrivals
            .back()
            .is_some_and(|(before_us, _)| *before_us == elapsed_us)
        {
            return;
        }
        if self.arrivals.len() == ARRIVALS_MAX {
            self.arrivals.pop_front();
        }
        self.arrivals.push_back((elapsed_us, at));
    }

    /// A first look at what is not decided yet, once for each: what is said of the same number later may take it back.
    pub fn glimpse(&mut self) -> Option<Detected> {
        let event = self.detector.glimpse()?;
        let glimpsed = self.placed(event, false);
        // The onset may be placed better when it is decided.
        self.onsets.retain(|(id, _)| *id != glimpsed.event.id);
        Some(glimpsed)
    }

    fn placed(&mut self, event: Event, revised: bool) -> Detected {
        let when = self.onset(&event);
        let arrived = when.elapsed_us.and_then(|onset_us| {
            let holds = self
                .arrivals
                .iter()
                .position(|(last_us, _)| *last_us >= onset_us)?;
            // The first may hold what was before, too; then nobody knows any more.
            (holds > 0).then(|| self.arrivals[holds].1)
        });
        Detected {
            when,
            event,
            revised,
            arrived,
        }
    }

    /// The instant of an event's onset: from the last reading back by board time, once for each event.
    fn onset(&mut self, event: &Event) -> When {
        if let Some((_, when)) = self.onsets.iter().find(|(id, _)| *id == event.id) {
            return *when;
        }
        let start_us = (event.start_s * 1e6).round() as i64;
        let back_us = self.last.elapsed_us.map_or(0, |last_us| last_us - start_us);
        let when = self.last.minus_micros(back_us);
        if self.onsets.len() == ONSETS_MAX {
            self.onsets.pop_front();
        }
        self.onsets.push_back((event.id, when));
        when
    }
}

/// The name of a kind of event, in files and on the terminal.
#[must_use]
pub const fn event_name(kind: EventKind) -> &'static str {
    match kind {
        EventKind::Dropout => "dropout",
        EventKind::Spike => "spike",
        EventKind::Step => "step",
        EventKind::Chatter => "chatter",
        EventKind::LoadChange => "load_change",
        EventKind::Nuisance => "nuisance",
    }
}
