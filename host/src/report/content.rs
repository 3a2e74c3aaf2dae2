//! What a report says.

use jiff::Timestamp;
use serde::Serialize;

use crate::examine::{Findings, Kind};
use crate::job::closing::Closing;
use crate::job::{Alteration, Note};
use crate::recorder::{Job, RunKind, SettingsTable};
use crate::stream::{GapCause, HappeningKind};

use super::figures::{Figure, Word};
use super::overlay::Pair;
use super::standing::Standing;
use super::swaps::SwapTold;
use super::trace::Trace;

/// Everything a report says; what `steady report --json` prints.
#[derive(Debug, Serialize)]
pub struct Report {
    /// Version of this structure.
    pub format: u32,
    /// When the report was made.
    pub made_utc: Timestamp,
    /// The program that made it, and so the version of the analysis.
    pub program: &'static str,
    /// Name of the job's folder.
    pub folder: String,
    /// What `job.toml` says.
    pub job: Job,
    /// Whether something records in the job at this moment.
    pub being_recorded: bool,
    /// What could not be read or makes no sense, with the remedy.
    pub mistakes: Vec<String>,
    /// One paragraph for the unit's owner.
    pub summary: String,
    /// What speaks for a clean bill and what against it.
    pub standing: Standing,
    /// The note that closed the job.
    pub closed: Option<Note>,
    /// What is altered, kept, unreadable.
    pub closing: Closing,
    /// Every alteration.
    pub alterations: Vec<Alteration>,
    /// Every note.
    pub notes: Vec<Note>,
    /// Every run, oldest first.
    pub runs: Vec<RunTold>,
    /// What swaps and lifts told.
    pub swaps: Vec<SwapTold>,
    /// Runs laid over each other, before and after.
    pub pairs: Vec<Pair>,
    /// The boards, their settings and their calibration.
    pub instruments: Vec<Instrument>,
    /// Cautions in their short form.
    pub cautions: Vec<&'static str>,
}

/// Version of [`Report`].
pub const FORMAT: u32 = 1;

/// The program and its version.
pub const PROGRAM: &str = concat!("steady ", env!("CARGO_PKG_VERSION"));

/// One run.
#[derive(Debug, Serialize)]
pub struct RunTold {
    /// Its number within the job.
    pub number: u32,
    /// Its folder within `runs`.
    pub folder: String,
    /// What it was recorded for.
    pub kind: Option<RunKind>,
    /// When it began.
    pub started_utc: Option<Timestamp>,
    /// How it ended, in words.
    pub ended: String,
    /// Whether it was closed and not cut off.
    pub closed: bool,
    /// How it was measured and written.
    pub settings: Option<SettingsTable>,
    /// What is missing, in words; empty when the run is whole.
    pub missing: Vec<String>,
    /// Whether the guard opened the relay.
    pub guard_tripped: bool,
    /// Its boards.
    pub boards: Vec<BoardTold>,
    /// Why it could not be read, where it could not.
    pub unreadable: Option<String>,
}

/// One board's recording in a run.
#[derive(Debug, Serialize)]
pub struct BoardTold {
    /// Folder of its files, within the run's; `.` when it is the only board.
    pub folder: String,
    /// Its identity, in hexadecimal digits.
    pub serial: String,
    /// As what it was examined.
    pub examined_as: Kind,
    /// Length, in seconds of board time from the first reading to the last.
    pub duration_s: f64,
    /// UTC of the first reading.
    pub begun_utc: Option<Timestamp>,
    /// UTC of the last reading.
    pub ended_utc: Option<Timestamp>,
    /// How far the UTC of any reading may be off, in seconds: the largest bound of the recording.
    pub utc_bound_s: Option<f64>,
    /// Reading instants recorded.
    pub readings: u64,
    /// Reading instants that never arrived.
    pub lost_readings: u64,
    /// Readings that the monitor chips did not give, by channel.
    pub missing_readings: [u64; 2],
    /// Temperatures of the thermistors, in degrees Celsius: least and greatest; `None` where none was read.
    pub temperature_c: [Option<[f64; 2]>; 2],
    /// Where readings never arrived.
    pub gaps: Vec<GapTold>,
    /// Gaps beyond those listed.
    pub gaps_more: u64,
    /// What happened to the run.
    pub happenings: Vec<HappeningTold>,
    /// Happenings beyond those listed.
    pub happenings_more: u64,
    /// The operator's marks: taps and commands, in order of time.
    pub marks: Vec<MarkTold>,
    /// What was found, in the words of the report.
    pub words: Vec<Word>,
    /// The figures, each with its bound or the reason why it has none.
    pub figures: Vec<Figure>,
    /// What was found, whole.
    pub findings: Findings,
    /// How `findings.json` beside the recording compares with what is found now.
    pub kept_findings: KeptFindings,
    /// The recording as it is drawn.
    #[serde(skip)]
    pub trace: Trace,
    /// Windows of it, drawn larger.
    #[serde(skip)]
    pub windows: Vec<Window>,
}

/// A window of a recording that is drawn larger.
#[derive(Clone, Debug)]
pub struct Window {
    /// What it shows.
    pub title: String,
    /// Channel it is about, 1 or 2; both when `None`.
    pub channel: Option<u8>,
    /// The readings.
    pub trace: Trace,
}

/// How the kept findings compare.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "state", rename_all = "kebab-case")]
pub enum KeptFindings {
    /// None are kept: the recording goes on, or the file could not be written.
    None {
        /// Why.
        reason: String,
    },
    /// They are what is found now.
    Same,
    /// They were made by another version, or with another calibration.
    Other {
        /// Which, in words.
        made_by: String,
    },
}

/// Where readings never arrived.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct GapTold {
    /// From when on, in seconds since the run's first reading; `None` when that is not known.
    pub from_s: Option<f64>,
    /// For how long, in seconds.
    pub duration_s: f64,
    /// How many readings.
    pub readings: u64,
    /// Why.
    pub cause: GapCause,
}

/// Something that happened to the run.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HappeningTold {
    /// When, in seconds since the run's first reading.
    pub at_s: Option<f64>,
    /// When, in UTC.
    pub utc: Option<Timestamp>,
    /// What.
    pub kind: HappeningKind,
    /// Channel 1 or 2, where it is one's.
    pub channel: Option<u8>,
    /// In words.
    pub detail: String,
}

/// A mark.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct MarkTold {
    /// When, in seconds since the run's first reading.
    pub at_s: f64,
    /// Whether it is a tap; a command otherwise.
    pub tap: bool,
    /// The place, or the load.
    pub label: String,
}

/// A board that measured.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Instrument {
    /// Its identity, in hexadecimal digits.
    pub serial: String,
    /// Kind of board.
    pub kind: String,
    /// Versions of its firmware, as many as there were.
    pub firmware: Vec<String>,
    /// Runs it measured in, by number.
    pub runs: Vec<u32>,
    /// Day of the calibration in use; `None` when it is read as built.
    pub calibrated_on: Option<String>,
    /// What the calibration was compared with.
    pub reference: String,
    /// What to mind about the calibration.
    pub remarks: Vec<String>,
    /// The channels.
    pub channels: Vec<InstrumentChannel>,
    /// The largest bound on UTC in any of its runs, in seconds.
    pub utc_bound_s: Option<f64>,
    /// How fast this computer's clock ran against the board's, in parts per million, with its bound; of the last run that
    /// knew it.
    pub clock_rate_ppm: Option<[f64; 2]>,
}

/// One measuring channel of a board.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct InstrumentChannel {
    /// 1 or 2.
    pub number: u8,
    /// Nominal shunt, in micro-ohms.
    pub shunt_micro_ohm: u32,
    /// Current of one step, in amperes.
    pub current_step_a: f64,
    /// Relative uncertainty of its scale of current, expanded for 95 %: what every current in this report may be off by as
    /// one, beside the intervals. `None` when its settings are unknown to the calibration.
    pub scale_uncertainty: Option<f64>,
    /// Uncertainty of its zero, expanded for 95 %, in amperes.
    pub zero_uncertainty_a: Option<f64>,
    /// Whether zero and gain were measured, or are the tolerances of the parts.
    pub measured: [bool; 2],
}
