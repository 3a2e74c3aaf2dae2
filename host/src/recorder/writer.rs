//! The recorder's thread.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use jiff::Timestamp;

use crate::exit::Exit;
use crate::fault::{Fault, plain_reason};

use super::board_files::BoardFiles;
use super::confirmer::{Confirmer, FileOfBoard};
use super::job::{JobFolder, folder_fault};
use super::plan::{BoardIntroduction, RunPlan};
use super::run_toml::{ClosedBoard, ClosedFile, ClosedTable, RunClosed, RunOpened, serial_digits};
use super::sink::{RecordSink, RecorderStatus, ToRecorder};
use super::spool::Spool;

/// Records in the queue: at 1000 readings/s some ten minutes of one board.
const QUEUE_MAX: usize = 32_768;

/// A chunk is closed and appended this often, whatever the disk has confirmed of those before, so that a kill loses at
/// most a second.
const CHUNK_PERIOD: Duration = Duration::from_millis(500);

/// Bytes that may wait for the disk; at 1000 readings/s with every reading in a row, some ten minutes.
pub(super) const WAITING_BYTES_MAX: usize = 64 << 20;

/// How long a disk that takes nothing is waited for when the run is closed.
const CLOSING_PATIENCE: Duration = Duration::from_secs(10);

/// A run being recorded.
#[derive(Debug)]
pub struct Recorder {
    sender: SyncSender<ToRecorder>,
    status: Arc<Mutex<RecorderStatus>>,
    thread: JoinHandle<RunSummary>,
    folder: PathBuf,
    number: u32,
}

/// What became of a run.
#[derive(Clone, Debug)]
pub struct RunSummary {
    /// Where its files are.
    pub folder: PathBuf,
    /// What `run.toml` says at its end.
    pub closed: ClosedTable,
    /// What the disk did not take; `None` when everything recorded is on it.
    pub unwritten: Option<String>,
}

impl Recorder {
    /// Makes the folder of the next run, writes its beginning, and starts to record.
    ///
    /// # Errors
    /// [`Exit::Folder`] or [`Exit::Permission`] when the folder or its files cannot be made.
    pub fn start(
        job: JobFolder,
        plan: &RunPlan,
        boards: Vec<BoardIntroduction>,
    ) -> Result<(Self, Vec<RecordSink>), Fault> {
        let started = Timestamp::now();
        let layer = job.layer();
        let (number, folder) = job.allot(plan.kind, started)?;
        let disk = |error: io::Error| folder_fault(&folder, &error);
        layer.create_folder(&folder).map_err(disk)?;
        let alone = boards.len() == 1;
        let named: Vec<(String, BoardIntroduction)> = boards
            .into_iter()
            .zip(1..)
            .map(|(board, number)| {
                (
                    if alone {
                        ".".into()
                    } else {
                        format!("board-{number}")
                    },
                    board,
                )
            })
            .collect();

        let opened = RunOpened::new(number, format!("{started:.3}"), plan, &named);
        let opened = toml::to_string(&opened).map_err(|error| disk(io::Error::other(error)))?;
        let mut run_toml = Spool::new(
            "run.toml",
            layer.create_file(&folder.join("run.toml")).map_err(disk)?,
        );
        run_toml.push(opened.into_bytes());
        run_toml.drain().map_err(disk)?;

        let mut files = Vec::with_capacity(named.len());
        for (name, board) in named {
            let board_folder = if alone { folder.clone() } else { folder.join(&name) };
            if !alone {
                layer.create_folder(&board_folder).map_err(disk)?;
            }
            let mut board_files = BoardFiles::create(layer, &board_folder, plan).map_err(disk)?;
            board_files.drain().map_err(|(_, error)| disk(error))?;
            let serial = serial_digits(&board.hello);
            files.push((name, serial, board_files));
        }

        let (sender, receiver) = sync_channel(QUEUE_MAX);
        let status = Arc::new(Mutex::new(RecorderStatus::default()));
        let sinks = (0..files.len())
            .map(|board| RecordSink::new(board, sender.clone(), Arc::clone(&status)))
            .collect();
        let writer = Writer {
            _job: job,
            folder: folder.clone(),
            run_toml,
            files,
            status: Arc::clone(&status),
            room: WAITING_BYTES_MAX,
            confirmer: Confirmer::start().map_err(disk)?,
            unconfirmed: None,
        };
        let thread = std::thread::Builder::new()
            .name("recorder".into())
            .spawn(move || writer.run(&receiver))
            .map_err(disk)?;
        Ok((
            Self {
                sender,
                status,
                thread,
                folder,
                number,
            },
            sinks,
        ))
    }

    /// Where the run's files are.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The run's number within the job.
    #[must_use]
    pub const fn number(&self) -> u32 {
        self.number
    }

    /// How it is doing, for whoever shows it.
    #[must_use]
    pub fn status(&self) -> Arc<Mutex<RecorderStatus>> {
        Arc::clone(&self.status)
    }

    /// Closes the run: brings everything to the disk, writes counts and digests.
    ///
    /// # Errors
    /// [`Exit::Failed`] when the recorder's thread has died.
    pub fn close(self, reason: &str) -> Result<RunSummary, Fault> {
        let close = ToRecorder::Close {
            reason: reason.into(),
        };
        let died = || Fault::new(Exit::Failed, "the recorder", "it ended before the run was closed");
        self.sender.send(close).map_err(|_| died())?;
        self.thread.join().map_err(|_| died())
    }
}

struct Writer {
    _job: JobFolder,
    folder: PathBuf,
    run_toml: Spool,
    files: Vec<(String, String, BoardFiles)>,
    status: Arc<Mutex<RecorderStatus>>,
    /// Bytes that may wait for the disk.
    room: usize,
    confirmer: Confirmer,
    /// What the disk said last to what it was to confirm, where that was a fault.
    unconfirmed: Option<String>,
}

impl Writer {
    fn run(mut self, receiver: &Receiver<ToRecorder>) -> RunSummary {
        let mut due = Instant::now() + CHUNK_PERIOD;
        let reason = loop {
            // Where this thread is late, all that has come meanwhile goes into the chunk that is due, not the first of it.
            let wait = due.saturating_duration_since(Instant::now());
            let full = match receiver.recv_timeout(wait) {
                Ok(ToRecorder::Entry { board, entry }) => self
                    .files
                    .get_mut(board)
                    .is_some_and(|(_, _, files)| files.take_entry(entry)),
                Ok(ToRecorder::Close { reason }) => break reason,
                Err(RecvTimeoutError::Timeout) => true,
                Err(RecvTimeoutError::Disconnected) => break "the program ended".to_owned(),
            };
            if full {
                self.seal();
                self.write();
                due = Instant::now() + CHUNK_PERIOD;
            }
        };
        self.close(&reason)
    }

    /// Closes the chunks in progress, without the readings in them when there is no room for these.
    fn seal(&mut self) {
        let waiting: usize = self.files.iter().map(|(_, _, files)| files.waiting_bytes()).sum();
        let lose = waiting > self.room;
        for (_, _, files) in &mut self.files {
            if lose {
                files.lose_received();
            }
            if let Err(error) = files.seal() {
                let trouble = format!("a chunk could not be made: {error}");
                self.status.lock().unwrap_or_else(PoisonError::into_inner).trouble = Some(trouble);
            }
        }
        if lose {
            self.status.lock().unwrap_or_else(PoisonError::into_inner).lost = true;
        }
    }

    /// Appends what waits, takes what the disk has confirmed meanwhile, and asks it to confirm the rest. Waits for no
    /// confirmation.
    fn write(&mut self) {
        self.take_answers(Duration::ZERO);
        let mut trouble = self.each(BoardFiles::append);
        if !self.confirmer.is_waiting() {
            let mut round = Vec::new();
            for (board, (_, _, files)) in self.files.iter().enumerate() {
                for (file, spool) in files.spools().enumerate() {
                    let claimed = spool.to_confirm();
                    round.extend(claimed.map(|(claim, ask)| (FileOfBoard { board, file }, claim, ask)));
                }
            }
            self.confirmer.ask(round);
        }
        trouble = trouble.or_else(|| self.unconfirmed.clone());
        self.tell(trouble);
    }

    /// Takes what the disk said, where it has answered within `patience`.
    fn take_answers(&mut self, patience: Duration) {
        let Some(answers) = self.confirmer.answers(patience) else {
            return;
        };
        self.unconfirmed = None;
        for (FileOfBoard { board, file }, claim, outcome) in answers {
            let spool = self
                .files
                .get_mut(board)
                .and_then(|(_, _, files)| files.spools_mut().nth(file));
            if let Some(spool) = spool
                && let Err(error) = spool.confirmed(claim, outcome)
            {
                self.unconfirmed
                    .get_or_insert_with(|| format!("{}: {}", spool.name(), plain_reason(&error)));
            }
        }
    }

    /// Brings to the disk what waits, and has it confirmed; true when all of it is there.
    fn drain(&mut self) -> bool {
        self.take_answers(CLOSING_PATIENCE);
        let trouble = self.each(BoardFiles::drain);
        let done = trouble.is_none();
        self.tell(trouble);
        done
    }

    /// Does it with every board's files; gives the first trouble in words.
    fn each(&mut self, step: fn(&mut BoardFiles) -> Result<(), (&'static str, io::Error)>) -> Option<String> {
        let mut trouble = None;
        for (_, _, files) in &mut self.files {
            if let Err((name, error)) = step(files) {
                trouble.get_or_insert_with(|| format!("{name}: {}", plain_reason(&error)));
            }
        }
        trouble
    }

    fn tell(&self, trouble: Option<String>) {
        let waiting_bytes = self.files.iter().map(|(_, _, files)| files.waiting_bytes()).sum();
        let mut status = self.status.lock().unwrap_or_else(PoisonError::into_inner);
        status.trouble = trouble;
        status.waiting_bytes = waiting_bytes;
    }

    fn close(mut self, reason: &str) -> RunSummary {
        self.seal();
        let mut unwritten = None;
        for (_, _, files) in &mut self.files {
            if let Err(error) = files.finish() {
                unwritten = Some(error.to_string());
            }
        }
        let patience = Instant::now() + CLOSING_PATIENCE;
        while !self.drain() && Instant::now() < patience {
            std::thread::sleep(CHUNK_PERIOD);
        }
        let closed = RunClosed {
            closed: self.closed_table(reason),
        };
        if let Ok(text) = toml::to_string(&closed) {
            self.run_toml.push(format!("\n{text}").into_bytes());
        }
        let mut last = self.run_toml.drain();
        while last.is_err() && Instant::now() < patience {
            std::thread::sleep(CHUNK_PERIOD);
            last = self.run_toml.drain();
        }
        let status = self.status.lock().unwrap_or_else(PoisonError::into_inner);
        let last = last
            .err()
            .map(|error| format!("run.toml: {}", plain_reason(&error)));
        RunSummary {
            folder: self.folder,
            closed: closed.closed,
            unwritten: unwritten.or_else(|| status.trouble.clone()).or(last),
        }
    }

    fn closed_table(&self, reason: &str) -> ClosedTable {
        let until_us = self
            .files
            .iter()
            .filter_map(|(_, _, files)| files.until_utc_us())
            .max();
        let until = until_us.and_then(|us| Timestamp::from_microsecond(us).ok());
        ClosedTable {
            utc: format!("{:.3}", Timestamp::now()),
            reason: reason.into(),
            recorded_until_utc: until.map(|until| format!("{until:.6}")),
            board: self
                .files
                .iter()
                .map(|(_, serial, files)| closed_board(serial, files))
                .collect(),
            file: self
                .files
                .iter()
                .flat_map(|(folder, _, files)| files.spools().map(move |spool| closed_file(folder, spool)))
                .collect(),
        }
    }
}

fn closed_board(serial: &str, files: &BoardFiles) -> ClosedBoard {
    let stream = files.stream();
    let counts = stream.counts();
    let rate = stream.clock().rate_ppm();
    let utc_bound_s = stream
        .health()
        .and_then(|health| stream.clock().utc(health.time))
        .map(|instant| instant.bound_s);
    ClosedBoard {
        serial: serial.into(),
        readings: counts.instants,
        lost_readings: counts.lost,
        lost_on_this_computer: stream.lost_on_host(),
        dropped_by_board: stream.health().map_or(0, |health| health.readings_dropped),
        damaged_frames: counts.damaged,
        repeated_blocks: counts.repeated,
        utc_bound_s,
        clock_rate_ppm: rate.map(|(rate, _)| rate),
        clock_rate_bound_ppm: rate.map(|(_, bound)| bound),
    }
}

fn closed_file(folder: &str, spool: &Spool) -> ClosedFile {
    let path = match folder {
        "." => spool.name().to_owned(),
        folder => format!("{folder}/{}", spool.name()),
    };
    ClosedFile {
        path,
        bytes: spool.written_bytes(),
        sha256: spool.digest(),
    }
}
