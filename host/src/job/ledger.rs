//! Rows that are only ever appended, and read back even when somebody edited them by hand.

use std::fmt;

use jiff::Timestamp;
use serde::Serialize;

/// Mark of a row whose predecessor was cut off in the middle by a crash; that one counts for nothing.
const TORN: &str = "torn";

/// A file of rows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LedgerFile {
    /// Its name in the job folder.
    pub name: &'static str,
    /// Its columns, separated by commas; the one called `event` or `kind` tells rows apart.
    pub header: &'static str,
    /// Which column holds the word [`TORN`] is written in.
    pub word_column: usize,
}

/// A line that cannot be read, for whoever wrote it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Mistake {
    /// Name of the file.
    pub file: &'static str,
    /// Line, from 1.
    pub line: u64,
    /// What is wrong with it.
    pub rule: String,
    /// What to do.
    pub remedy: String,
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{}, line {}: {}\n  remedy: {}",
            self.file, self.line, self.rule, self.remedy
        )
    }
}

/// A row with its line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Line, from 1.
    pub line: u64,
    /// Cells, blanks at their ends taken off.
    pub cells: Vec<String>,
}

impl LedgerFile {
    pub(crate) fn mistake(&self, line: u64, rule: impl Into<String>, remedy: impl Into<String>) -> Mistake {
        Mistake {
            file: self.name,
            line,
            rule: rule.into(),
            remedy: remedy.into(),
        }
    }

    fn columns(&self) -> usize {
        self.header.split(',').count()
    }

    /// Reads the rows of a file; what cannot be read is told, and the rest is read on.
    #[must_use]
    pub fn read(&self, text: &str) -> (Vec<Row>, Vec<Mistake>) {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let (mut rows, mut mistakes): (Vec<Row>, Vec<Mistake>) = (Vec::new(), Vec::new());
        if text.trim().is_empty() {
            return (rows, mistakes);
        }
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let mut lines = Lines { text, at: 0, line: 1 };
        for (at, record) in reader.records().enumerate() {
            // The text is UTF-8 and rows may be of any length, so there is nothing else to fail.
            let Ok(record) = record else { continue };
            let line = lines.of_record(record.position());
            let cells: Vec<String> = record.iter().map(str::to_owned).collect();
            if at == 0 {
                if cells.join(",") != self.header {
                    let remedy = format!("make it `{}`, with commas", self.header);
                    mistakes.push(self.mistake(line, "the first line does not name the columns", remedy));
                }
            } else if cells.get(self.word_column).is_some_and(|word| word == TORN) {
                // Whether the torn row could be read or not, it is the one before.
                let before = rows.last().map_or(0, |row| row.line);
                match mistakes.last() {
                    Some(mistake) if mistake.line > before => drop(mistakes.pop()),
                    _ => drop(rows.pop()),
                }
            } else if cells.iter().all(String::is_empty) {
                // A spreadsheet leaves such rows behind.
            } else if cells.len() == self.columns() {
                rows.push(Row { line, cells });
            } else {
                let rule = format!(
                    "it has {} columns, and {} are needed",
                    cells.len(),
                    self.columns()
                );
                let remedy = format!(
                    "write {}; put a text that holds a comma in quotation marks",
                    self.header
                );
                mistakes.push(self.mistake(line, rule, remedy));
            }
        }
        (rows, mistakes)
    }

    /// What is to be appended to `text` so that it ends in a new row of `cells`.
    #[must_use]
    pub fn appended(&self, text: &str, cells: &[&str]) -> String {
        let mut added = String::new();
        if text.trim_start_matches('\u{feff}').is_empty() {
            added.push_str(self.header);
            added.push_str("\r\n");
        } else if !text.ends_with('\n') {
            // An editor that leaves out the last line's end, or a crash in the middle of a row: a row that is not
            // whole is marked as counting for nothing, and what it had opened is closed.
            let opened = text.matches('"').count() % 2 == 1;
            added.push_str(if opened { "\"\r\n" } else { "\r\n" });
            let last = text.rfind('\n').map_or(text, |end| &text[end + 1..]);
            if opened || csv_cells(last) != self.columns() {
                let mut torn = vec![""; self.columns()];
                torn[self.word_column] = TORN;
                added.push_str(&line_of(&torn));
            }
        }
        added.push_str(&line_of(cells));
        added
    }
}

/// Counts the lines of a text up to a record. The reader's own count takes the second half of a line's end, and blank lines,
/// for the beginning of the record behind them.
struct Lines<'a> {
    text: &'a str,
    at: usize,
    line: u64,
}

impl Lines<'_> {
    fn of_record(&mut self, position: Option<&csv::Position>) -> u64 {
        let begins = position.map_or(self.at, |position| position.byte() as usize);
        let bytes = self.text.as_bytes();
        let blank = bytes[begins.min(bytes.len())..]
            .iter()
            .take_while(|byte| matches!(byte, b'\r' | b'\n'))
            .count();
        let begins = begins + blank;
        let passed = bytes[self.at..begins.min(bytes.len())].iter();
        self.line += passed.filter(|byte| **byte == b'\n').count() as u64;
        self.at = begins;
        self.line
    }
}

fn csv_cells(line: &str) -> usize {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(line.as_bytes());
    reader
        .records()
        .next()
        .and_then(Result::ok)
        .map_or(0, |record| record.len())
}

/// One row of RFC 4180.
fn line_of(cells: &[&str]) -> String {
    let cells: Vec<String> = cells
        .iter()
        .map(|cell| {
            let cell = plain(cell);
            if cell.contains([',', '"']) || cell != cell.trim() {
                format!("\"{}\"", cell.replace('"', "\"\""))
            } else {
                cell
            }
        })
        .collect();
    format!("{}\r\n", cells.join(","))
}

/// A text on one line and without control characters, which a terminal would obey.
#[must_use]
pub fn plain(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

/// A time as it is written in these files; empty when not written down.
pub(super) fn time(file: &LedgerFile, row: &Row, cell: usize) -> Result<Option<Timestamp>, Mistake> {
    let text = &row.cells[cell];
    if text.is_empty() {
        return Ok(None);
    }
    text.parse().map(Some).map_err(|_| {
        file.mistake(
            row.line,
            format!("`{}` is no time", plain(text)),
            "write it in UTC like 2026-11-25T13:45:00Z, or leave it empty",
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const FILE: LedgerFile = LedgerFile {
        name: "notes.csv",
        header: "utc,kind,text",
        word_column: 1,
    };

    fn cells(text: &str) -> Vec<Vec<String>> {
        FILE.read(text).0.into_iter().map(|row| row.cells).collect()
    }

    proptest! {
        /// Whatever is appended is read back, one line each, and no row disturbs another.
        #[test]
        fn what_is_appended_is_read_back(texts in prop::collection::vec("[^\\p{Cc}]{0,20}", 1..5)) {
            let mut file = String::new();
            for text in &texts {
                let row = FILE.appended(&file, &["", "note", text]);
                file.push_str(&row);
            }
            let (rows, mistakes) = FILE.read(&file);
            prop_assert!(mistakes.is_empty(), "{mistakes:?}");
            let read: Vec<&str> = rows.iter().map(|row| row.cells[2].as_str()).collect();
            let wrote: Vec<&str> = texts.iter().map(|text| text.trim()).collect();
            prop_assert_eq!(read, wrote);
        }

        /// A crash at any byte of a row costs that row at most, and none that comes after.
        #[test]
        fn a_torn_row_costs_itself_at_most(cut in 0..60_usize, text in "[a-z,\" ]{0,20}") {
            let before = FILE.appended("", &["", "note", "the first"]);
            let torn = FILE.appended(&before, &["2026-11-25T13:45:00Z", "note", &text]);
            let mut file = before.clone();
            file.push_str(&torn[..cut.min(torn.len())]);
            file.push_str(&FILE.appended(&file, &["", "note", "the last"]));
            let (rows, mistakes) = FILE.read(&file);
            prop_assert!(mistakes.is_empty(), "{mistakes:?} in {file:?}");
            prop_assert_eq!(&rows[0].cells[2], "the first");
            prop_assert_eq!(&rows.last().unwrap().cells[2], "the last");
            prop_assert!(rows.len() <= 3);
        }

        #[test]
        fn any_text_is_read_without_panic(text in "\\PC{0,80}") {
            let _ = FILE.read(&text);
        }
    }

    #[test]
    fn files_that_editors_rewrote_still_read() {
        let wanted = ["", "note", "a, b"].map(str::to_owned).to_vec();
        for text in [
            "utc,kind,text\r\n,note,\"a, b\"\r\n",
            "\u{feff}utc,kind,text\n,note,\"a, b\"",
            "\"utc\",\"kind\",\"text\"\n\"\",\"note\",\"a, b\"\n\n,,\n",
        ] {
            assert_eq!(cells(text), std::slice::from_ref(&wanted), "{text:?}");
        }
    }

    #[test]
    fn a_mistake_names_line_and_remedy() {
        let (rows, mistakes) = FILE.read("utc;kind;text\n,note,one\n,note,two,parts\n,note,three\n");
        assert_eq!(rows.len(), 2);
        let told: Vec<String> = mistakes.iter().map(Mistake::to_string).collect();
        insta::assert_snapshot!(told.join("\n"), @"
        notes.csv, line 1: the first line does not name the columns
          remedy: make it `utc,kind,text`, with commas
        notes.csv, line 3: it has 4 columns, and 3 are needed
          remedy: write utc,kind,text; put a text that holds a comma in quotation marks
        ");
    }

    /// However lines end, and with blank ones between, the line is the editor's.
    #[test]
    fn a_mistake_has_the_line_that_an_editor_shows() {
        for end in ["\n", "\r\n"] {
            let lines = [
                "utc,kind,text",
                ",note,one",
                "",
                ",note,\"two,",
                "parts\"",
                ",note,two,parts",
                ",note",
            ];
            let (rows, mistakes) = FILE.read(&lines.join(end));
            assert_eq!(
                rows.iter().map(|row| row.line).collect::<Vec<_>>(),
                [2, 4],
                "{end:?}"
            );
            let told: Vec<u64> = mistakes.iter().map(|mistake| mistake.line).collect();
            assert_eq!(told, [6, 7], "{end:?}");
        }
    }
}
