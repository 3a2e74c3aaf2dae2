//! The operator's marks beside a table: `time_s,kind,label`.

use std::io::Read;
use std::path::Path;

use steadybench_analysis::sample::{Mark, MarkKind};

use crate::exit::Exit;
use crate::fault::Fault;

/// Reads marks; `path` is only for the messages. Kinds other than `tap` and `command` are left out.
///
/// # Errors
/// A [`Fault`] with the line that cannot be read and the headings that must be there.
pub fn read(file: impl Read, path: &Path) -> Result<Vec<Mark>, Fault> {
    let place = |line: u64| format!("{}, line {line}", path.display());
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .flexible(true)
        .from_reader(file);
    let headings = reader
        .headers()
        .map_err(|error| bad(place(1), error.to_string()))?
        .clone();
    let column = |names: &[&str]| headings.iter().position(|heading| names.contains(&heading));
    let (Some(time), Some(kind), Some(label)) = (
        column(&["time_s", "elapsed_s"]),
        column(&["kind"]),
        column(&["label"]),
    ) else {
        return Err(bad(
            place(1),
            "the headings time_s (or elapsed_s), kind and label are needed".into(),
        ));
    };
    let mut marks = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| bad(path.display().to_string(), error.to_string()))?;
        let line = record.position().map_or(0, csv::Position::line);
        let kind = match record.get(kind) {
            Some("tap") => MarkKind::Tap,
            Some("command") => MarkKind::Command,
            _ => continue,
        };
        let time = record.get(time).unwrap_or_default();
        let time_s = time
            .parse::<f64>()
            .ok()
            .filter(|time_s| time_s.is_finite())
            .ok_or_else(|| bad(place(line), format!("'{time}' is not a time in seconds")))?;
        marks.push(Mark {
            time_s,
            kind,
            label: record.get(label).unwrap_or_default().to_owned(),
        });
    }
    marks.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    Ok(marks)
}

fn bad(place: String, rule: String) -> Fault {
    Fault::new(Exit::BadInput, place, rule)
        .remedy("a marks file has one mark a row: time_s,kind,label with the kind tap or command")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_taps_and_commands_in_the_order_of_time() {
        let text = "time_s,kind,label\n3.1,command,fan on\n1.25,tap,C\n2,note,warm\n";
        let marks = read(text.as_bytes(), Path::new("marks.csv")).unwrap();
        let told: Vec<_> = marks
            .iter()
            .map(|mark| (mark.time_s, mark.kind, mark.label.as_str()))
            .collect();
        assert_eq!(
            told,
            [(1.25, MarkKind::Tap, "C"), (3.1, MarkKind::Command, "fan on")]
        );
    }

    #[test]
    fn a_wrong_mark_is_named_with_its_line() {
        let fault = read(
            "time_s,kind,label\n1,tap,A\nsoon,tap,B\n".as_bytes(),
            Path::new("marks.csv"),
        )
        .unwrap_err();
        assert!(
            fault
                .to_string()
                .starts_with("marks.csv, line 3: 'soon' is not a time in seconds"),
            "{fault}"
        );
        let fault = read("when,what\n1,tap\n".as_bytes(), Path::new("m.csv")).unwrap_err();
        assert!(
            fault.to_string().starts_with("m.csv, line 1: the headings"),
            "{fault}"
        );
    }
}
