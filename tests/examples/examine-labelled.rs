//! Runs `steady examine` over a folder of labelled recordings and writes what their scorer reads.
//!
//! `cargo run --release -p steadybench-tests --example examine-labelled -- RECORDINGS FOUND [FAMILY ...]`
//!
//! A recording is `ID.csv` with `ID.meta.json` (what an operator would know) and, for taps, `ID.marks.csv`; the part of
//! the ID before `_` is its family. For each, `FOUND/ID.det.json` is what `steady examine --json` printed. `steady`
//! must have been built with the same profile: `cargo build --release` does it.

use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};
use std::sync::Mutex;

use serde_json::Value;

type Failure = Box<dyn std::error::Error + Send + Sync>;

fn main() -> ExitCode {
    match run() {
        Ok(0) => ExitCode::SUCCESS,
        Ok(failed) => {
            eprintln!("{failed} recordings could not be examined");
            ExitCode::FAILURE
        }
        Err(failure) => {
            eprintln!("{failure}");
            ExitCode::FAILURE
        }
    }
}

fn run() -> Result<usize, Failure> {
    let mut arguments = std::env::args_os().skip(1).map(PathBuf::from);
    let (Some(recordings), Some(found)) = (arguments.next(), arguments.next()) else {
        return Err("usage: examine-labelled RECORDINGS FOUND [FAMILY ...]".into());
    };
    let families: Vec<String> = arguments.map(|family| family.display().to_string()).collect();
    // Examples stand in a folder of their own below the programs.
    let program = format!("../steady{}", std::env::consts::EXE_SUFFIX);
    let steady = std::env::current_exe()?.with_file_name(program);
    if !steady.exists() {
        return Err(format!(
            "{} is not there; build it first: cargo build --release",
            steady.display()
        )
        .into());
    }
    std::fs::create_dir_all(&found)?;
    let mut ids: Vec<String> = std::fs::read_dir(&recordings)?
        .filter_map(|entry| {
            Some(
                entry
                    .ok()?
                    .file_name()
                    .to_str()?
                    .strip_suffix(".meta.json")?
                    .to_owned(),
            )
        })
        .filter(|id| {
            families.is_empty()
                || families
                    .iter()
                    .any(|family| id.starts_with(&format!("{family}_")))
        })
        .collect();
    ids.sort();
    ids.reverse();
    println!("{} recordings", ids.len());
    let ids = Mutex::new(ids);
    let failed = Mutex::new(0);
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                while let Some(id) = lock(&ids).pop() {
                    if let Err(failure) = examine(&steady, &recordings, &found, &id) {
                        eprintln!("{id}: {failure}");
                        *lock(&failed) += 1;
                    }
                }
            });
        }
    });
    Ok(*lock(&failed))
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

fn examine(steady: &Path, recordings: &Path, found: &Path, id: &str) -> Result<(), Failure> {
    let meta: Value = serde_json::from_slice(&std::fs::read(recordings.join(format!("{id}.meta.json")))?)?;
    let mut command = Command::new(steady);
    command
        .arg("examine")
        .arg(recordings.join(format!("{id}.csv")))
        .arg("--json");
    match meta["mode"].as_str() {
        Some("tap") => {
            command
                .args(["--as", "tap", "--marks"])
                .arg(recordings.join(format!("{id}.marks.csv")));
        }
        Some("power") => {
            command.args(["--as", "power-up"]);
            power_up_settings(&mut command, &meta);
        }
        Some("twin") => {
            command.args(["--as", "twins"]);
        }
        Some("soak") => {
            command.args(["--as", "soak"]);
        }
        other => return Err(format!("unknown mode {other:?}").into()),
    }
    if let Some(mains_hz) = meta["mains_Hz"].as_f64() {
        command.arg("--set").arg(format!("mains_hz={mains_hz}"));
    }
    let output = command.output()?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into_owned().into());
    }
    std::fs::write(found.join(format!("{id}.det.json")), output.stdout)?;
    Ok(())
}

fn power_up_settings(command: &mut Command, meta: &Value) {
    if let Some(window_s) = meta["i2t_window_s"].as_f64() {
        command.arg("--set").arg(format!("i2t_window_s={window_s}"));
    }
    for channel in 0..2 {
        let name = format!("ch{}", channel + 1);
        if let Some(full_scale_a) = meta["full_scale_A"][channel].as_f64() {
            command
                .arg("--set")
                .arg(format!("{name}_full_scale_a={full_scale_a}"));
        }
        if let Some(kind) = meta["channel_type"][channel].as_str() {
            command.arg("--set").arg(format!("{name}_type={kind}"));
        }
        let expected = &meta["expected_settled_A"][channel];
        if let (Some(low), Some(high)) = (expected[0].as_f64(), expected[1].as_f64()) {
            command
                .arg("--set")
                .arg(format!("{name}_expected_settled_a={low}..{high}"));
        }
    }
}
