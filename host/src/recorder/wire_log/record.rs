//! What `wire.log` holds: what came from the board, and what the host knew and did, as far as a replay needs it.

use serde::{Deserialize, Serialize};

use crate::clock::HostTime;

/// Nanoseconds of the unit in which reads that hold no time are stamped.
pub(super) const NS_PER_MS: u64 = 1_000_000;

/// One record. The order of the variants and of their fields is the file's: never reorder, append only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Record {
    /// The port was opened, for the first time or again.
    Opened {
        /// When.
        at: Stamp,
        /// The name it had.
        port: String,
    },
    /// A time request was about to be written.
    TimeSent {
        /// Its number.
        number: u32,
        /// T1.
        at: Stamp,
    },
    /// Whole frames as they came, delimiters and damage included, from one read of the port.
    Received {
        /// When the read returned, on the monotonic clock, in nanoseconds; to the millisecond before where `utc_ns` is
        /// none.
        at_ns: u64,
        /// The same by the host's UTC, in nanoseconds since 1970, where the frames hold a hello or a reply to a time
        /// request. Such frames are never dropped for want of room.
        utc_ns: Option<i64>,
        /// The frames.
        bytes: Vec<u8>,
    },
    /// The port was lost.
    Closed {
        /// When that was noticed.
        at: Stamp,
        /// Why, in the system's words.
        reason: String,
    },
    /// The operator marked an instant.
    HostMark {
        /// When.
        at: Stamp,
        /// As what.
        kind: HostMarkKind,
        /// Which place, or what was switched, or the note.
        label: String,
    },
    /// The host gave the board a command.
    Sent {
        /// When, on the monotonic clock, in nanoseconds.
        at_ns: u64,
        /// The command's postcard body.
        body: Vec<u8>,
    },
    /// `Received` records are missing here: this computer could not keep them.
    Lost,
}

/// One reading of the host's two clocks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Stamp {
    /// Nanoseconds on a clock that nobody sets, since some start.
    pub monotonic_ns: u64,
    /// Nanoseconds since 1970-01-01T00:00Z by the host's clock.
    pub utc_ns: i64,
}

impl From<HostTime> for Stamp {
    fn from(time: HostTime) -> Self {
        Self {
            monotonic_ns: time.monotonic_ns,
            utc_ns: time.utc_ns,
        }
    }
}

impl From<Stamp> for HostTime {
    fn from(stamp: Stamp) -> Self {
        Self {
            utc_ns: stamp.utc_ns,
            monotonic_ns: stamp.monotonic_ns,
        }
    }
}

/// What an operator's mark means.
#[derive(
    Clone,
    Copy,
    Debug,
    Default,
    PartialEq,
    Eq,
    Hash,
    Serialize,
    Deserialize,
    schemars::JsonSchema,
    clap::ValueEnum,
)]
#[serde(rename_all = "lowercase")]
pub enum HostMarkKind {
    /// A place was tapped or flexed; the label is the place.
    #[default]
    Tap,
    /// A load was switched; the label says which.
    Command,
    /// Anything else worth remembering.
    Note,
    /// From here on the foot switch taps this place; the label is the place.
    Place,
}

impl HostMarkKind {
    /// The name in files.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Tap => "tap",
            Self::Command => "command",
            Self::Note => "note",
            Self::Place => "place",
        }
    }
}

impl Record {
    /// What one read of the port brought: whole frames, and whether a hello or a reply to a time request is among them.
    ///
    /// Where none is, the stamp says no more than how long a line was silent, and whole milliseconds do.
    #[must_use]
    pub fn received(at: HostTime, bytes: Vec<u8>, key: bool) -> Self {
        let at_ns = at.monotonic_ns;
        Self::Received {
            at_ns: if key { at_ns } else { at_ns - at_ns % NS_PER_MS },
            utc_ns: key.then_some(at.utc_ns),
            bytes,
        }
    }

    /// Whether a full buffer may drop it: readings may be lost whole; who the board is, what time it has and what the host
    /// did may not.
    #[must_use]
    pub const fn may_be_lost(&self) -> bool {
        matches!(self, Self::Received { utc_ns: None, .. })
    }
}
