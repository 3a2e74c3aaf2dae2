//! What the campaigns on record gave, and README's table of it.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use super::Outcome;
use crate::readme::Place;

const PLACE: Place = Place {
    begin: "<!-- the faults: written by `steady-faults readme` -->",
    end: "<!-- the faults: end -->",
};

fn record_file() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/faults.json")
}

/// One campaign on record.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Entry {
    /// Words behind `steady-faults` that run it again.
    pub command: String,
    /// What it gave.
    pub outcome: Outcome,
}

/// What is on record, in README's order.
///
/// # Errors
/// When the file cannot be read or is none.
pub fn read() -> Result<Vec<Entry>, String> {
    match std::fs::read_to_string(record_file()) {
        Ok(text) => serde_json::from_str(&text).map_err(|error| error.to_string()),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(error) => Err(error.to_string()),
    }
}

/// Puts an outcome on record in place of an earlier one of that campaign; `order` is that of all campaigns.
///
/// # Errors
/// When the file cannot be read or written.
pub fn keep(entry: Entry, order: &[&str]) -> Result<(), String> {
    let mut entries = read()?;
    entries.retain(|kept| kept.outcome.campaign != entry.outcome.campaign);
    entries.push(entry);
    entries.sort_by_key(|entry| order.iter().position(|name| *name == entry.outcome.campaign));
    let text = serde_json::to_string_pretty(&entries).map_err(|error| error.to_string())?;
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    std::fs::create_dir_all(folder).map_err(|error| error.to_string())?;
    std::fs::write(record_file(), text + "\n").map_err(|error| error.to_string())
}

/// The table of what is on record.
#[must_use]
pub fn table(entries: &[Entry]) -> String {
    let mut text = String::from("| fault | tried | lost | again with `steady-faults` |\n|---|---|---|---|\n");
    for Entry { command, outcome } in entries {
        let lost = if outcome.holds() {
            outcome.lost.clone()
        } else {
            format!(
                "**{} of the requirements did not hold**; {}",
                outcome.violations.len(),
                outcome.lost
            )
        };
        let _ = writeln!(
            text,
            "| {} | {} | {lost} | `{command}` |",
            outcome.fault, outcome.tried
        );
    }
    text
}

/// README as it is, and as it has to be by what is on record.
///
/// # Errors
/// When README or the record cannot be read, or README has no place for the table.
pub fn readme() -> Result<(String, String), String> {
    PLACE.with(&table(&read()?))
}

/// Writes the table into README.
///
/// # Errors
/// As [`readme`], and when it cannot be written.
pub fn write_readme() -> Result<(), String> {
    PLACE.write(&table(&read()?))
}
