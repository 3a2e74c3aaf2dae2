//! Power cuts: what was not confirmed by the disk comes in any order, in part, as zeros, or not at all.
//!
//! A disk in memory notes every append and every confirmation of a real recording. The power is then cut at every byte of
//! its last two seconds: what a file had confirmed stands; of the rest, a length is drawn, and each piece of 512 bytes in
//! it is there or is zeros, as when a file system wrote the length and not the bytes.

use std::io::{self, Cursor};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use rand::Rng;
use rand_chacha::ChaCha8Rng;
use steadybench_host::recorder::wire_log::{LogItem, LogReader};
use steadybench_host::recorder::{
    AppendFile, Confirmation, FileLayer, FullRate, JobFolder, run_folders, run_tables, survey_run,
};
use steadybench_host::table::rows::Rows;
use steadybench_virtual::{BenchOptions, Scenario, VirtualBench};

use super::in_process::{record, run_plan, wait};
use super::{Outcome, random};
use crate::program::steady;

/// The stretch before the end in which the power is cut.
const STRETCH_US: i64 = 2_000_000;

/// What a power cut may cost.
const LOSS_MAX_S: f64 = 1.0;

/// Bytes that a disk writes at once.
const SECTOR: usize = 512;

#[derive(Clone, Debug)]
enum Step {
    Made(PathBuf),
    Appended(usize, Vec<u8>),
    Confirmed(usize),
}

/// A disk that notes what is done to it.
#[derive(Clone, Debug, Default)]
struct NotingDisk(Arc<Mutex<Vec<(i64, Step)>>>);

impl NotingDisk {
    fn note(&self, step: Step) -> usize {
        let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        let mut steps = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let made = steps
            .iter()
            .filter(|(_, step)| matches!(step, Step::Made(_)))
            .count();
        steps.push((i64::try_from(now.as_micros()).unwrap_or(i64::MAX), step));
        made
    }
}

impl FileLayer for NotingDisk {
    fn create_folder(&self, _path: &Path) -> io::Result<()> {
        Ok(())
    }

    fn create_file(&self, path: &Path) -> io::Result<Box<dyn AppendFile>> {
        let number = self.note(Step::Made(path.to_owned()));
        Ok(Box::new(NotingFile {
            disk: self.clone(),
            number,
        }))
    }
}

struct NotingFile {
    disk: NotingDisk,
    number: usize,
}

impl AppendFile for NotingFile {
    fn append(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.disk.note(Step::Appended(self.number, bytes.to_vec()));
        Ok(bytes.len())
    }

    fn confirmation(&self) -> Confirmation {
        let (disk, number) = (self.disk.clone(), self.number);
        Box::new(move || {
            disk.note(Step::Confirmed(number));
            Ok(())
        })
    }

    fn reopen(&mut self) -> io::Result<u64> {
        Err(io::ErrorKind::NotFound.into())
    }
}

/// A file up to some step.
#[derive(Clone, Debug, Default)]
struct Held {
    path: PathBuf,
    bytes: Vec<u8>,
    confirmed: usize,
}

impl Held {
    /// What a power cut leaves of it; `more` has been appended in part.
    fn torn(&self, more: &[u8], random: &mut ChaCha8Rng) -> Vec<u8> {
        let mut left = self.bytes.clone();
        left.extend_from_slice(more);
        let unconfirmed = left.len() - self.confirmed;
        // One time in four everything is there.
        if unconfirmed > 0 && random.random_range(0..4) > 0 {
            left.truncate(self.confirmed + random.random_range(0..=unconfirmed));
            for piece in left[self.confirmed..].chunks_mut(SECTOR) {
                if random.random_range(0..3) == 0 {
                    piece.fill(0);
                }
            }
        }
        left
    }
}

/// Everything known of the whole recording.
struct Truth {
    /// The headers of its chunks, in order.
    chunks: Vec<LogItem>,
    /// Rows of `readings.csv`: time and currents.
    rows: Vec<(f64, [f64; 2])>,
}

#[derive(Debug, Default)]
struct Tally {
    cuts: u64,
    stated: u64,
    worst_s: f64,
    tables: u64,
    refused: u64,
    folders: u64,
}

/// Cuts the power at every byte of the last two seconds of a recording, or at `count` of them evenly spread.
///
/// # Panics
/// When there is no pseudo-terminal, or the program has not been built.
#[must_use]
pub fn run(seed: u64, count: u64, mut progress: impl FnMut(u64)) -> Outcome {
    let mut outcome = Outcome::new(
        "torn-writes",
        "power cut: unconfirmed writes torn, reordered, zeroed",
    );
    let mut random = random(seed);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let job = folder.path().join("job");
    let steps = recorded(&job, seed);
    let mut files: Vec<Held> = Vec::new();
    for (_, step) in &steps {
        apply(&mut files, step);
    }
    let truth = truth(&files);

    let end_us = steps.last().map_or(0, |(at, _)| *at);
    let begins = steps.partition_point(|(at, _)| *at < end_us - STRETCH_US);
    let places: u64 = steps[begins..].iter().map(|(_, step)| places_in(step)).sum();
    let stride = places.div_ceil(count.max(1)).max(1);
    let on_disk_every = (places / stride / 100).max(1);
    files.clear();
    for (_, step) in &steps[..begins] {
        apply(&mut files, step);
    }
    let mut tally = Tally::default();
    let mut place = 0;
    for (at_us, step) in &steps[begins..] {
        let (number, bytes): (usize, &[u8]) = match step {
            Step::Appended(number, bytes) => (*number, bytes),
            Step::Made(_) | Step::Confirmed(_) => (usize::MAX, &[]),
        };
        for cut in 0..places_in(step) as usize {
            place += 1;
            if place % stride != 0 {
                continue;
            }
            tally.cuts += 1;
            progress(tally.cuts * stride);
            let left: Vec<(PathBuf, Vec<u8>)> = files
                .iter()
                .enumerate()
                .map(|(file, held)| {
                    let more = if file == number { &bytes[..cut] } else { &[] };
                    (held.path.clone(), held.torn(more, &mut random))
                })
                .collect();
            let context = || {
                format!(
                    "cut at byte {cut} of file {number}, {} µs before the end",
                    end_us - at_us
                )
            };
            judge(&left, *at_us, &truth, &mut tally, &mut outcome, &context);
            if tally.cuts % on_disk_every == 0 {
                judge_on_disk(&job, &left, &mut tally, &mut outcome, &context);
            }
        }
        apply(&mut files, step);
    }
    let beginnings = beginnings(folder.path(), &steps, &mut outcome);
    outcome.tried = format!(
        "{} cuts, at every {}byte written in the last 2 s; {} torn tables read; {} torn jobs opened and gone on with; {beginnings} cuts while a job is being made",
        tally.cuts,
        if stride == 1 {
            String::new()
        } else {
            format!("{stride}th ")
        },
        tally.tables,
        tally.folders,
    );
    outcome.lost = format!(
        "at most the last {:.2} s, stated in {} of {} folders that were not closed; no torn byte became a reading ({} tables were refused with their line)",
        tally.worst_s, tally.stated, tally.stated, tally.refused
    );
    outcome
}

fn places_in(step: &Step) -> u64 {
    match step {
        Step::Appended(_, bytes) => bytes.len() as u64,
        Step::Made(_) | Step::Confirmed(_) => 1,
    }
}

fn apply(files: &mut Vec<Held>, step: &Step) {
    match step {
        Step::Made(path) => files.push(Held {
            path: path.clone(),
            ..Held::default()
        }),
        Step::Appended(number, bytes) => files[*number].bytes.extend_from_slice(bytes),
        Step::Confirmed(number) => files[*number].confirmed = files[*number].bytes.len(),
    }
}

/// Records five seconds in real time.
fn recorded(job: &Path, seed: u64) -> Vec<(i64, Step)> {
    let options = BenchOptions {
        seed,
        ..BenchOptions::default()
    };
    let bench = VirtualBench::on_pty(&Scenario::greenhouse(), &options).expect("a pseudo-terminal");
    let port = PathBuf::from(bench.port().to_string());
    let disk = NotingDisk::default();
    record(
        &[port],
        job,
        run_plan(1000, FullRate::Always, 1_000_000),
        disk.clone(),
        |control| {
            let readings = || control.boards()[0].readings;
            assert!(
                wait(Duration::from_secs(60), || readings() > 4_000),
                "a bench measures"
            );
            control
                .mark(steadybench_host::recorder::HostMarkKind::Note, "=2+3")
                .expect("a run is marked");
            assert!(
                wait(Duration::from_secs(60), || readings() > 5_000),
                "a bench measures"
            );
        },
    );
    std::mem::take(&mut disk.0.lock().unwrap_or_else(PoisonError::into_inner))
}

fn named<'a>(files: &'a [Held], name: &str) -> &'a Held {
    let found = files.iter().find(|held| held.path.ends_with(name));
    found.unwrap_or_else(|| panic!("a run has a {name}"))
}

fn truth(files: &[Held]) -> Truth {
    let rows = rows(named(files, "readings.csv").bytes.clone()).expect("a whole table is read");
    Truth {
        chunks: items(&named(files, "wire.log").bytes).expect("a whole log is read"),
        rows,
    }
}

fn items(bytes: &[u8]) -> Result<Vec<LogItem>, String> {
    let mut reader = LogReader::new(bytes)?.headers_only();
    let mut items = Vec::new();
    while let Some(item) = reader.next_item()? {
        items.push(item);
    }
    Ok(items)
}

fn rows(bytes: Vec<u8>) -> Result<Vec<(f64, [f64; 2])>, String> {
    let mut rows = Rows::open(Cursor::new(bytes), None, None).map_err(|fault| fault.to_string())?;
    let mut samples = Vec::new();
    while let Some(sample) = rows.next_sample().map_err(|fault| fault.to_string())? {
        samples.push((sample.time_s, sample.current_a));
    }
    Ok(samples)
}

fn judge(
    left: &[(PathBuf, Vec<u8>)],
    at_us: i64,
    truth: &Truth,
    tally: &mut Tally,
    outcome: &mut Outcome,
    context: &dyn Fn() -> String,
) {
    for (path, bytes) in left {
        if path.ends_with("wire.log") {
            match items(bytes) {
                Ok(items) => judge_log(&items, at_us, truth, tally, outcome, context),
                Err(words) => outcome
                    .violations
                    .push(format!("{}: wire.log: {words}", context())),
            }
        } else if path.ends_with("readings.csv") {
            // The rows before are the same at every cut.
            let beginning = bytes
                .iter()
                .position(|byte| *byte == b'\n')
                .map_or(bytes.len(), |end| end + 1);
            let tail = bytes.len().saturating_sub(3_000).max(beginning);
            let tail = bytes[tail..]
                .iter()
                .position(|byte| *byte == b'\n')
                .map_or(bytes.len(), |end| tail + end + 1);
            let table = [&bytes[..beginning], &bytes[tail..]].concat();
            tally.tables += 1;
            match rows(table) {
                Ok(rows) => {
                    for row in rows {
                        outcome.require(is_true(&row, truth), || {
                            format!("{}: readings.csv gives {row:?}", context())
                        });
                    }
                }
                Err(words) => {
                    tally.refused += 1;
                    outcome.require(
                        words.contains("line ") || words.contains("no rows") || words.contains("no column"),
                        || {
                            format!(
                                "{}: readings.csv is refused without its line or reason: {words}",
                                context()
                            )
                        },
                    );
                }
            }
        }
    }
}

/// Whether a row is one that was written; what is missing in it claims nothing.
fn is_true((time_s, current_a): &(f64, [f64; 2]), truth: &Truth) -> bool {
    let position = truth.rows.partition_point(|(before_s, _)| before_s < time_s);
    truth.rows.get(position).is_some_and(|(true_s, true_a)| {
        true_s == time_s
            && current_a
                .iter()
                .zip(true_a)
                .all(|(found, known)| found.is_nan() || found == known)
    })
}

fn judge_log(
    items: &[LogItem],
    at_us: i64,
    truth: &Truth,
    tally: &mut Tally,
    outcome: &mut Outcome,
    context: &dyn Fn() -> String,
) {
    let mut until_us = None;
    for item in items {
        if let LogItem::Chunk { header, .. } = item {
            until_us = header.until_utc_us.or(until_us);
            outcome.require(truth.chunks.contains(item), || {
                format!(
                    "{}: chunk {} is none that was written",
                    context(),
                    header.sequence
                )
            });
        }
    }
    let lost_s = until_us.map_or(f64::INFINITY, |until_us| (at_us - until_us) as f64 * 1e-6);
    tally.worst_s = tally.worst_s.max(lost_s);
    outcome.require(lost_s <= LOSS_MAX_S, || {
        format!("{}: {lost_s:.3} s are missing", context())
    });
}

/// Lays the torn run into a copy of its job and goes on there.
fn judge_on_disk(
    job: &Path,
    left: &[(PathBuf, Vec<u8>)],
    tally: &mut Tally,
    outcome: &mut Outcome,
    context: &dyn Fn() -> String,
) {
    let copy = tempfile::tempdir().expect("a temporary folder");
    let there = |path: &Path| copy.path().join(path.strip_prefix(job).expect("within the job"));
    let runs = copy.path().join("runs");
    std::fs::create_dir(&runs).expect("a folder");
    for name in ["job.toml", "runs/index.csv"] {
        std::fs::copy(job.join(name), copy.path().join(name)).expect("a copy");
    }
    for (path, bytes) in left {
        let path = there(path);
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
        std::fs::write(path, bytes).expect("a file");
    }
    tally.folders += 1;
    let run = run_folders(copy.path()).expect("a job has runs").remove(0);
    match survey_run(&run) {
        Ok(survey) => {
            if survey.closed.is_none() {
                tally.stated += 1;
                outcome.require(!survey.missing().is_empty(), || {
                    format!("{}: nothing is said to be missing", context())
                });
            }
        }
        Err(fault) => outcome
            .violations
            .push(format!("{}: the run does not open: {fault}", context())),
    }
    // The program itself goes on in one of ten; it starts a bench of its own.
    if tally.folders.is_multiple_of(10) {
        let output = steady()
            .args([
                "collect",
                "--port",
                "virtual:greenhouse",
                "--for",
                "200ms",
                "--job",
            ])
            .arg(copy.path())
            .output()
            .expect("steady starts");
        let goes_on = output.status.success() && run_folders(copy.path()).is_ok_and(|runs| runs.len() == 2);
        outcome.require(goes_on, || {
            format!(
                "{}: the program does not go on: {}",
                context(),
                String::from_utf8_lossy(&output.stderr)
            )
        });
    } else {
        let opened = JobFolder::open_or_create(copy.path());
        outcome.require(opened.is_ok(), || {
            format!("{}: the job does not open: {opened:?}", context())
        });
    }
}

/// Cuts while a job and its first run are being made: each file at each of its bytes.
fn beginnings(folder: &Path, steps: &[(i64, Step)], outcome: &mut Outcome) -> u64 {
    let job_toml = std::fs::read(folder.join("job/job.toml")).expect("a job has its file");
    let index = std::fs::read(folder.join("job/runs/index.csv")).expect("a job has its index");
    let run_toml = steps.iter().find_map(|(_, step)| match step {
        Step::Appended(0, bytes) => Some(bytes.clone()),
        _ => None,
    });
    let run_toml = run_toml.expect("a run begins with run.toml");
    let mut cuts = 0;
    let mut try_one = |what: &str, lay: &dyn Fn(&Path)| {
        cuts += 1;
        let job = tempfile::tempdir().expect("a temporary folder");
        lay(job.path());
        let opened = JobFolder::open_or_create(job.path()).and_then(|opened| opened.runs());
        match opened {
            Ok(runs) => {
                for run in runs {
                    let survey = survey_run(&run);
                    outcome.require(
                        survey.as_ref().is_ok_and(|survey| !survey.missing().is_empty()),
                        || format!("{what}: the run is taken for {survey:?}"),
                    );
                    outcome.require(run_tables(&run).1.is_none(), || {
                        format!("{what}: the run is taken for closed")
                    });
                }
            }
            Err(fault) => outcome
                .violations
                .push(format!("{what}: the job does not open: {fault}")),
        }
    };
    for cut in 0..=job_toml.len() {
        try_one("job.toml being written", &|job| {
            lay(job, ".steady-lock", b"");
            lay(job, ".steady-job.toml", &job_toml[..cut]);
        });
    }
    for cut in 0..=index.len() {
        try_one("runs/index.csv being written", &|job| {
            lay(job, "job.toml", &job_toml);
            lay(job, "runs/index.csv", &index[..cut]);
        });
    }
    for cut in 0..=run_toml.len() {
        try_one("run.toml being written", &|job| {
            lay(job, "job.toml", &job_toml);
            lay(job, "runs/index.csv", &index);
            lay(job, "runs/0001-soak/run.toml", &run_toml[..cut]);
        });
    }
    cuts
}

fn lay(job: &Path, name: &str, bytes: &[u8]) {
    let path = job.join(name);
    std::fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
    std::fs::write(path, bytes).expect("a file");
}
