//! What a run folder holds and lacks, however it ended.

use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::exit::Exit;
use crate::fault::Fault;

use super::plan::{FullRate, RunKind};
use super::run_toml::{ClosedTable, RunClosed, RunOpened};
use super::wire_log::{LogSurvey, survey};

/// A run as its folder tells it.
#[derive(Clone, Debug, PartialEq)]
pub struct RunSurvey {
    /// Where it is.
    pub folder: PathBuf,
    /// How it began; `None` when it was cut off before `run.toml` was written.
    pub opened: Option<RunOpened>,
    /// How it was closed; `None` when it was cut off, or is being recorded.
    pub closed: Option<ClosedTable>,
    /// Its boards' recordings.
    pub boards: Vec<BoardSurvey>,
}

/// The recording of one board.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardSurvey {
    /// Where its files are.
    pub folder: PathBuf,
    /// What its `wire.log` holds and lacks.
    pub log: LogSurvey,
}

impl RunSurvey {
    /// UTC of the last reading that can be read back.
    #[must_use]
    pub fn recorded_until_utc(&self) -> Option<Timestamp> {
        let until_us = self
            .boards
            .iter()
            .filter_map(|board| board.log.until_utc_us)
            .max()?;
        Timestamp::from_microsecond(until_us).ok()
    }

    /// What is missing, in words; empty when the run is whole.
    #[must_use]
    pub fn missing(&self) -> Vec<String> {
        let mut missing = Vec::new();
        match &self.closed {
            None => missing.push(
                "the run was cut off (or is being recorded): what came after the last reading, at most 1 s of \
                 recording, is missing"
                    .into(),
            ),
            Some(closed) => {
                for board in &closed.board {
                    if board.lost_readings > 0 {
                        missing.push(format!("{} readings never arrived", board.lost_readings));
                    }
                }
            }
        }
        for BoardSurvey { log, .. } in &self.boards {
            if log.damaged_bytes > 0 {
                missing.push(format!(
                    "wire.log is damaged: {} of its half-second chunks are missing",
                    log.missing_chunks
                ));
            }
            if log.torn_bytes > 0 && self.closed.is_some() {
                missing.push(format!(
                    "{} bytes at the end of wire.log are no recording",
                    log.torn_bytes
                ));
            }
        }
        missing
    }
}

/// Looks through a run folder.
///
/// # Errors
/// [`Exit::BadInput`] when it holds no recording of this program, or one of a later version.
pub fn survey_run(folder: &Path) -> Result<RunSurvey, Fault> {
    let mut folders: Vec<PathBuf> = vec![folder.to_owned()];
    for number in 1.. {
        let board = folder.join(format!("board-{number}"));
        // A link may lead anywhere; a recording from somebody else is data and is not followed out of its folder.
        if !board.symlink_metadata().is_ok_and(|metadata| metadata.is_dir()) {
            break;
        }
        folders.push(board);
    }
    let mut boards = Vec::new();
    for board in folders {
        let log = board.join("wire.log");
        if log.symlink_metadata().is_ok_and(|metadata| metadata.is_file()) {
            boards.push(BoardSurvey {
                log: survey(&log)?,
                folder: board,
            });
        }
    }
    let (opened, closed) = run_tables(folder);
    // A cut within the first milliseconds leaves the folder of a run, and nothing or little in it.
    if boards.is_empty() && opened.is_none() && !is_begun(folder) {
        return Err(Fault::new(
            Exit::BadInput,
            folder.display().to_string(),
            "it holds no run: neither run.toml nor wire.log",
        )
        .remedy("name a folder such as JOB/runs/0001-free"));
    }
    Ok(RunSurvey {
        folder: folder.to_owned(),
        opened,
        closed,
        boards,
    })
}

/// Whether `folder` is a run's by its name, and holds nothing else.
fn is_begun(folder: &Path) -> bool {
    let named = folder
        .file_name()
        .and_then(|name| name.to_str())
        .is_some_and(|name| {
            let (number, kind) = name.split_once('-').unwrap_or_default();
            number.parse::<u32>().is_ok() && RunKind::ALL.iter().any(|known| known.name() == kind)
        });
    let others = |entry: std::fs::DirEntry| entry.file_name() != "run.toml";
    named && std::fs::read_dir(folder).is_ok_and(|entries| !entries.filter_map(Result::ok).any(others))
}

/// The beginning and the end of a run's `run.toml`, each if it is whole.
#[must_use]
pub fn run_tables(folder: &Path) -> (Option<RunOpened>, Option<ClosedTable>) {
    let path = folder.join("run.toml");
    // A link may lead anywhere, as may one in place of a board's folder.
    if !path.symlink_metadata().is_ok_and(|metadata| metadata.is_file()) {
        return (None, None);
    }
    let Ok(text) = std::fs::read_to_string(path) else {
        return (None, None);
    };
    let Some(end) = text.find("\n[closed]") else {
        return (toml::from_str(&text).ok(), None);
    };
    let opened: Option<RunOpened> = toml::from_str(&text[..end]).ok();
    let closed: Option<RunClosed> = toml::from_str(&text[end..]).ok();
    let closed = closed
        .zip(opened.as_ref())
        .filter(|(closed, opened)| text.ends_with('\n') && is_whole(&closed.closed, opened))
        .map(|(closed, _)| closed.closed);
    (opened, closed)
}

/// Whether the table at the end has a count for each board and a digest for each file; one that was cut between two
/// entries would claim fewer losses than there were.
fn is_whole(closed: &ClosedTable, opened: &RunOpened) -> bool {
    let boards = opened.board.len();
    let files_each = match opened.settings.full_rate {
        FullRate::Never => 4,
        FullRate::Always | FullRate::Auto => 5,
    };
    // Runs of before there were any have none; they are second in the list, so that no cut hides them.
    let extremes = closed.file.iter().any(|file| file.path.ends_with("extremes.bin"));
    let files_each = files_each + usize::from(extremes);
    closed.board.len() == boards && closed.file.len() == boards * files_each
}
