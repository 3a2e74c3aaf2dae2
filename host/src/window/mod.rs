//! Any stretch of a run in columns, each with the true extremes of every reading in it.
//!
//! While a run is recorded the recorder writes its extremes in short bins beside it (`EXTREMES.md`); of these a run's
//! whole length is kept in memory, in cells that double in length whenever there are too many. A window is made of the
//! longest of these that its columns hold four of, or of the single readings where even bins are too long, so that the
//! work is bounded by the number of columns and not by the length of the run:
//!
//! | a column is at least | made of | read from |
//! |---|---|---|
//! | 4 cells (at 1000 readings/s and 12 h: 4.1 s) | cells | memory |
//! | 4 groups (1.02 s) | groups of 16 bins | `extremes.bin` |
//! | 4 bins (64 ms) | bins of 16 readings | `extremes.bin` |
//! | less | single readings | `wire.log`, by the place that `extremes.bin` names |
//!
//! Columns are made a little longer than asked, up to a quarter, so that each holds whole pieces: only so are the extremes
//! exact without reading what is at each column's edges. All values are kept as codes; the calibration in use is applied
//! when a window is answered.
//!
//! What was decoded lately is kept in bounded memory. Where `extremes.bin` is missing it is made from `wire.log`; of a long
//! recording on a thread of its own, and windows say meanwhile how far that is.

mod answer;
mod cells;
mod growing;
mod happenings;
mod index;
mod lately;
mod making;
mod pieces;
mod places;
mod readings;
#[doc = include_str!("EXTREMES.md")]
pub mod sheet;
#[cfg(test)]
mod tests;
mod view;

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use jiff::Timestamp;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::{run_folders, run_tables};

use happenings::Happenings;
use index::{Index, Unready};
use lately::Lately;
use making::Making;

pub use view::{AlterationMark, ChannelColumns, Extremes, GapView, Window, WindowRequest};

/// Recordings kept open.
const OPEN_MAX: usize = 20;

/// Places listed of a job.
const PLACES_MAX: usize = 200;

/// Longest time of a run that a window may name, in seconds: a hundred years.
const TIME_MAX_S: f64 = 3.2e9;

/// A request waits so long for extremes that are being made.
const PATIENCE: Duration = Duration::from_millis(100);

/// Windows of a job's runs.
#[derive(Debug)]
pub struct Windows {
    job: PathBuf,
    /// Recordings that were asked for, the latest last.
    open: Mutex<Vec<(Key, Arc<Mutex<Opened>>)>>,
    lately: Mutex<Lately>,
    /// One recording's extremes are made at a time.
    turn: Arc<Mutex<()>>,
    at_once_bytes: u64,
}

/// Which recording.
#[derive(Debug)]
struct Key {
    run: u32,
    /// The board's position in the run, and its identity.
    position: usize,
    serial: String,
}

#[derive(Debug)]
struct Opened {
    folder: PathBuf,
    index: Option<Index>,
    making: Option<Arc<Making>>,
    happenings: Happenings,
    started: Option<Timestamp>,
}

impl Windows {
    /// Of the runs of a job.
    #[must_use]
    pub fn new(job: &Path) -> Self {
        Self {
            job: job.to_owned(),
            open: Mutex::default(),
            lately: Mutex::default(),
            turn: Arc::default(),
            at_once_bytes: making::AT_ONCE_BYTES,
        }
    }

    /// Answers a window. Where extremes have to be made first the window has no columns and says how far that is.
    ///
    /// # Errors
    /// [`Exit::Usage`] when there is no such run or board, or the window is none; [`Exit::BadInput`] when the recording
    /// cannot be read.
    pub fn answer(&self, request: &WindowRequest) -> Result<Window, Fault> {
        let run = request
            .run
            .ok_or_else(|| Fault::usage("the window", "no run was named and none is being recorded"))?;
        let times = [Some(request.from_s), request.to_s];
        if times
            .into_iter()
            .flatten()
            .any(|time_s| !(0.0..TIME_MAX_S).contains(&time_s))
        {
            return Err(Fault::usage(
                "the window",
                "its times are seconds from the run's first reading on",
            ));
        }
        let opened = self.opened(run, request.board.as_deref())?;
        let mut opened = opened.lock().unwrap_or_else(PoisonError::into_inner);
        opened.bring_up_to_date(&self.turn, self.at_once_bytes)?;
        let Opened {
            index,
            making,
            happenings,
            started,
            ..
        } = &mut *opened;
        let Some(index) = index else {
            return Ok(Window {
                run,
                from_s: request.from_s,
                to_s: request.to_s.unwrap_or(request.from_s),
                made_share: making.as_ref().map_or(0.0, |making| making.share()),
                ..Window::default()
            });
        };
        let micros = |seconds: f64| (seconds * 1e6).round() as i64;
        let from_us = micros(request.from_s);
        // The last reading belongs to the window that ends with it.
        let end_us = index.last_us().unwrap_or(0) + 1;
        let to_us = request.to_s.map_or(end_us, micros).max(from_us + 1);
        let mut lately = self.lately.lock().unwrap_or_else(PoisonError::into_inner);
        let mut window = answer::fill(index, &mut lately, from_us, to_us, request.columns)?;
        drop(lately);
        window.run = run;
        happenings.refresh(&window.board);
        happenings.put_on(&mut window);
        happenings::put_alterations(&self.job, *started, &mut window)?;
        Ok(window)
    }

    fn opened(&self, run: u32, board: Option<&str>) -> Result<Arc<Mutex<Opened>>, Fault> {
        let no_run = || {
            Fault::new(
                Exit::Usage,
                format!("run {run}"),
                "there is no such run in this job",
            )
        };
        let find = || {
            let mut folders = run_folders(&self.job)?.into_iter();
            folders
                .find(|folder| run_number(folder) == Some(run))
                .ok_or_else(no_run)
        };
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        let known = open.iter().position(|(key, _)| {
            key.run == run && board.map_or(key.position == 0, |serial| key.serial == serial)
        });
        if let Some(place) = known {
            let known = open.remove(place);
            let opened = Arc::clone(&known.1);
            open.push(known);
            return Ok(opened);
        }
        let folder = find()?;
        let (tables, _) = run_tables(&folder);
        let serials: Vec<String> = tables.as_ref().map_or(Vec::new(), |tables| {
            tables.board.iter().map(|board| board.serial.clone()).collect()
        });
        let position = match board {
            None => 0,
            Some(board) => serials.iter().position(|serial| serial == board).ok_or_else(|| {
                Fault::usage(format!("board {board}"), format!("run {run} has no such board"))
            })?,
        };
        let board_folder = board_folder(&folder, position, serials.len());
        let mut opened = Opened {
            happenings: Happenings::new(&board_folder),
            folder: board_folder,
            index: None,
            making: None,
            started: tables.and_then(|tables| tables.run.started_utc.parse().ok()),
        };
        // A recording that cannot be read is not kept.
        opened.bring_up_to_date(&self.turn, self.at_once_bytes)?;
        let made = Arc::new(Mutex::new(opened));
        if open.len() == OPEN_MAX {
            open.remove(0);
        }
        let serial = serials.get(position).cloned().unwrap_or_default();
        let key = Key {
            run,
            position,
            serial,
        };
        open.push((key, Arc::clone(&made)));
        Ok(made)
    }

    /// Places that were tapped or chosen in the job's runs, in the order of their first mention.
    #[must_use]
    pub fn places(&self) -> Vec<String> {
        let mut places = Vec::new();
        // A job that cannot be read says so elsewhere.
        for folder in run_folders(&self.job).unwrap_or_default() {
            let boards = run_tables(&folder).0.map_or(1, |tables| tables.board.len());
            // Marks are on every board's time line alike.
            happenings::places_of(&board_folder(&folder, 0, boards), &mut places, PLACES_MAX);
        }
        places
    }
}

impl Opened {
    /// Opens the recording, or takes in what was recorded since. Extremes that are missing are made: of a short recording
    /// at once, of a longer one elsewhere, and until they are there the index is none, or the one there was.
    fn bring_up_to_date(&mut self, turn: &Arc<Mutex<()>>, at_once_bytes: u64) -> Result<(), Fault> {
        if let Some(making) = &self.making {
            let Some(outcome) = making.outcome(PATIENCE) else {
                return Ok(());
            };
            self.making = None;
            return self.take(outcome?);
        }
        let ready = match &mut self.index {
            Some(index) => index.refresh(),
            None => Index::open(&self.folder, None).map(|index| self.index = Some(index)),
        };
        match ready {
            Ok(()) => return Ok(()),
            Err(Unready::Unreadable(fault)) => return Err(fault),
            Err(Unready::Unmade) => {}
        }
        let log = self.folder.join("wire.log");
        if making::bytes_of(&log) <= at_once_bytes {
            return self.take(making::make(&log, |_| true)?);
        }
        let making = Making::begin(log, Arc::clone(turn))?;
        if let Some(outcome) = making.outcome(PATIENCE) {
            return self.take(outcome?);
        }
        self.making = Some(making);
        Ok(())
    }

    fn take(&mut self, made: making::Made) -> Result<(), Fault> {
        match Index::open(&self.folder, Some(made)) {
            Ok(index) => self.index = Some(index),
            Err(Unready::Unreadable(fault)) => return Err(fault),
            // What was made is never missing.
            Err(Unready::Unmade) => {}
        }
        Ok(())
    }
}

/// The folder of a board's files in a run of several: by its position, never by a name from a file.
#[must_use]
pub fn board_folder(run: &Path, position: usize, boards: usize) -> PathBuf {
    if boards > 1 {
        run.join(format!("board-{}", position + 1))
    } else {
        run.to_owned()
    }
}

/// The number that a run's folder begins with.
#[must_use]
pub fn run_number(folder: &Path) -> Option<u32> {
    folder.file_name()?.to_str()?.split('-').next()?.parse().ok()
}
