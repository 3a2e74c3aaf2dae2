//! The same `wire.log`, the same findings, byte for byte, on any machine: recordings that are kept, and what was found in
//! them.
//!
//! Findings that are meant to change are written anew, and the difference is there for whoever reviews it:
//! `STEADYBENCH_GOLDEN=write cargo test -p steadybench-tests --test golden`.

use std::path::{Path, PathBuf};

use steadybench_tests::program::steady;

const RUNS: [&str; 4] = ["0001-power-up", "0002-twins", "0003-tap", "0004-soak"];

/// Has the C library of Linux take the functions that an older processor would, without fused multiplication: their last
/// digit is another. Elsewhere the variable means nothing, and the same is computed twice.
const OLDER_PROCESSOR: (&str, &str) = (
    "GLIBC_TUNABLES",
    "glibc.cpu.hwcaps=-AVX512F,-AVX2,-AVX2_Usable,-FMA,-FMA_Usable,-FMA4,-AVX",
);

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/golden")
}

/// What is found in a run, as programs read it.
fn findings(run: &str, environment: Option<(&str, &str)>) -> Vec<u8> {
    let nothing = tempfile::tempdir().expect("a temporary folder");
    let output = steady()
        .current_dir(folder())
        // Nobody's calibration nor kept good units may have a say in it.
        .env("STEADY_CALIBRATIONS", nothing.path())
        .env("STEADY_KEPT", nothing.path())
        .envs(environment)
        .args(["examine", run, "--json"])
        .output()
        .expect("steady starts");
    assert!(
        output.status.success(),
        "{run}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    output.stdout
}

#[test]
fn kept_recordings_give_the_findings_that_are_kept_with_them() {
    let write = std::env::var_os("STEADYBENCH_GOLDEN").is_some_and(|value| value == "write");
    for run in RUNS {
        let found = findings(run, None);
        let kept = folder().join(run).join("examined.json");
        if write {
            std::fs::write(&kept, &found).expect("findings can be written");
        }
        let wanted = std::fs::read(&kept).unwrap_or_else(|error| panic!("{}: {error}", kept.display()));
        same(run, "the findings are others than those kept", &found, &wanted);
        let older = findings(run, Some(OLDER_PROCESSOR));
        same(run, "an older processor finds otherwise", &older, &wanted);
    }
}

fn same(run: &str, fault: &str, found: &[u8], wanted: &[u8]) {
    let apart = found
        .iter()
        .zip(wanted)
        .position(|(found, wanted)| found != wanted);
    let near = |bytes: &[u8]| {
        let at = apart.unwrap_or_else(|| found.len().min(wanted.len()));
        String::from_utf8_lossy(&bytes[at.saturating_sub(60)..bytes.len().min(at + 60)]).into_owned()
    };
    assert!(
        found == wanted,
        "{run}: {fault}, first here:\n  found  …{}…\n  wanted …{}…",
        near(found),
        near(wanted)
    );
}
