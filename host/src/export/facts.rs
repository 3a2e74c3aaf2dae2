//! What a reader of the file needs to know of the run, as keys and words.

use crate::examine::RunFolder;
use crate::recorder::{open_unlinked, serial_digits};
use crate::replay::Replay;

use super::{Span, Tally};

/// The facts of an export: whence, how much of it, by which calibration, and what is missing. The run's own `run.toml` is
/// among them, word for word.
#[must_use]
pub fn of(
    run: &RunFolder,
    replay: &Replay,
    span: &Span,
    every_s: Option<f64>,
    tally: &Tally,
) -> Vec<(String, String)> {
    let survey = run.survey();
    let mut facts = Vec::new();
    let mut put = |key: &str, value: String| facts.push((format!("steady.{key}"), value));
    put("written_by", concat!("steady ", env!("CARGO_PKG_VERSION")).into());
    let name = survey
        .folder
        .canonicalize()
        .unwrap_or_else(|_| survey.folder.clone());
    put(
        "run",
        name.file_name().unwrap_or_default().to_string_lossy().into(),
    );
    if let Some(until) = survey.recorded_until_utc() {
        put("recorded_until_utc", until.to_string());
    }
    let missing = survey.missing();
    put(
        "missing",
        if missing.is_empty() {
            "nothing".into()
        } else {
            missing.join("; ")
        },
    );
    if let Some(hello) = replay.stream().hello() {
        let serial = serial_digits(hello);
        put("read_by", crate::calibrations::remarks(&serial).join("; "));
        put("board_serial", serial);
    }
    if let Some(bound_s) = tally.utc_bound_s {
        put("utc_bound_s", format!("{bound_s:.6}"));
    }
    for (key, bound) in [("from", span.from), ("to", span.to)] {
        put(key, bound.map_or("the run's".into(), |bound| bound.to_string()));
    }
    put(
        "rows",
        match every_s {
            Some(every_s) => format!("one for each {every_s} s"),
            None => "one for each reading; rail and temperatures in the first row after they came".into(),
        },
    );
    put(
        "gaps",
        "readings that never arrived are one row of nulls, counted in lost_readings; no value is filled in"
            .into(),
    );
    put("lost_readings", tally.lost_readings.to_string());
    let run_toml = open_unlinked(&survey.folder.join("run.toml"));
    if let Ok(text) = run_toml.and_then(std::io::read_to_string) {
        put("run_toml", text);
    }
    facts
}
