//! What a run left in its job folder, read the way a spreadsheet would.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// A table by its headings.
#[derive(Clone, Debug)]
pub struct Table {
    columns: HashMap<String, usize>,
    rows: Vec<csv::StringRecord>,
}

impl Table {
    /// Reads a CSV file.
    ///
    /// # Panics
    /// When it is missing or no RFC 4180 table with one header row.
    #[must_use]
    pub fn read(path: &Path) -> Self {
        let mut reader =
            csv::Reader::from_path(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        let headings = reader.headers().expect("a header row").clone();
        let columns = headings
            .iter()
            .enumerate()
            .map(|(at, name)| (name.to_owned(), at))
            .collect();
        let rows = reader
            .records()
            .collect::<Result<_, _>>()
            .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        Self { columns, rows }
    }

    /// The cells of a column.
    ///
    /// # Panics
    /// When there is no such column.
    pub fn column<'a>(&'a self, name: &str) -> impl Iterator<Item = &'a str> {
        let at = *self
            .columns
            .get(name)
            .unwrap_or_else(|| panic!("no column {name} among {:?}", self.columns));
        self.rows.iter().map(move |row| &row[at])
    }

    /// The numbers of a column; a blank cell is `None`.
    ///
    /// # Panics
    /// When a cell is neither blank nor a number.
    pub fn numbers(&self, name: &str) -> impl Iterator<Item = Option<f64>> {
        self.column(name)
            .map(|cell| (!cell.is_empty()).then(|| cell.parse().expect("a number")))
    }
}

/// The one run of a job.
///
/// # Panics
/// When there is none, or more than one.
#[must_use]
pub fn only_run(job: &Path) -> PathBuf {
    let runs: Vec<PathBuf> = std::fs::read_dir(job.join("runs"))
        .expect("a job has runs")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.is_dir())
        .collect();
    assert_eq!(runs.len(), 1, "one run is expected: {runs:?}");
    runs[0].clone()
}
