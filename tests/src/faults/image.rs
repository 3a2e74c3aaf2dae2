//! Faults of the board, on its real image in the emulator: the harness's own tests, counted. Emulated figures say nothing
//! about electrical behaviour, real USB timing or edges on a bus.

use super::Outcome;
use crate::emulator::Emulator;

/// The harness's tests of the image, and of the paths in it that lead to a panic.
const TESTS: [&str; 3] = ["--test", "test/image.test.mjs", "test/panics.test.mjs"];

/// Runs them, and measures the deepest stack.
#[must_use]
pub fn run() -> Outcome {
    let mut outcome = Outcome::new(
        "board",
        "bus stuck, chip reset, hang, panic, reset, dead host (real image, emulated)",
    );
    match on_image(&mut outcome) {
        Ok((passed, stack)) => {
            outcome.tried = format!(
                "{passed} tests on the image: data and clock lines held, chips absent, wrong or reset, the program hung or panicking, the reset pin, a host that stalls, is dead or falls silent (a brown-out is told as power applied: this chip cannot tell them apart)"
            );
            outcome.lost = format!(
                "no more than each fault takes, each named with its cause; the guard acts without a host; no measured value leads the task that takes the readings to a panic; {stack}"
            );
        }
        Err(words) => {
            outcome.tried = "nothing".into();
            outcome.lost = "not known".into();
            outcome.violations.push(words);
        }
    }
    outcome
}

fn on_image(outcome: &mut Outcome) -> Result<(u64, String), String> {
    let emulator = Emulator::find()?;
    let (_, told) = emulator.own(&TESTS)?;
    let count = |what: &str| {
        told.lines()
            .find_map(|line| line.strip_prefix(what)?.trim().parse::<u64>().ok())
    };
    let passed = count("# pass").ok_or("the emulator's tests told no count")?;
    outcome.require(
        count("# fail") == Some(0) && count("# skipped") == Some(0),
        || {
            let failed = told
                .lines()
                .filter(|line| line.trim_start().starts_with("not ok"));
            format!("on the image: {}", failed.collect::<Vec<_>>().join("; "))
        },
    );
    let (_, figures) = emulator.own(&["figures.mjs"])?;
    let deepest = figures
        .lines()
        .filter(|line| line.contains("deepest stack"))
        .max();
    // The figures are rows of a table; here they are words in a cell of another.
    let deepest = deepest.map(|line| {
        let cells = line.split('|').map(str::trim).filter(|cell| !cell.is_empty());
        cells.collect::<Vec<_>>().join(" ")
    });
    outcome.require(deepest.is_some(), || "the stack was not measured".into());
    Ok((passed, deepest.unwrap_or_default()))
}
