//! One recording examined: samples in, findings out, told in words or as JSON.
//!
//! | module | what it holds |
//! |---|---|
//! | [`kind`] | what a recording is examined as |
//! | [`soak`] | a soak with its short events |
//! | [`settings`] | what the operator sets with `--set` |
//! | [`marks`] | the operator's marks beside a table |
//! | [`run_folder`] | a run folder as samples and marks |
//! | [`words`] | findings as a page for a person |
//!
//! The arithmetic is `steadybench_analysis`'s, the same that runs while a recording is made.

pub mod kind;
pub mod marks;
pub mod run_folder;
pub mod settings;
pub mod soak;
pub mod words;

use serde::Serialize;
use steadybench_analysis::power_up::{PowerUpExamination, PowerUpFindings};
use steadybench_analysis::sample::{Mark, Sample};
use steadybench_analysis::tap::{TapExamination, TapFindings};
use steadybench_analysis::twins::{TwinExamination, TwinFindings};

pub use kind::Kind;
pub use run_folder::{RunFolder, Seen};
pub use settings::Settings;
pub use soak::{SoakPass, SoakPassFindings};

/// An examination under way.
pub enum Examination {
    /// Of taps.
    Tap(Box<TapExamination>),
    /// Of a soak.
    Soak(Box<SoakPass>),
    /// Of a switch-on.
    PowerUp(Box<PowerUpExamination>),
    /// Of twins.
    Twins(Box<TwinExamination>),
}

/// What an examination ended in.
#[derive(Debug, Serialize)]
#[serde(untagged)]
pub enum Findings {
    /// Of taps.
    Tap(TapFindings),
    /// Of a soak.
    Soak(SoakPassFindings),
    /// Of a switch-on.
    PowerUp(PowerUpFindings),
    /// Of twins.
    Twins(TwinFindings),
}

impl Examination {
    /// Begins an examination. Taps and soaks heed marks.
    #[must_use]
    pub fn begin(kind: Kind, settings: &Settings, marks: &[Mark]) -> Self {
        match kind {
            Kind::Tap => Self::Tap(Box::new(TapExamination::new(settings.tap(), marks))),
            Kind::Soak => Self::Soak(Box::new(SoakPass::new(settings.soak(), settings.events(), marks))),
            Kind::PowerUp => Self::PowerUp(Box::new(PowerUpExamination::new(settings.power_up()))),
            Kind::Twins => Self::Twins(Box::new(TwinExamination::new(settings.twins()))),
        }
    }

    /// Takes the next sample; samples come in the order of their time.
    pub fn push(&mut self, sample: &Sample) {
        match self {
            Self::Tap(examination) => examination.push(sample),
            Self::Soak(examination) => examination.push(sample),
            Self::PowerUp(examination) => examination.push(sample),
            Self::Twins(examination) => examination.push(sample),
        }
    }

    /// Takes a mark met on the way, where the kind does not [know it beforehand](Kind::heeds_marks_beforehand).
    pub fn mark(&mut self, mark: &Mark) {
        if let Self::Soak(examination) = self {
            examination.mark(mark);
        }
    }

    /// Takes what a recording gives, in its order.
    pub fn take(&mut self, seen: Seen<'_>) {
        match seen {
            Seen::Sample(sample) => self.push(sample),
            Seen::Mark(mark) => self.mark(mark),
        }
    }

    /// Ends the examination.
    #[must_use]
    pub fn finish(self) -> Findings {
        match self {
            Self::Tap(examination) => Findings::Tap(examination.finish()),
            Self::Soak(examination) => Findings::Soak(examination.finish()),
            Self::PowerUp(examination) => Findings::PowerUp(examination.finish()),
            Self::Twins(examination) => Findings::Twins(examination.finish()),
        }
    }
}
