//! Disks that are full, read-only, taken away, or slow, under a real recording.
//!
//! The first four are played by a layer between the recorder and the real disk, because a test may not fill a machine's
//! disk nor take it away. Where the system lets it, the shipped program also records on a small disk of its own that is
//! really full.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use rand::Rng;
use rand_chacha::ChaCha8Rng;
use steadybench_host::collector::Rehearsal;
use steadybench_host::recorder::{
    AppendFile, Confirmation, Disk, FileLayer, FullRate, JobFolder, RunSummary, run_folders, survey_run,
};
use steadybench_host::stream::GapCause;
use steadybench_virtual::{BenchOptions, Scenario, VirtualBench, VirtualBoard};

use super::in_process::{record, run_plan, wait};
use super::recording::{replay, whole_rows};
use super::{Outcome, random};
use crate::program::steady;

/// How a disk behaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Mood {
    Well,
    /// Takes so many bytes more.
    Full(usize),
    ReadOnly,
    /// Everything that was open is gone for good; what is opened again is not there yet.
    Gone,
    /// Each append takes so long.
    Slow(Duration),
}

#[derive(Debug)]
struct State {
    mood: Mood,
    /// Counts how often the disk went; a handle from before a departure stays dead.
    departures: u32,
}

/// The real disk, behind a mood.
#[derive(Clone, Debug)]
struct MoodyDisk(Arc<Mutex<State>>);

impl MoodyDisk {
    fn new() -> Self {
        Self(Arc::new(Mutex::new(State {
            mood: Mood::Well,
            departures: 0,
        })))
    }

    fn set(&self, mood: Mood) {
        let mut state = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        state.departures += u32::from(mood == Mood::Gone);
        state.mood = mood;
    }

    fn departures(&self) -> u32 {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).departures
    }

    /// How many of `count` bytes may go through to a file that was opened after so many departures.
    fn allowed(&self, count: usize, departures: u32) -> io::Result<usize> {
        let mut state = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if state.departures != departures {
            return Err(io::Error::other("the device is gone"));
        }
        match &mut state.mood {
            Mood::Well => Ok(count),
            Mood::Full(0) => Err(io::ErrorKind::StorageFull.into()),
            Mood::Full(room) => {
                let taken = count.min(*room);
                *room -= taken;
                Ok(taken)
            }
            Mood::ReadOnly => Err(io::ErrorKind::ReadOnlyFilesystem.into()),
            Mood::Gone => Err(io::Error::other("the device is gone")),
            Mood::Slow(stall) => {
                let stall = *stall;
                drop(state);
                std::thread::sleep(stall);
                Ok(count)
            }
        }
    }
}

impl FileLayer for MoodyDisk {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        Disk.create_folder(path)
    }

    fn create_file(&self, path: &Path) -> io::Result<Box<dyn AppendFile>> {
        Ok(Box::new(MoodyFile {
            departures: self.departures(),
            disk: self.clone(),
            file: Disk.create_file(path)?,
        }))
    }
}

struct MoodyFile {
    disk: MoodyDisk,
    file: Box<dyn AppendFile>,
    departures: u32,
}

impl AppendFile for MoodyFile {
    fn append(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let allowed = self.disk.allowed(bytes.len(), self.departures)?;
        self.file.append(&bytes[..allowed])
    }

    fn confirmation(&self) -> Confirmation {
        let (disk, departures) = (self.disk.clone(), self.departures);
        let confirmation = self.file.confirmation();
        Box::new(move || {
            match disk.allowed(0, departures) {
                // A full disk still confirms what it has.
                Ok(_) => {}
                Err(error) if error.kind() == io::ErrorKind::StorageFull => {}
                Err(error) => return Err(error),
            }
            confirmation()
        })
    }

    fn reopen(&mut self) -> io::Result<u64> {
        let state = self.disk.0.lock().unwrap_or_else(PoisonError::into_inner);
        if state.mood == Mood::Gone {
            return Err(io::ErrorKind::NotFound.into());
        }
        let length = self.file.reopen()?;
        self.departures = state.departures;
        Ok(length)
    }
}

#[derive(Debug, Default)]
struct Tally {
    full: u32,
    read_only: u32,
    gone: u32,
    slow: u32,
    readings: u64,
    lost: u64,
    longest_s: f64,
}

/// Lets the disk fail `count` times during recordings, each of one kind after another; then once for longer than memory
/// lasts; then for good.
///
/// # Panics
/// When there is no pseudo-terminal, or the program has not been built.
#[must_use]
pub fn run(seed: u64, count: u32, mut progress: impl FnMut(u32)) -> Outcome {
    let mut outcome = Outcome::new("disk", "disk full, read-only, taken away, stalling 2 s");
    let mut random = random(seed);
    let mut tally = Tally::default();
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut done = 0;
    // Four failures a run, so that one meets what another left.
    while done < count {
        let job = folder.path().join(format!("job-{done}"));
        let failures = (count - done).min(4);
        passing(seed, done, failures, &job, &mut random, &mut tally, &mut outcome);
        done += failures;
        progress(done);
    }
    let beyond = beyond_memory(&folder.path().join("beyond"), &mut outcome);
    for_good(seed, &folder.path().join("for-good"), &mut outcome);
    let removed = removed_folder(seed, folder.path(), &mut outcome);
    let small = small_disk(seed, folder.path(), &mut outcome);
    outcome.tried = format!(
        "{} passing failures of up to {:.1} s ({} full, {} read-only, {} gone and back, {} stalls of 2 s); one of 40 min at 4000/s in virtual time; one for good; the run's folder deleted under the program; {small}",
        done, tally.longest_s, tally.full, tally.read_only, tally.gone, tally.slow
    );
    outcome.lost = format!(
        "passing failures: {} of {} readings; beyond memory: {beyond}; for good: what came after it, exit code 12; deleted folder: {removed}",
        tally.lost, tally.readings
    );
    outcome
}

fn bench(seed: u64) -> (VirtualBench, PathBuf) {
    let options = BenchOptions {
        seed,
        ..BenchOptions::default()
    };
    let bench = VirtualBench::on_pty(&Scenario::greenhouse(), &options).expect("a pseudo-terminal");
    let port = PathBuf::from(bench.port().to_string());
    (bench, port)
}

/// Failures that end before memory does: nothing may be lost.
fn passing(
    seed: u64,
    first: u32,
    failures: u32,
    job: &Path,
    random: &mut ChaCha8Rng,
    tally: &mut Tally,
    outcome: &mut Outcome,
) {
    let (_bench, port) = bench(seed);
    let disk = MoodyDisk::new();
    let plan = run_plan(1000, FullRate::Always, 1_000_000);
    let (summary, ()) = record(&[port], job, plan, disk.clone(), |control| {
        let begun = wait(Duration::from_secs(30), || control.boards()[0].readings > 500);
        assert!(begun, "a bench measures");
        for failure in first..first + failures {
            let lasts = Duration::from_millis(random.random_range(700..2_500));
            let (mood, kind) = match failure % 4 {
                0 => (Mood::Full(random.random_range(0..20_000)), &mut tally.full),
                1 => (Mood::ReadOnly, &mut tally.read_only),
                2 => (Mood::Gone, &mut tally.gone),
                _ => (Mood::Slow(Duration::from_secs(2)), &mut tally.slow),
            };
            *kind += 1;
            disk.set(mood);
            std::thread::sleep(lasts);
            let status = control.recorder();
            if matches!(mood, Mood::ReadOnly | Mood::Gone) {
                outcome.require(status.trouble.is_some(), || {
                    format!("failure {failure}, {mood:?}: no trouble is shown")
                });
            }
            disk.set(Mood::Well);
            tally.longest_s = tally.longest_s.max(lasts.as_secs_f64());
            let recovered = wait(Duration::from_secs(20), || {
                let status = control.recorder();
                status.trouble.is_none() && status.waiting_bytes < 200_000
            });
            outcome.require(recovered, || {
                format!(
                    "failure {failure}, {mood:?}: it does not recover: {:?}",
                    control.recorder()
                )
            });
        }
    });
    nothing_lost(&summary, tally, outcome);
}

fn nothing_lost(summary: &RunSummary, tally: &mut Tally, outcome: &mut Outcome) {
    let board = &summary.closed.board[0];
    let recorded = replay(&summary.folder.join("wire.log")).unwrap_or_default();
    tally.readings += board.readings;
    tally.lost += board.lost_readings;
    outcome.require(summary.unwritten.is_none(), || {
        format!("unwritten: {:?}", summary.unwritten)
    });
    outcome.require(recorded.lost == 0 && board.lost_readings == 0, || {
        format!("{} readings are lost", board.lost_readings)
    });
    let rows = whole_rows(&summary.folder.join("readings.csv"));
    outcome.require(
        rows.as_ref()
            .is_ok_and(|rows| rows.len() == recorded.readings.len()),
        || {
            format!(
                "readings.csv has other rows than wire.log: {:?}",
                rows.map(|rows| rows.len())
            )
        },
    );
    for file in &summary.closed.file {
        let length = summary
            .folder
            .join(&file.path)
            .metadata()
            .map_or(0, |metadata| metadata.len());
        outcome.require(length == file.bytes, || {
            format!("{} has {length} bytes and should have {}", file.path, file.bytes)
        });
    }
    outcome.require(
        survey_run(&summary.folder).is_ok_and(|survey| survey.missing().is_empty()),
        || "a whole run is said to miss something".into(),
    );
}

/// A disk that is full for longer than memory lasts, in virtual time.
fn beyond_memory(job: &Path, outcome: &mut Outcome) -> String {
    let mut board = VirtualBoard::new(&Scenario::healthy(), 1);
    let disk = MoodyDisk::new();
    let rehearsal = Rehearsal {
        run: run_plan(250, FullRate::Always, 60_000_000),
        length: Duration::from_secs(50 * 60),
        begun_utc_ns: 1_790_000_000_000_000_000,
        port: "virtual".into(),
        marks: Vec::new(),
    };
    let (from, to) = (Duration::from_secs(5 * 60), Duration::from_secs(45 * 60));
    let layer = disk.clone();
    let summary = rehearsal
        .record(
            &mut board,
            || Ok(JobFolder::open_or_create(job)?.through(layer)),
            |now| {
                disk.set(if now > from && now < to {
                    Mood::Full(0)
                } else {
                    Mood::Well
                });
            },
        )
        .unwrap_or_else(|fault| panic!("a rehearsal is recorded: {fault}"));
    let board = &summary.closed.board[0];
    let recorded = replay(&summary.folder.join("wire.log")).unwrap_or_default();
    let all = board.readings + board.lost_readings;
    outcome.require(board.lost_on_this_computer > 0, || {
        "40 minutes without room lost nothing".into()
    });
    outcome.require(board.lost_on_this_computer == board.lost_readings, || {
        format!(
            "of {} lost readings {} are put down to this computer",
            board.lost_readings, board.lost_on_this_computer
        )
    });
    outcome.require(
        recorded.lost == board.lost_readings && recorded.readings.len() as u64 + recorded.lost == all,
        || {
            format!(
                "{} recorded and {} stated as lost are not {all}",
                recorded.readings.len(),
                recorded.lost
            )
        },
    );
    outcome.require(
        recorded.causes.iter().all(|cause| *cause == GapCause::Host),
        || {
            format!(
                "not all of {} gaps are put down to this computer",
                recorded.causes.len()
            )
        },
    );
    outcome.require(summary.unwritten.is_none(), || {
        format!("unwritten: {:?}", summary.unwritten)
    });
    format!(
        "{} of {all} readings, counted, in {} gaps of whole blocks",
        recorded.lost,
        recorded.causes.len()
    )
}

/// A disk that stays read-only until the end: what was confirmed stays, and the end says so.
fn for_good(seed: u64, job: &Path, outcome: &mut Outcome) {
    let (_bench, port) = bench(seed);
    let disk = MoodyDisk::new();
    let plan = run_plan(1000, FullRate::Always, 1_000_000);
    let (summary, ()) = record(&[port], job, plan, disk.clone(), |control| {
        wait(Duration::from_secs(30), || control.boards()[0].readings > 1_500);
        disk.set(Mood::ReadOnly);
        wait(Duration::from_secs(30), || control.boards()[0].readings > 2_500);
    });
    outcome.require(summary.unwritten.is_some(), || {
        "a run that is not on the disk is said to be".into()
    });
    let survey = survey_run(&summary.folder);
    outcome.require(
        survey
            .as_ref()
            .is_ok_and(|survey| survey.closed.is_none() && !survey.missing().is_empty()),
        || format!("the run is taken for whole: {survey:?}"),
    );
    let kept = replay(&summary.folder.join("wire.log")).map_or(0, |recorded| recorded.readings.len());
    outcome.require(kept >= 500, || format!("{kept} readings from before are left"));
}

/// The shipped program, a second and a half into a run of this length.
fn recording(port: &Path, job: &Path, length: &str, words_file: &Path) -> Child {
    let child = steady()
        .args(["collect", "--for", length, "--full-rate", "always", "--port"])
        .arg(port)
        .arg("--job")
        .arg(job)
        .stdout(Stdio::null())
        .stderr(File::create(words_file).expect("a file for its words"))
        .spawn()
        .expect("steady starts");
    let made = wait(Duration::from_secs(30), || {
        run_folders(job).is_ok_and(|runs| !runs.is_empty())
    });
    assert!(made, "a run begins");
    std::thread::sleep(Duration::from_millis(1_500));
    child
}

/// Somebody deletes the run's folder under the shipped program.
fn removed_folder(seed: u64, folder: &Path, outcome: &mut Outcome) -> String {
    let (_bench, port) = bench(seed);
    let job = folder.join("removed");
    let words_file = folder.join("removed-words");
    let mut child = recording(&port, &job, "5s", &words_file);
    let run = run_folders(&job).expect("a job has runs").remove(0);
    std::fs::remove_dir_all(&run).expect("a folder can be deleted");
    let code = child.wait().expect("steady ends").code();
    let words = std::fs::read_to_string(&words_file).unwrap_or_default();
    outcome.require(words.contains("WARNING"), || {
        format!("a deleted folder is not warned of: {words}")
    });
    outcome.require(code == Some(12), || {
        format!("a deleted folder ends with {code:?}: {words}")
    });
    "what was in it, exit code 12".into()
}

/// A disk of 1.5 MB that another program fills, under the shipped program.
fn small_disk(seed: u64, folder: &Path, outcome: &mut Outcome) -> String {
    let mount = folder.join("small");
    std::fs::create_dir(&mount).expect("a folder");
    let mounted = Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=1536k", "steady-faults"])
        .arg(&mount)
        .stderr(Stdio::null())
        .status();
    if !mounted.is_ok_and(|status| status.success()) {
        return "NO REAL FULL DISK WAS TRIED: this user may not mount one".into();
    }
    let lost = on_small_disk(seed, &mount, &folder.join("small-words"), outcome);
    let unmounted = Command::new("umount").arg(&mount).status();
    assert!(
        unmounted.is_ok_and(|status| status.success()),
        "what was mounted is unmounted"
    );
    format!("a real disk full for 3 s under the program ({lost})")
}

fn on_small_disk(seed: u64, mount: &Path, words_file: &Path, outcome: &mut Outcome) -> String {
    let (_bench, port) = bench(seed);
    let job = mount.join("job");
    let mut child = recording(&port, &job, "9s", words_file);
    let filler = mount.join("filler");
    // Writes until there is no room: that it fails is what is wanted.
    let filled = std::fs::write(&filler, vec![1; 2 << 20]);
    outcome.require(filled.is_err(), || "the small disk is not full".into());
    std::thread::sleep(Duration::from_secs(3));
    let words = std::fs::read_to_string(words_file).unwrap_or_default();
    outcome.require(words.contains("the disk is full"), || {
        format!("a full disk is not warned of: {words}")
    });
    std::fs::remove_file(&filler).expect("a file can be removed");
    let code = child.wait().expect("steady ends").code();
    let words = std::fs::read_to_string(words_file).unwrap_or_default();
    outcome.require(code == Some(0), || {
        format!("after a full disk it ends with {code:?}: {words}")
    });
    outcome.require(words.contains("takes the recording again"), || {
        format!("room is not told: {words}")
    });
    let run = run_folders(&job).expect("a job has runs").remove(0);
    match survey_run(&run).map(|survey| survey.closed) {
        Ok(Some(closed)) => {
            let board = &closed.board[0];
            outcome.require(board.lost_readings == 0, || {
                format!("{} readings are lost on a small disk", board.lost_readings)
            });
            format!("{} of {} readings lost", board.lost_readings, board.readings)
        }
        other => {
            outcome
                .violations
                .push(format!("the run on the small disk is not closed: {other:?}"));
            "not closed".into()
        }
    }
}
