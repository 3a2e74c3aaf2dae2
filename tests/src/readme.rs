//! Tables in README that are written from what measurements left on record.

use std::path::{Path, PathBuf};

/// A place in README between two comments.
#[derive(Clone, Copy, Debug)]
pub struct Place {
    /// The comment before it.
    pub begin: &'static str,
    /// The comment behind it.
    pub end: &'static str,
}

fn file() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../README.md")
}

impl Place {
    /// README as it is, and as it is with `table` at this place.
    ///
    /// # Errors
    /// When README cannot be read or has no such place.
    pub fn with(&self, table: &str) -> Result<(String, String), String> {
        let text = std::fs::read_to_string(file()).map_err(|error| error.to_string())?;
        let missing = |comment: &str| format!("README has no line {comment}");
        let begin = text.find(self.begin).ok_or_else(|| missing(self.begin))? + self.begin.len();
        let end = text.find(self.end).ok_or_else(|| missing(self.end))?;
        let wanted = format!("{}\n\n{table}\n{}", &text[..begin], &text[end..]);
        Ok((text, wanted))
    }

    /// Writes `table` there.
    ///
    /// # Errors
    /// As [`Self::with`], and when README cannot be written.
    pub fn write(&self, table: &str) -> Result<(), String> {
        let (_, wanted) = self.with(table)?;
        std::fs::write(file(), wanted).map_err(|error| error.to_string())
    }
}
