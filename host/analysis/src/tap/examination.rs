//! A tap recording from beginning to end.

use std::collections::BTreeMap;

use serde::Serialize;

use super::attribution::Attribution;
use super::settings::TapSettings;
use super::standing::{PlaceStanding, PlaceVerdict};
use crate::events::{Event, EventDetector, EventUpdate};
use crate::sample::{Mark, Sample};

/// Most events kept; beyond that the oldest harmless ones go first.
const MOST_EVENTS: usize = 50_000;
/// A step of the time stamps longer than this is time not observed, in seconds.
const GAP_S: f64 = 0.05;

/// Takes readings and marks, finds events, and attributes them to places.
///
/// ```
/// use steadybench_analysis::sample::{Mark, MarkKind, Sample};
/// use steadybench_analysis::tap::{TapExamination, TapSettings};
///
/// let marks = [Mark { time_s: 6.0, kind: MarkKind::Tap, label: "relay socket".to_owned() }];
/// let mut examination = TapExamination::new(TapSettings::default(), &marks);
/// for index in 0..8000_u32 {
///     let time_s = f64::from(index) * 0.001;
///     let noise_a = 1e-4 * f64::from(index.wrapping_mul(2_654_435_761) >> 16 & 0xff) / 256.0;
///     examination.push(&Sample { current_a: [0.2 + noise_a, 0.2 + noise_a], ..Sample::missing_at(time_s) });
/// }
/// let findings = examination.finish();
/// assert_eq!(findings.locations[0].taps, 1);
/// assert!(!findings.locations[0].accused);
/// ```
pub struct TapExamination {
    detector: EventDetector,
    attribution: Attribution,
    events: BTreeMap<u64, Event>,
    first_s: f64,
    last_s: f64,
    missing_s: f64,
    forgotten: u64,
}

/// An event with the place whose tap it followed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FoundEvent {
    /// The event.
    #[serde(flatten)]
    pub event: Event,
    /// Place of the tap whose window holds the onset, if any.
    pub place: Option<String>,
}

/// What a tap recording brought.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TapFindings {
    /// All events in the order of time, the harmless ones too.
    pub events: Vec<FoundEvent>,
    /// The places, most suspect first.
    pub locations: Vec<PlaceStanding>,
    /// Faults outside every tap's window.
    pub background_events: u64,
    /// Time observed outside every tap's window, in seconds.
    pub background_s: f64,
    /// Time observed altogether, in seconds.
    pub observed_s: f64,
    /// Innocent places seem to answer taps too (a blow felt next door, microphonics), so taps were compared with taps.
    pub blow_disturbs: bool,
    /// Events dropped because there were too many to keep.
    pub events_forgotten: u64,
}

impl TapFindings {
    /// The places that are accused, most suspect first.
    pub fn accused(&self) -> impl Iterator<Item = &PlaceStanding> {
        self.locations.iter().filter(|place| place.accused)
    }

    /// How many places are cleared.
    #[must_use]
    pub fn cleared(&self) -> usize {
        self.locations
            .iter()
            .filter(|place| place.verdict == PlaceVerdict::Cleared)
            .count()
    }

    /// The events that are faults, in the order of time.
    pub fn faults(&self) -> impl Iterator<Item = &FoundEvent> {
        self.events.iter().filter(|found| found.event.kind.is_fault())
    }
}

impl TapExamination {
    /// An examination that has seen nothing yet; marks known beforehand may be given, others by [`Self::mark`].
    #[must_use]
    pub fn new(settings: TapSettings, marks: &[Mark]) -> Self {
        let mut all = Self {
            detector: EventDetector::new(settings.events.clone()),
            attribution: Attribution::new(settings),
            events: BTreeMap::new(),
            first_s: f64::NAN,
            last_s: f64::NAN,
            missing_s: 0.0,
            forgotten: 0,
        };
        for mark in marks {
            all.mark(mark);
        }
        all
    }

    /// Takes a mark, in any order.
    pub fn mark(&mut self, mark: &Mark) {
        self.detector.mark(mark);
        self.attribution.mark(mark);
        self.collect();
    }

    /// Takes the next reading.
    pub fn push(&mut self, sample: &Sample) {
        if !sample.time_s.is_finite() {
            return;
        }
        if self.first_s.is_nan() {
            self.first_s = sample.time_s;
        } else if sample.time_s - self.last_s > GAP_S {
            self.missing_s += sample.time_s - self.last_s;
        }
        if self.last_s.is_nan() || sample.time_s > self.last_s {
            self.last_s = sample.time_s;
        }
        self.detector.push(sample);
        self.collect();
    }

    fn collect(&mut self) {
        while let Some(update) = self.detector.next_update() {
            let (EventUpdate::Found(event) | EventUpdate::Revised(event)) = update;
            self.events.insert(event.id, event);
            if self.events.len() > MOST_EVENTS {
                let harmless = self
                    .events
                    .iter()
                    .find(|(_, event)| !event.kind.is_fault())
                    .map(|(&id, _)| id);
                match harmless {
                    Some(id) => self.events.remove(&id),
                    None => self.events.pop_first().map(|(_, event)| event),
                };
                self.forgotten += 1;
            }
        }
    }

    /// How things stand now; may be asked at any time.
    #[must_use]
    pub fn standing(&self) -> TapFindings {
        let mut events: Vec<&Event> = self.events.values().collect();
        events.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        let onsets: Vec<f64> = events
            .iter()
            .filter(|event| event.kind.is_fault())
            .map(|event| event.start_s)
            .collect();
        let observed = (self.first_s, self.last_s);
        let attributed = self.attribution.attribute(&onsets, observed, self.missing_s);
        let mut places = attributed.place_of_event.iter();
        let events = events
            .into_iter()
            .map(|event| FoundEvent {
                event: event.clone(),
                place: if event.kind.is_fault() {
                    places
                        .next()
                        .copied()
                        .flatten()
                        .map(|place| attributed.labels[place].clone())
                } else {
                    None
                },
            })
            .collect();
        let observed_s = (observed.1 - observed.0 - self.missing_s).max(0.0);
        TapFindings {
            events,
            locations: attributed.places,
            background_events: attributed.background_events,
            background_s: attributed.background_s,
            observed_s: if observed_s.is_finite() { observed_s } else { 0.0 },
            blow_disturbs: attributed.blow_disturbs,
            events_forgotten: self.forgotten,
        }
    }

    /// Ends the recording.
    #[must_use]
    pub fn finish(mut self) -> TapFindings {
        self.detector.finish();
        self.collect();
        self.standing()
    }
}
