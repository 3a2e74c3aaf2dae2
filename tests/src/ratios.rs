//! Speed and size as ratios to named references: what the benchmarks on record gave, and README's table of it.
//!
//! A ratio is of two things measured alternately in one run, so that another machine gives about the same; the machine is
//! named all the same. Nothing here is a test that could fail for being slow.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use crate::readme::Place;

/// README's place for the table.
const PLACE: Place = Place {
    begin: "<!-- the ratios: written by the example `ratios` -->",
    end: "<!-- the ratios: end -->",
};

/// One figure.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Row {
    /// What was measured, and against what.
    pub what: String,
    /// The figure.
    pub found: String,
    /// What it was to be; empty where it is only stated.
    pub wanted: String,
}

/// What one command printed.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Table {
    /// Which command.
    pub command: String,
    /// Where it ran.
    pub machine: String,
    /// Its rows.
    pub rows: Vec<Row>,
}

/// The order of the commands in README.
const ORDER: [&str; 8] = [
    "--bench wire",
    "--bench off_line",
    "peers.py",
    "answer-windows",
    "at-rest",
    "figures.mjs",
    "building.py",
    "growth.py",
];

fn record_file() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/ratios.json")
}

/// This machine in words: processor, how many, system.
#[must_use]
pub fn machine() -> String {
    let model = std::fs::read_to_string("/proc/cpuinfo")
        .ok()
        .and_then(|text| {
            let line = text.lines().find(|line| line.starts_with("model name"))?;
            Some(line.split_once(':')?.1.trim().to_owned())
        })
        .unwrap_or_else(|| std::env::consts::ARCH.to_owned());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    format!("{model}, {cores} cores, {}", std::env::consts::OS)
}

/// What is on record.
///
/// # Errors
/// When the file cannot be read or is none.
pub fn read() -> Result<Vec<Table>, String> {
    match std::fs::read_to_string(record_file()) {
        Ok(text) => serde_json::from_str(&text).map_err(|error| error.to_string()),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(error) => Err(error.to_string()),
    }
}

/// Puts a table on record in place of what the same command gave earlier.
///
/// # Errors
/// When the file cannot be read or written.
pub fn keep(table: Table) -> Result<(), String> {
    let mut tables = read()?;
    tables.retain(|kept| kept.command != table.command);
    tables.push(table);
    tables.sort_by_key(|table| {
        ORDER
            .iter()
            .position(|name| table.command.contains(name))
            .unwrap_or(ORDER.len())
    });
    let text = serde_json::to_string_pretty(&tables).map_err(|error| error.to_string())?;
    std::fs::write(record_file(), text + "\n").map_err(|error| error.to_string())
}

/// The tables on record as README has them.
#[must_use]
pub fn words(tables: &[Table]) -> String {
    let mut text = String::new();
    for table in tables {
        let _ = writeln!(text, "`{}` ({}):\n", table.command, table.machine);
        text.push_str("| what | found | wanted |\n|---|---|---|\n");
        for Row { what, found, wanted } in &table.rows {
            let _ = writeln!(text, "| {what} | {found} | {wanted} |");
        }
        text.push('\n');
    }
    text.truncate(text.trim_end().len());
    text.push('\n');
    text
}

/// README as it is, and as it has to be by what is on record.
///
/// # Errors
/// When README or the record cannot be read, or README has no place for the table.
pub fn readme() -> Result<(String, String), String> {
    PLACE.with(&words(&read()?))
}

/// Writes the tables into README.
///
/// # Errors
/// As [`readme`], and when it cannot be written.
pub fn write_readme() -> Result<(), String> {
    PLACE.write(&words(&read()?))
}
