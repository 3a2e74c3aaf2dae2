//! One recording examined: samples in, findings out, told in words or as JSON.
//!
//! | module | what it holds |
//! |---|---|
//! | [`kind`] | what a recording is examined as |
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
pub mod words;

use serde::Serialize;
use steadybench_analysis::power_up::{PowerUpExamination, PowerUpFindings};
use steadybench_analysis::sample::{Mark, Sample};

pub use kind::Kind;
pub use run_folder::RunFolder;
pub use settings::Settings;

/// An examination under way.
#[derive(Debug)]
pub enum Examination {
    /// A switch-on.
    PowerUp(Box<PowerUpExamination>),
}

/// What an examination ended in.
#[derive(Debug, Serialize)]
#[serde(untagged)]
pub enum Findings {
    /// Of a switch-on.
    PowerUp(PowerUpFindings),
}

impl Examination {
    /// Begins an examination.
    #[must_use]
    pub fn begin(kind: Kind, settings: &Settings, marks: Vec<Mark>) -> Self {
        match kind {
            Kind::PowerUp => Self::PowerUp(Box::new(PowerUpExamination::new(settings.power_up()))),
            Kind::Tap | Kind::Soak | Kind::Twins => todo!(),
        }
    }

    /// Takes the next sample; samples come in the order of their time.
    pub fn push(&mut self, sample: &Sample) {
        match self {
            Self::PowerUp(examination) => examination.push(sample),
        }
    }

    /// Ends the examination.
    #[must_use]
    pub fn finish(self) -> Findings {
        match self {
            Self::PowerUp(examination) => Findings::PowerUp(examination.finish()),
        }
    }
}
