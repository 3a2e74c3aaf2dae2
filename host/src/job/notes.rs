//! `notes.csv`: the notebook of a job.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::ledger::{LedgerFile, Mistake, plain, time};

/// The file.
pub const FILE: LedgerFile = LedgerFile {
    name: "notes.csv",
    header: "utc,kind,text",
    word_column: 1,
};

/// What a note is.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema, clap::ValueEnum,
)]
#[serde(rename_all = "lowercase")]
pub enum NoteKind {
    /// Anything.
    #[default]
    Note,
    /// Something that was done.
    Step,
    /// Something that was found.
    Finding,
    /// The job was closed.
    #[value(skip)]
    Closed,
}

impl NoteKind {
    /// The name in the file.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Step => "step",
            Self::Finding => "finding",
            Self::Closed => "closed",
        }
    }
}

/// One note.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Note {
    /// When; `None` when nobody wrote it down.
    pub utc: Option<Timestamp>,
    /// What it is.
    pub kind: NoteKind,
    /// What it says.
    pub text: String,
}

/// All notes of a job, in the order they were made, and what could not be read.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Notes {
    /// The notes.
    pub made: Vec<Note>,
    /// What could not be read.
    pub mistakes: Vec<Mistake>,
}

impl Notes {
    /// Reads the file's text.
    ///
    /// ```
    /// use steadybench_host::job::{NoteKind, Notes};
    ///
    /// let notes = Notes::read("utc,kind,text\r\n2026-11-25T13:45:00Z,step,lid off\r\n");
    /// assert_eq!(notes.made[0].kind, NoteKind::Step);
    /// ```
    #[must_use]
    pub fn read(text: &str) -> Self {
        let (rows, mistakes) = FILE.read(text);
        let mut notes = Self {
            made: Vec::new(),
            mistakes,
        };
        for row in &rows {
            let kind = [
                NoteKind::Note,
                NoteKind::Step,
                NoteKind::Finding,
                NoteKind::Closed,
            ]
            .into_iter()
            .find(|kind| kind.name() == row.cells[1])
            .ok_or_else(|| {
                let rule = format!("`{}` is no kind of note", plain(&row.cells[1]));
                FILE.mistake(row.line, rule, "write note, step or finding")
            });
            match kind.and_then(|kind| Ok((kind, time(&FILE, row, 0)?))) {
                Ok((kind, utc)) => notes.made.push(Note {
                    utc,
                    kind,
                    text: plain(&row.cells[2]),
                }),
                Err(mistake) => notes.mistakes.push(mistake),
            }
        }
        notes.mistakes.sort_by_key(|mistake| mistake.line);
        notes
    }

    /// When and how the job was closed last; `None` if never.
    #[must_use]
    pub fn closed(&self) -> Option<&Note> {
        self.made.iter().rfind(|note| note.kind == NoteKind::Closed)
    }
}
