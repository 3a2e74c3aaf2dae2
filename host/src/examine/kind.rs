//! What a recording is examined as.

use clap::ValueEnum;
use serde::{Deserialize, Serialize};

/// What a recording is examined as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Taps and flexes: which place opens.
    Tap,
    /// A soak: does it settle, and does it stay.
    Soak,
    /// A switch-on: peak, I²t, settled current.
    PowerUp,
    /// Two like stages: do they differ, and does it matter.
    Twins,
}

impl Kind {
    /// Whether it must know the operator's marks before the readings they belong to. A soak takes them as they come, which
    /// saves reading a night twice; switch-ons and twins heed none.
    #[must_use]
    pub const fn heeds_marks_beforehand(self) -> bool {
        matches!(self, Self::Tap)
    }

    /// The kind that a table is beyond doubt: taps are marked, or it is slow or long. `None` is doubt.
    ///
    /// `period_s` is the time from row to row, `duration_s` the time the table spans as far as its size tells.
    #[must_use]
    pub fn beyond_doubt(taps_marked: bool, period_s: f64, duration_s: f64) -> Option<Self> {
        const SLOW_S: f64 = 0.1;
        const LONG_S: f64 = 3_600.0;
        if taps_marked {
            Some(Self::Tap)
        } else if period_s >= SLOW_S || duration_s >= LONG_S {
            Some(Self::Soak)
        } else {
            None
        }
    }
}
