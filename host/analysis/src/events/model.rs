//! Events as they are reported.

use serde::{Deserialize, Serialize};

/// What an event is taken for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EventKind {
    /// The current fell and came back.
    Dropout,
    /// The current rose and came back.
    Spike,
    /// The current moved to a new level and stayed: reported at its onset; the return is no new event.
    Step,
    /// The current fell or rose several times within one event.
    Chatter,
    /// A load was switched: both channels together, or at the operator's command. Harmless.
    LoadChange,
    /// Seen and judged harmless: an interference click, ringing, the image of a fault on the other channel, a load that
    /// switches itself at regular intervals, the return of a step.
    Nuisance,
}

impl EventKind {
    /// Whether the event speaks for a fault.
    #[must_use]
    pub const fn is_fault(self) -> bool {
        matches!(self, Self::Dropout | Self::Spike | Self::Step | Self::Chatter)
    }
}

/// One event on one channel.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Event {
    /// Number of the event in its recording, in the order of being found.
    pub id: u64,
    /// 1 or 2.
    pub channel: u8,
    /// Onset, seconds from the start of the recording.
    pub start_s: f64,
    /// End; of a step that has not gone back, the latest moment it was seen to last.
    pub end_s: f64,
    /// What it is taken for.
    pub kind: EventKind,
    /// Departure from the level before, in amperes: negative when the current fell.
    #[serde(rename = "size_A")]
    pub size_a: f64,
    /// Standard uncertainty of the size, in amperes.
    #[serde(rename = "size_uncertainty_A")]
    pub size_uncertainty_a: f64,
    /// Minus the common logarithm of the number of events at least this strong that the learned noise brings per hour.
    pub score: f64,
    /// Why it is taken for what it is taken for.
    pub reason: String,
}

/// News from the detector.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "news", content = "event", rename_all = "snake_case")]
pub enum EventUpdate {
    /// A new event.
    Found(Event),
    /// What was said about the event of the same number is superseded.
    Revised(Event),
}

impl EventUpdate {
    /// The event the news is about.
    #[must_use]
    pub const fn event(&self) -> &Event {
        match self {
            Self::Found(event) | Self::Revised(event) => event,
        }
    }
}
