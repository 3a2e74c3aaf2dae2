//! `kill -9` of the shipped program at any moment of a recording.
//!
//! The virtual bench goes on measuring meanwhile, as a real one does. Each life of the program is a run of one job; the
//! next life has to open the job without being asked, say what is missing, and go on.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use rand::Rng;
use steadybench_host::recorder::{RunSurvey, run_folders, survey_run};
use steadybench_virtual::{BenchOptions, Scenario, VirtualBench};

use super::delays::Delays;
use super::recording::{replay, whole_rows};
use super::{Outcome, random};
use crate::program::steady;

/// What a kill may cost, beside what came while threads of the board's or the program's waited for a processor: who is
/// given none writes nothing.
const LOSS_MAX_S: f64 = 1.0;

/// When a life of the program ends.
#[derive(Clone, Copy, Debug)]
struct Fate {
    /// Before it is asked to close, or killed.
    lives: Duration,
    /// It is asked to close, and killed this long after.
    closing: Option<Duration>,
}

impl Fate {
    /// A quarter dies while starting, an eighth while closing the run, the rest while recording.
    fn draw(random: &mut impl Rng) -> Self {
        let kind = random.random_range(0..8);
        let lives = match kind {
            0 | 1 => Duration::from_micros(random.random_range(0..600_000)),
            _ => Duration::from_micros(random.random_range(600_000..2_600_000)),
        };
        let closing = (kind == 2).then(|| Duration::from_micros(random.random_range(0..120_000)));
        Self { lives, closing }
    }
}

/// What is known of the lives so far.
#[derive(Debug, Default)]
struct Tally {
    recording: u32,
    before: u32,
    closed: u32,
    no_reading: u32,
    readings: u64,
    worst_s: f64,
    total_s: f64,
    /// The most that threads waited for a processor in one life.
    delay_s: f64,
}

/// Kills the program `count` times.
///
/// # Panics
/// When there is no pseudo-terminal, or the program has not been built.
#[must_use]
pub fn run(seed: u64, count: u32, mut progress: impl FnMut(u32)) -> Outcome {
    let mut outcome = Outcome::new("kill", "`kill -9` of the program while it records");
    let mut random = random(seed);
    let folder = tempfile::tempdir().expect("a temporary folder");
    let link = folder.path().join("board");
    let options = BenchOptions {
        seed,
        device_link: Some(link.clone()),
        ..BenchOptions::default()
    };
    let _bench = VirtualBench::on_pty(&Scenario::greenhouse(), &options).expect("a pseudo-terminal");
    let job = folder.path().join("job");
    let mut tally = Tally::default();
    let mut cut_off = false;
    let mut delays = Delays::own();
    for life in 0..count {
        progress(life);
        let known = runs(&job).len();
        let words = folder.path().join("words");
        delays.take();
        let mut child = start(&link, &job, &words);
        let (killed_us, waited) = end(&mut child, Fate::draw(&mut random));
        let delay_s = (waited + delays.take()).as_secs_f64();
        tally.delay_s = tally.delay_s.max(delay_s);
        let now = runs(&job);
        let words = std::fs::read_to_string(&words).unwrap_or_default();
        if now.len() == known {
            tally.before += 1;
            continue;
        }
        outcome.require(now.len() == known + 1, || {
            format!("life {life} made {} runs", now.len() - known)
        });
        if cut_off {
            outcome.require(words.contains("was cut off"), || {
                format!("life {life} did not say that the run before was cut off: {words}")
            });
        }
        let run = &now[now.len() - 1];
        match survey_run(run) {
            Ok(survey) => {
                cut_off = survey.closed.is_none();
                let allowed_s = LOSS_MAX_S + delay_s;
                judge(life, &survey, killed_us, allowed_s, &mut tally, &mut outcome);
            }
            Err(fault) => outcome
                .violations
                .push(format!("life {life}: the run does not open: {fault}")),
        }
    }
    outcome.tried = format!(
        "{count} kills: {} while recording, {} after the run was closed, {} before its first reading, {} before its folder was made; {}",
        tally.recording,
        tally.closed,
        tally.no_reading,
        tally.before,
        machine()
    );
    let mean_s = tally.total_s / f64::from(tally.recording.max(1));
    outcome.lost = format!(
        "at most the last {:.2} s ({mean_s:.2} s on average), stated each time, where threads waited {:.2} s for a processor in one life at the most; none of {} readings before that; every job opened and went on",
        tally.worst_s, tally.delay_s, tally.readings
    );
    outcome
}

fn judge(
    life: u32,
    survey: &RunSurvey,
    killed_us: i64,
    allowed_s: f64,
    tally: &mut Tally,
    outcome: &mut Outcome,
) {
    let Some(board) = survey.boards.first() else {
        tally.no_reading += 1;
        return;
    };
    match replay(&board.folder.join("wire.log")) {
        Ok(recorded) => {
            outcome.require(recorded.lost == 0, || {
                format!(
                    "life {life}: {} readings are missing inside the recording: {:?}",
                    recorded.lost, recorded.causes
                )
            });
            tally.readings += recorded.readings.len() as u64;
            match whole_rows(&board.folder.join("readings.csv")) {
                Ok(rows) => {
                    let recorded = &recorded.readings;
                    let other = rows
                        .iter()
                        .zip(recorded)
                        .position(|(row, (index, _))| row != index);
                    outcome.require(other.is_none() && rows.len() <= recorded.len(), || {
                        format!(
                            "life {life}: readings.csv has {} rows and wire.log {} readings; row {other:?} is another",
                            rows.len(),
                            recorded.len()
                        )
                    });
                }
                Err(words) => outcome.violations.push(format!("life {life}: {words}")),
            }
        }
        Err(words) => outcome.violations.push(format!("life {life}: {words}")),
    }
    if survey.closed.is_some() {
        tally.closed += 1;
        return;
    }
    outcome.require(!survey.missing().is_empty(), || {
        format!("life {life}: nothing is said to be missing")
    });
    // Without a reading the loss counts from when the run began to record.
    let begun = survey
        .opened
        .as_ref()
        .and_then(|opened| opened.run.started_utc.parse::<jiff::Timestamp>().ok());
    let until = survey.recorded_until_utc();
    if until.is_some() {
        tally.recording += 1;
    } else {
        tally.no_reading += 1;
    }
    let Some(until) = until.or(begun) else { return };
    let lost_s = (killed_us - until.as_microsecond()) as f64 * 1e-6;
    outcome.require(lost_s <= allowed_s, || {
        format!(
            "life {life}: killed {lost_s:.3} s after its last reading on the disk, where {allowed_s:.3} s are allowed"
        )
    });
    tally.worst_s = tally.worst_s.max(lost_s);
    tally.total_s += lost_s;
}

/// What else the machine had to do: a program that is given no processor writes nothing.
fn machine() -> String {
    let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    let load = load.split(' ').nth(2).unwrap_or("unknown").to_owned();
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    format!("load {load} on {cores} cores over the last 15 min")
}

fn runs(job: &Path) -> Vec<PathBuf> {
    run_folders(job).unwrap_or_default()
}

fn start(link: &Path, job: &Path, words: &Path) -> Child {
    steady()
        .args(["collect", "--full-rate", "always", "--port"])
        .arg(link)
        .arg("--job")
        .arg(job)
        .stdout(Stdio::null())
        .stderr(File::create(words).expect("a file for its words"))
        .spawn()
        .expect("steady starts")
}

/// Lets a life come to its end; gives the host's UTC just before it was killed, in microseconds, and how long its threads
/// had waited for a processor.
fn end(child: &mut Child, fate: Fate) -> (i64, Duration) {
    std::thread::sleep(fate.lives);
    if let Some(closing) = fate.closing {
        let asked = Command::new("kill")
            .args(["-INT", &child.id().to_string()])
            .status();
        assert!(
            asked.is_ok_and(|status| status.success()),
            "a program can be interrupted"
        );
        std::thread::sleep(closing);
    }
    let waited = Delays::of(&child.id().to_string()).take();
    let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    child.kill().expect("a program can be killed");
    child.wait().expect("a killed program ends");
    (i64::try_from(now.as_micros()).unwrap_or(i64::MAX), waited)
}
