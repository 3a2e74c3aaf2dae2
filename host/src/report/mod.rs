//! The report: a job read once more from what was recorded, told on one page that prints, and in tables.
//!
//! | module | what it holds |
//! |---|---|
//! | [`content`] | what a report says, for programs: `steady report --json` |
//! | [`mod@gather`] | a job folder as that content |
//! | [`pass`] | one board's recording gone through: findings, extremes, gaps, happenings |
//! | [`trace`] | the least and the greatest of stretches of time, so that 1 ms shows in twelve hours |
//! | [`figures`] | findings as words and as figures, each with its bound or the reason why it has none |
//! | `instruments` | boards and what is known of their scale |
//! | [`overlay`] | pairs of runs laid over each other |
//! | [`swaps`] | what swaps and lifts told |
//! | [`standing`] | what speaks for a clean bill and what against it |
//! | [`summary`] | one paragraph for the unit's owner |
//! | [`findings_file`] | `findings.json` beside each recording |
//! | [`plot`] | pictures, as SVG |
//! | [`html`] | the page |
//! | [`tables`] | the tables, as CSV |
//!
//! Everything is made from `wire.log` by the present program and the present calibration. The page carries no script and
//! fetches nothing; what comes from the job reaches it as text only.

pub mod content;
pub mod figures;
pub mod findings_file;
pub mod gather;
pub mod html;
mod instruments;
pub mod overlay;
pub mod pass;
pub mod plot;
pub mod standing;
pub mod summary;
pub mod swaps;
pub mod tables;
#[cfg(test)]
mod tests;
pub mod trace;

use std::path::Path;

use indicatif::ProgressBar;

use crate::fault::Fault;

pub use content::Report;
pub use gather::{Keep, gather, gather_and};

/// The content security policy that the page states itself, and that whoever serves it may state: no script, nothing
/// fetched, its own style only.
pub const CONTENT_SECURITY_POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'";

/// The report on a job as one self-contained page of HTML. Nothing is written.
///
/// It replays every run, which takes a while for a night at 1000 readings/s; call it where waiting is allowed.
///
/// # Errors
/// When the folder is no job. A job with mistakes still has a report, which says them.
pub fn render(job: &Path) -> Result<String, Fault> {
    Ok(html::page(&gather(job, &ProgressBar::hidden())?))
}
