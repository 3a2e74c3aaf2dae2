//! The fuzz targets of `host/fuzz` and `protocol/fuzz`, each for so many seconds, as many at a time as there are cores.
//!
//! It needs a nightly compiler and cargo-fuzz. What a target learns stays in a temporary folder, so that the corpora in the
//! repository stay small; what breaks one is kept beside it and named.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use super::Outcome;

/// Folder, target, and what it is fed.
const TARGETS: [(&str, &str, &str); 7] = [
    ("protocol", "deframer", "wire decoder"),
    ("host", "wire_log", "wire.log"),
    ("host", "wire_records", "what a chunk of wire.log holds"),
    ("host", "table", "CSV"),
    ("host", "job", "job.toml and the ledgers"),
    ("host", "body", "HTTP bodies"),
    ("host", "quantity", "units and quantities"),
];

/// Feeds every target for `seconds`.
#[must_use]
pub fn run(seed: u64, seconds: u64, progress: impl Fn(u64) + Sync) -> Outcome {
    let mut outcome = Outcome::new("fuzz", "inputs bred to reach further, by a fuzzer");
    for folder in ["protocol", "host"] {
        if let Err(words) = cargo_fuzz(folder, &["build"]) {
            outcome.violations.push(words);
            outcome.tried = "nothing".into();
            outcome.lost = "not known".into();
            return outcome;
        }
    }
    let learned = tempfile::tempdir().expect("a temporary folder");
    let (next, told) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..workers.min(TARGETS.len()) {
            scope.spawn(|| {
                while let Some(target) = TARGETS.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let result = fuzzed(target, seed, seconds, learned.path());
                    let mut told = told.lock().expect("no worker panics with it");
                    told.push((target.2, result));
                    progress(told.len() as u64);
                }
            });
        }
    });
    let mut tried = Vec::new();
    for (what, result) in told.into_inner().expect("no worker has panicked") {
        match result {
            Ok(executions) => tried.push(format!("{what} {executions}")),
            Err(words) => outcome.violations.push(format!("{what}: {words}")),
        }
    }
    tried.sort();
    outcome.tried = format!(
        "{} targets, {} min each; inputs: {}",
        TARGETS.len(),
        seconds / 60,
        tried.join(", ")
    );
    outcome.lost = "no panic, no memory error, no input without end; what was taken made sense".into();
    outcome
}

/// Runs one target; gives how many inputs it was fed.
fn fuzzed(
    (folder, target, _): &(&str, &str, &str),
    seed: u64,
    seconds: u64,
    learned: &Path,
) -> Result<u64, String> {
    let own = learned.join(target);
    std::fs::create_dir_all(&own).map_err(|error| error.to_string())?;
    let corpus = root().join(folder).join("fuzz/corpus").join(target);
    let broken = std::env::temp_dir().join(format!("steady-faults-{target}-"));
    let words = [
        "run".into(),
        (*target).to_owned(),
        own.display().to_string(),
        corpus.display().to_string(),
        "--".into(),
        format!("-max_total_time={seconds}"),
        format!("-seed={seed}"),
        "-print_final_stats=1".into(),
        // Longer than anything takes: a loaded computer may give a target no processor for half a minute.
        "-timeout=300".into(),
        format!("-artifact_prefix={}", broken.display()),
    ];
    let told = cargo_fuzz(folder, &words.each_ref().map(String::as_str))?;
    told.lines()
        .find_map(|line| line.strip_prefix("stat::number_of_executed_units:"))
        .and_then(|count| count.trim().parse().ok())
        .ok_or_else(|| "the fuzzer told no count".to_owned())
}

/// What cargo-fuzz said; an error has its last lines.
fn cargo_fuzz(folder: &str, words: &[&str]) -> Result<String, String> {
    let output = Command::new("cargo")
        .args(["+nightly", "fuzz"])
        .args(words)
        .current_dir(root().join(folder))
        .stdin(Stdio::null())
        .output()
        .map_err(|error| format!("cargo cannot be run: {error}"))?;
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    if output.status.success() {
        return Ok(said);
    }
    let lines: Vec<&str> = said.lines().collect();
    let last = lines[lines.len().saturating_sub(12)..].join("\n    ");
    Err(format!(
        "cargo fuzz {} ended badly:\n    {last}",
        words[..2.min(words.len())].join(" ")
    ))
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}
