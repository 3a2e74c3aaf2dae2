//! `findings.json` beside each recording: what was found in it, by which version and with which calibration.
//!
//! It is made when a run is closed, by the pass that `steady examine` makes, and by `steady report` where it is missing;
//! a present one is never touched. The same `wire.log`, version and calibration give the same bytes.

use std::path::{Path, PathBuf};

use serde::Serialize;
use steadybench_protocol::Hello;

use crate::examine::{Examination, Findings, Kind, RunFolder, Settings};
use crate::fault::Fault;
use crate::recorder::{keep_findings, kept_findings, serial_digits};

use super::content::{KeptFindings, PROGRAM};
use super::pass::question;

/// Version of the file.
const FORMAT: u32 = 1;

#[derive(Serialize)]
struct File<'a> {
    format: u32,
    program: &'static str,
    board_serial: Option<String>,
    /// The day of the calibration by which codes became amperes; `nominal` where there was none.
    calibration: String,
    examined_as: Kind,
    findings: &'a Findings,
}

/// The bytes of a board's file.
fn bytes(hello: Option<&Hello>, examined_as: Kind, findings: &Findings) -> Vec<u8> {
    let serial = hello.map(serial_digits);
    let calibration = serial.as_deref().and_then(crate::calibrations::of);
    let file = File {
        format: FORMAT,
        program: PROGRAM,
        calibration: calibration.map_or_else(|| "nominal".to_owned(), |by| by.made_on.to_string()),
        board_serial: serial,
        examined_as,
        findings,
    };
    // What is serialised has string keys only, and numbers that are not finite become null: nothing can fail.
    let mut text = crate::figures::pretty(&file).unwrap_or_default();
    text.push(b'\n');
    text
}

/// Keeps the findings of one board's recording where none are kept, and compares them with those that are.
pub(super) fn keep(
    board: &Path,
    may_write: bool,
    hello: Option<&Hello>,
    examined_as: Kind,
    findings: &Findings,
) -> KeptFindings {
    let found = bytes(hello, examined_as, findings);
    match kept_findings(board) {
        Ok(Some(kept)) if kept == found => KeptFindings::Same,
        Ok(Some(kept)) => KeptFindings::Other {
            made_by: maker(&kept),
        },
        Ok(None) if !may_write => KeptFindings::None {
            reason: "the run is still being recorded".into(),
        },
        Ok(None) => match keep_findings(board, &found) {
            Ok(()) => KeptFindings::Same,
            Err(fault) => KeptFindings::None {
                reason: fault.to_string(),
            },
        },
        Err(fault) => KeptFindings::None {
            reason: fault.to_string(),
        },
    }
}

fn maker(kept: &[u8]) -> String {
    let Ok(value) = serde_json::from_slice::<serde_json::Value>(kept) else {
        return "findings.json cannot be read".into();
    };
    let word = |key: &str| value[key].as_str().unwrap_or("nobody knows what").to_owned();
    format!("made by {}, calibration {}", word("program"), word("calibration"))
}

/// Examines every board's recording of a run and keeps what was found, where nothing is kept yet. Gives the files that
/// were made.
///
/// Call it when the run is closed; a run that is being recorded has no findings to keep.
///
/// # Errors
/// When the run cannot be read, or its folder cannot be written; the recording is not touched by that.
pub fn keep_run(run: &Path) -> Result<Vec<PathBuf>, Fault> {
    let boards = crate::recorder::survey_run(run)?.boards;
    let mut made = Vec::new();
    for (board, number) in boards.iter().zip(1..) {
        if kept_findings(&board.folder)?.is_some() {
            continue;
        }
        let folder = RunFolder::open(run, Some(number))?;
        let (kind, marks) = question(&folder)?;
        let mut examination = Examination::begin(kind, &Settings::default(), &marks);
        let mut replay = folder.replay()?;
        while let Some(output) = replay.next_output()? {
            if let crate::stream::Output::Reading(reading) = output
                && let Some(sample) = crate::live::sample_of(&reading)
            {
                examination.push(&sample);
            }
        }
        let found = bytes(replay.stream().hello(), kind, &examination.finish());
        keep_findings(&board.folder, &found)?;
        made.push(board.folder.join(crate::recorder::FINDINGS_FILE));
    }
    Ok(made)
}
