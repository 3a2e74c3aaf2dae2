//! A job end to end: notebook, alterations, runs before and after a swap, the verdict, and the closing.

#![allow(clippy::unwrap_used)] // A test may stop at once.

use std::path::{Path, PathBuf};
use std::process::{Output, Stdio};
use std::time::Duration;

use steadybench_host::Exit;
use steadybench_host::recorder::RunKind;
use steadybench_virtual::{BenchOptions, Scenario, VirtualBench};

mod rehearse;
use rehearse::{Bench, done, refused, steady};

/// What a fault of a stage adds to its draw, in amperes.
const EXCESS_A: f64 = 0.18;

struct Job {
    _place: tempfile::TempDir,
    folder: PathBuf,
}

impl Job {
    fn new() -> Self {
        let place = tempfile::tempdir().unwrap();
        let job = Self {
            folder: place.path().join("vents"),
            _place: place,
        };
        done(&job.run(&[
            "job",
            "new",
            "JOB",
            "--unit",
            "greenhouse vent controller",
            "--rail",
            "24V",
        ]));
        job
    }

    /// Runs the program; the word JOB stands for the folder.
    fn run(&self, words: &[&str]) -> Output {
        let folder = self.folder.to_str().unwrap();
        let words: Vec<&str> = words
            .iter()
            .map(|&word| if word == "JOB" { folder } else { word })
            .collect();
        steady(&words).output().unwrap()
    }

    /// Both stages for 20 s, the first or the second with the fault, or neither. The vents stand still.
    fn record(&self, faulty: Option<usize>) -> PathBuf {
        let mut scenario = Scenario::healthy();
        scenario.unit.programme = None;
        if let Some(stage) = faulty {
            scenario.unit.stages[stage].excess_a = EXCESS_A;
        }
        let bench = Bench {
            kind: RunKind::Twins,
            rate_hz: 1000,
            length: Duration::from_secs(20),
            scenario,
            seed: 5,
        };
        bench.record(&self.folder)
    }

    fn alter(&self, kind: &str, what: &str) -> String {
        done(&self.run(&["job", "alter", "JOB", what, "--kind", kind]))
    }

    fn swap(&self, more: &[&str]) -> String {
        done(&self.run(&[&["swap", "JOB", "--suspect", "2", "--skip", "5s"], more].concat()))
    }
}

fn swapped(after: Option<usize>) -> String {
    let job = Job::new();
    job.record(Some(1));
    job.alter("swapped-part", "Q4 and Q8 changed over");
    job.record(after);
    job.swap(&[])
}

#[test]
fn a_fault_that_moved_with_the_part_follows_it() {
    let told = swapped(Some(0));
    assert!(
        told.starts_with("1 swapped-part, Q4 and Q8 changed over: follows the part\n"),
        "{told}"
    );
    assert!(
        told.contains("0001-twins") && told.contains("0002-twins"),
        "{told}"
    );
}

#[test]
fn a_fault_that_did_not_move_stays_with_the_place() {
    let told = swapped(Some(1));
    assert!(told.contains(": stays with the place\n"), "{told}");
}

#[test]
fn a_fault_that_went_away_is_a_joint() {
    let told = swapped(None);
    assert!(
        told.contains(": gone when disturbed, suspect a joint\n"),
        "{told}"
    );
}

#[test]
fn a_lifted_part_accuses_nothing_before_it_is_put_back() {
    let job = Job::new();
    job.record(Some(1));
    job.alter("lifted-leg", "Q8 leg 2");
    job.record(None);
    let told = job.swap(&[]);
    assert!(
        told.contains(": cannot say\n") && told.contains("put the part back and measure again"),
        "{told}"
    );
    done(&job.run(&["job", "restore", "JOB", "1"]));
    job.record(Some(1));
    let told = job.swap(&[]);
    assert!(
        told.contains(": follows the part\n") && told.contains("0003-twins"),
        "{told}"
    );
}

#[test]
fn what_is_missing_for_a_verdict_is_named_with_its_remedy() {
    let job = Job::new();
    let told = refused(&job.run(&["swap", "JOB", "--suspect", "2"]), Exit::Usage);
    assert!(told.contains("steady job alter"), "{told}");
    job.alter("swapped-part", "Q4 and Q8 changed over");
    let told = refused(&job.run(&["swap", "JOB", "--suspect", "2"]), Exit::Usage);
    assert!(
        told.contains("the run before the alteration") && told.contains("--before"),
        "{told}"
    );
}

#[test]
fn a_job_is_closed_when_everything_is_put_back_and_not_before() {
    let job = Job::new();
    job.alter("shunt", "50 mohm in the feed of stage 1");
    job.alter("cut-track", "track from F1 to Q4");
    let output = job.run(&["job", "close", "JOB"]);
    assert_eq!(output.status.code(), Some(i32::from(Exit::NotRestored.code())));
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(
        told.starts_with("No clean bill yet.\n  still altered: 1 shunt") && told.contains("stays open"),
        "{told}"
    );
    assert!(done(&job.run(&["job", "show", "JOB"])).contains("not closed"));

    done(&job.run(&["job", "restore", "JOB", "1"]));
    refused(&job.run(&["job", "keep", "JOB", "2", "--why", " "]), Exit::Usage);
    done(&job.run(&[
        "job",
        "keep",
        "JOB",
        "2",
        "--why",
        "bridged with wire, owner told",
    ]));
    let told = done(&job.run(&["job", "close", "JOB", "--note", "vents run"]));
    assert!(
        told.contains("knowingly kept") && told.ends_with("Closed.\n"),
        "{told}"
    );
    let told = done(&job.run(&["job", "show", "JOB"]));
    assert!(
        told.contains("vents run") && told.contains("bridged with wire"),
        "{told}"
    );
    let told = refused(&job.run(&["job", "restore", "JOB", "1"]), Exit::Usage);
    assert!(told.contains("it was put back before"), "{told}");
}

#[test]
fn a_mistake_of_the_hand_is_named_by_its_line_and_keeps_the_job_open() {
    let job = Job::new();
    job.alter("link", "over F1");
    done(&job.run(&["job", "restore", "JOB", "1"]));
    let ledger = job.folder.join("alterations.csv");
    let text = std::fs::read_to_string(&ledger).unwrap();
    std::fs::write(
        &ledger,
        format!("{text}2,2026-11-25T13:00:00Z,made,lnik,over F2,\r\n"),
    )
    .unwrap();
    let output = job.run(&["job", "close", "JOB"]);
    assert_eq!(output.status.code(), Some(i32::from(Exit::NotRestored.code())));
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(
        told.contains("alterations.csv") && told.contains("line 4") && told.contains("lnik"),
        "{told}"
    );

    std::fs::write(&ledger, text).unwrap();
    let toml = job.folder.join("job.toml");
    let text = std::fs::read_to_string(&toml).unwrap();
    std::fs::write(&toml, format!("{text}unit = \n")).unwrap();
    let told = refused(&job.run(&["job", "close", "JOB"]), Exit::BadInput);
    assert!(told.contains("job.toml") && told.contains("line"), "{told}");
}

/// The recording holds its folder; the notebook stays open to everybody.
#[test]
#[cfg(unix)]
fn two_programs_do_not_record_in_one_job_and_many_may_write_in_its_notebook() {
    let job = Job::new();
    let bench = VirtualBench::on_pty(&Scenario::greenhouse(), &BenchOptions::default()).unwrap();
    let other = VirtualBench::on_pty(&Scenario::greenhouse(), &BenchOptions::default()).unwrap();
    let folder = job.folder.to_str().unwrap();
    let collect = |port: String| {
        let mut command = steady(&["collect", "--port", &port, "--job", folder, "--for", "60s"]);
        command.stdout(Stdio::null()).stderr(Stdio::piped());
        command
    };
    let first = collect(bench.port().to_string()).spawn().unwrap();
    wait_for(&job.folder.join("runs/0001-free/wire.log"));
    let told = refused(&collect(other.port().to_string()).output().unwrap(), Exit::Folder);
    assert!(told.contains("another program"), "{told}");

    let notes: Vec<_> = (0..4)
        .map(|number| {
            let text = format!("note {number}");
            steady(&["job", "note", folder, &text])
                .stdout(Stdio::null())
                .spawn()
                .unwrap()
        })
        .collect();
    for mut note in notes {
        assert!(note.wait().unwrap().success());
    }
    let told = done(&job.run(&["job", "show", "JOB"]));
    assert!(
        (0..4).all(|number| told.contains(&format!("note {number}"))),
        "{told}"
    );
    let ended = steady(&["run", "end", "--job", folder]).output().unwrap();
    done(&ended);
    assert!(first.wait_with_output().unwrap().status.success());
}

#[cfg(unix)]
fn wait_for(path: &Path) {
    let patience = std::time::Instant::now() + Duration::from_secs(60);
    while !path.exists() {
        assert!(
            std::time::Instant::now() < patience,
            "{} did not come",
            path.display()
        );
        std::thread::sleep(Duration::from_millis(20));
    }
}
