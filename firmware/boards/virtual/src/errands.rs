//! What will happen at an instant: to the board, or by the person at the bench.

use std::collections::BTreeMap;
use std::time::Duration;

use steadybench_protocol::{Channel, ResetCause};

/// What happens.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Errand {
    /// The foot switch's contact takes a level.
    FootSwitch(bool),
    /// The person taps the next place.
    PersonTaps,
    /// A monitor chip loses its settings.
    ChipReset(Channel),
    /// The program starts.
    Boot(ResetCause),
}

/// Errands by time; those of one instant in the order they were added.
#[derive(Clone, Debug, Default)]
pub(crate) struct Errands {
    added: u64,
    waiting: BTreeMap<(Duration, u64), Errand>,
}

impl Errands {
    pub(crate) fn add(&mut self, at: Duration, errand: Errand) {
        self.added += 1;
        self.waiting.insert((at, self.added), errand);
    }

    pub(crate) fn next(&self) -> Option<Duration> {
        self.waiting.first_key_value().map(|((at, _), _)| *at)
    }

    /// Takes the next errand that is due.
    pub(crate) fn due(&mut self, now: Duration) -> Option<Errand> {
        if self.next()? > now {
            return None;
        }
        self.waiting.pop_first().map(|(_, errand)| errand)
    }

    pub(crate) fn forget_boots(&mut self) {
        self.waiting
            .retain(|_, errand| !matches!(errand, Errand::Boot(_)));
    }
}
