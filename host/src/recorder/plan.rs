//! What a run is for, and how it is written.

use serde::{Deserialize, Serialize};
use steadybench_protocol::{Configure, Hello};

/// What a run is for.
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
#[serde(rename_all = "kebab-case")]
pub enum RunKind {
    /// Hours at rest, to see that it stays mended.
    Soak,
    /// Taps and flexing, to find a joint.
    Tap,
    /// A switch-on.
    PowerUp,
    /// Two like stages side by side.
    Twins,
    /// Anything else.
    #[default]
    Free,
}

impl RunKind {
    /// Every kind.
    pub const ALL: [Self; 5] = [Self::Soak, Self::Tap, Self::PowerUp, Self::Twins, Self::Free];

    /// The name in folders and files.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Soak => "soak",
            Self::Tap => "tap",
            Self::PowerUp => "power-up",
            Self::Twins => "twins",
            Self::Free => "free",
        }
    }
}

/// Whether every reading gets a row in `readings.csv`. The recording of the wire always holds every one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum FullRate {
    /// Every reading of the run: some 100 bytes each, 0.35 GB an hour at 1000 readings/s.
    Always,
    /// Only minutes.csv.
    Never,
    /// The first ten minutes of the run.
    #[default]
    Auto,
}

impl FullRate {
    /// How long [`Self::Auto`] lasts: at 1000 readings/s 600 000 rows, which a spreadsheet of 1 048 576 rows opens.
    pub const AUTO_SECONDS: i64 = 600;
}

/// What a run is for, and how it is written.
#[derive(Clone, Debug, PartialEq)]
pub struct RunPlan {
    /// What for.
    pub kind: RunKind,
    /// How the boards measure.
    pub configure: Configure,
    /// Whether every reading gets a row.
    pub full_rate: FullRate,
    /// Interval of `minutes.csv`, in microseconds.
    pub interval_us: u64,
}

/// A board that takes part.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardIntroduction {
    /// The name its port was given by.
    pub port: String,
    /// As whom it introduced itself.
    pub hello: Hello,
    /// What its guard acts on, in words; `None` when this run sets nothing.
    pub guard: Option<String>,
}
