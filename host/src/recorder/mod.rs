//! The recorder: the only writer in a job folder.
//!
//! It runs on a thread of its own behind a bounded queue, and waits for nobody but the disk: while this confirms on
//! another thread what it has, which may take it seconds, what comes is appended as ever. What the disk does not
//! take is kept in memory as long as the bound allows; beyond it whole blocks of readings are lost, and counted. Every
//! row of every CSV file is made from what `wire.log` records, and from nothing else, so a replay gives the same rows.

mod announcement;
mod board_files;
#[cfg(test)]
mod board_files_tests;
mod confirmer;
pub(crate) mod csv_rows;
pub(crate) mod decimal;
mod files;
mod job;
mod job_fields;
mod ledgers;
pub(crate) mod minutes;
mod plan;
mod report_files;
mod run_toml;
mod sink;
mod spool;
mod survey;
#[cfg(test)]
pub(crate) mod testing;
pub mod wire_log;
mod writer;

pub use announcement::{Announced, Announcement, find_collector, left_behind};
pub(crate) use csv_rows::put_text;
pub use files::{AppendFile, Confirmation, Disk, FileLayer, open_unlinked};
pub use job::{Job, JobFolder, create_job, read_job, read_job_text, run_folders};
pub use job_fields::{JobFields, fill_in_job};
pub use ledgers::{add_alteration, add_note, read_alterations, read_notes, settle_alteration};
pub use plan::{BoardIntroduction, FullRate, RunKind, RunPlan};
pub use report_files::{
    FINDINGS_FILE, REPORT_FILE, is_being_recorded, keep_findings, kept_findings, replace_report, write_table,
};
pub use run_toml::{
    BoardTable, ChannelTable, ClosedBoard, ClosedFile, ClosedTable, RunClosed, RunOpened, RunTable,
    SettingsTable, serial_digits,
};
pub use sink::{RecordSink, RecorderStatus};
pub use survey::{BoardSurvey, RunSurvey, run_tables, survey_run};
pub use wire_log::{HostMarkKind, Record, Stamp};
pub use writer::{Recorder, RunSummary};
