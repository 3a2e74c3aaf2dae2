//! A job folder that came from somebody else is data: nothing in it is executed, and no link in it leads the program out of
//! it, for reading or for writing.

#![cfg(unix)]

use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::Output;

use steadybench_tests::program::steady;

const SECRET: &str = "word-of-another-folder";

/// Records a moment into the job.
const COLLECT: [&str; 7] = [
    "collect",
    "--port",
    "virtual:greenhouse",
    "--for",
    "300ms",
    "--job",
    "JOB",
];

/// What a job may hold, each put elsewhere and replaced by a link to it.
const PLACES: [&str; 16] = [
    "job.toml",
    "alterations.csv",
    "notes.csv",
    ".steady-lock",
    ".steady-collector.json",
    "runs",
    "runs/index.csv",
    "runs/0001-free/run.toml",
    "runs/0001-free/wire.log",
    "runs/0001-free/findings.json",
    "runs/0001-free/board-1",
    "runs/0001-free/readings.csv",
    "runs/0001-free/events.csv",
    "runs/0001-free/marks.csv",
    "runs/0001-free/extremes.bin",
    "report.html",
];

/// Where a job is exported to: beside it.
fn out_of(job: &Path) -> PathBuf {
    job.with_extension("parquet")
}

fn run(words: &[&str], job: &Path) -> Output {
    let words: Vec<String> = words
        .iter()
        .map(|word| word.replace("JOB", &job.display().to_string()))
        .map(|word| word.replace("OUT", &out_of(job).display().to_string()))
        .collect();
    steady().args(words).output().expect("steady starts")
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder");
    for entry in std::fs::read_dir(from).expect("a folder") {
        let entry = entry.expect("an entry");
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).expect("a file");
        }
    }
}

/// Everything below `folder`: paths and contents.
fn contents(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            found.push((path.clone(), Vec::new()));
            found.extend(contents(&path));
        } else {
            found.push((path.clone(), std::fs::read(&path).expect("a file")));
        }
    }
    found.sort();
    found
}

#[test]
fn no_link_in_a_job_leads_out_of_it() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let whole = folder.path().join("whole");
    let recorded = run(
        &[
            "collect",
            "--port",
            "virtual:greenhouse",
            "--for",
            "500ms",
            "--job",
            "JOB",
        ],
        &whole,
    );
    assert!(recorded.status.success(), "{recorded:?}");

    for (number, place) in PLACES.into_iter().enumerate() {
        let job = folder.path().join(format!("job-{number}"));
        let outside = folder.path().join(format!("outside-{number}"));
        copy(&whole, &job);
        std::fs::create_dir(&outside).expect("a folder");
        let (inside, elsewhere) = (job.join(place), outside.join("target"));
        if inside.is_dir() || place.ends_with("board-1") {
            std::fs::create_dir(&elsewhere).expect("a folder");
            std::fs::write(elsewhere.join("secret.txt"), SECRET).expect("a file");
            let _ = std::fs::remove_dir_all(&inside);
        } else {
            // A line of each kind of file, so that whatever reads it as its own would tell.
            let text = format!(
                "unit = \"{SECRET}\"\n1,2026-01-01T00:00:00Z,made,link,{SECRET},\nutc,note,{SECRET}\n"
            );
            std::fs::write(&elsewhere, text).expect("a file");
            let _ = std::fs::remove_file(&inside);
        }
        symlink(&elsewhere, &inside).expect("a link");
        let before = contents(&outside);
        for words in [
            &COLLECT[..],
            &["job", "show", "JOB"],
            &["job", "note", "JOB", "a word"],
            &["job", "alter", "--kind", "link", "JOB", "over F1"],
            &["examine", "JOB/runs/0001-free"],
            &["mark", "a place", "--job", "JOB"],
            &["export", "JOB/runs/0001-free", "--out", "OUT", "--force"],
            &["report", "JOB"],
            &["swap", "JOB"],
        ] {
            let output = run(words, &job);
            let said = [output.stdout, output.stderr].concat();
            assert!(
                !String::from_utf8_lossy(&said).contains(SECRET),
                "{place} is a link, and {words:?} tells what it leads to"
            );
            assert!(
                contents(&outside) == before,
                "{place} is a link, and {words:?} writes where it leads"
            );
        }
        for made in [out_of(&job), job.join("report.html")] {
            let made = std::fs::read(made).unwrap_or_default();
            assert!(
                !made.windows(SECRET.len()).any(|bytes| bytes == SECRET.as_bytes()),
                "{place} is a link, and what it leads to is handed on"
            );
        }
    }
}

#[test]
fn nothing_in_a_job_is_executed() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let job = folder.path().join("job");
    run(&COLLECT, &job);
    let trace = folder.path().join("it-was-executed");
    let script = format!("#!/bin/sh\ntouch {}\n", trace.display());
    for name in [
        "steady",
        "job.sh",
        ".envrc",
        "runs/run.sh",
        "runs/0001-free/post-run",
        "report.html",
    ] {
        std::fs::write(job.join(name), &script).expect("a file");
        std::fs::set_permissions(job.join(name), std::fs::Permissions::from_mode(0o755)).expect("a mode");
    }
    for words in [
        &COLLECT[..],
        &["job", "show", "JOB"],
        &["examine", "JOB/runs/0001-free"],
    ] {
        run(words, &job);
        assert!(!trace.exists(), "{words:?} executes what stands in a job");
    }
}
