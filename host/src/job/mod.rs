//! The job on paper: what was altered and put back, what was noted, whether the job may be closed. Rules and parsing
//! only; the files are written by [`crate::recorder`] alone.
//!
//! | module | what it holds |
//! |---|---|
//! | [`alterations`] | `alterations.csv`: every cut track, lifted leg and link, until it is put back or knowingly kept |
//! | [`notes`] | `notes.csv`: notes, steps and findings with their times |
//! | [`fields`] | keys of `job.toml` that mean nothing |
//! | [`ledger`] | what both have in common: rows appended, rows mended by hand, a torn row |
//! | [`closing`] | what stands in the way of a clean bill |
//! | [`reminder`] | what is said before power-up and before a soak |
//! | [`trial`] | the runs before and after an alteration |
//!
//! Both files only grow. A row is never changed, so two programs and a power cut cannot lose one; who mends a row with
//! an editor is told line and remedy when it no longer reads.

pub mod alterations;
pub mod closing;
pub mod fields;
pub mod ledger;
pub mod notes;
pub mod reminder;
pub mod trial;

pub use alterations::{Alteration, AlterationKind, Alterations, State};
pub use ledger::Mistake;
pub use notes::{Note, NoteKind, Notes};
