//! The tables of a report as CSV: RFC 4180, one header row, names with units, numbers never localised. A cell that a
//! spreadsheet would take for a formula gets an apostrophe before it.

use serde::Serialize;

use super::content::Report;
use super::figures::{Bound, Tone};

/// A file: its name and its bytes.
pub type Table = (&'static str, Vec<u8>);

/// All tables: runs, words, figures, events, places, alterations, notes.
#[must_use]
pub fn tables(report: &Report) -> Vec<Table> {
    vec![
        ("runs.csv", runs(report)),
        ("words.csv", words(report)),
        ("figures.csv", figures(report)),
        ("events.csv", events(report)),
        ("places.csv", places(report)),
        ("alterations.csv", alterations(report)),
    ]
}

/// A file in the making.
struct File(String);

impl File {
    fn new(header: &str) -> Self {
        Self(format!("{header}\r\n"))
    }

    fn row(&mut self, cells: &[&dyn Show]) {
        for (at, cell) in cells.iter().enumerate() {
            if at > 0 {
                self.0.push(',');
            }
            cell.show(&mut self.0);
        }
        self.0.push_str("\r\n");
    }

    fn bytes(self) -> Vec<u8> {
        self.0.into_bytes()
    }
}

/// What a cell can be: words are guarded, numbers are written as they are.
trait Show {
    fn show(&self, text: &mut String);
}

impl Show for str {
    fn show(&self, text: &mut String) {
        crate::recorder::put_text(text, &crate::job::ledger::plain(self));
    }
}

impl Show for &str {
    fn show(&self, text: &mut String) {
        (**self).show(text);
    }
}

impl Show for String {
    fn show(&self, text: &mut String) {
        self.as_str().show(text);
    }
}

impl<T: Show> Show for Option<T> {
    fn show(&self, text: &mut String) {
        if let Some(value) = self {
            value.show(text);
        }
    }
}

macro_rules! show_number {
    ($($number:ty),*) => { $(impl Show for $number {
        fn show(&self, text: &mut String) {
            text.push_str(&self.to_string());
        }
    })* };
}
show_number!(u8, u32, u64, bool, jiff::Timestamp);

impl Show for f64 {
    fn show(&self, text: &mut String) {
        if self.is_finite() {
            text.push_str(&self.to_string());
        }
    }
}

/// The name that JSON gives a value of few.
fn name(value: &impl Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(name)) => name,
        _ => String::new(),
    }
}

fn runs(report: &Report) -> Vec<u8> {
    let mut file = File::new(
        "run,kind,board,started_utc,duration_s,readings,lost_readings,utc_bound_s,closed,ended,missing",
    );
    for run in &report.runs {
        let kind = run.kind.map(|kind| kind.name());
        for board in &run.boards {
            file.row(&[
                &run.number,
                &kind,
                &board.serial,
                &run.started_utc,
                &board.duration_s,
                &board.readings,
                &board.lost_readings,
                &board.utc_bound_s,
                &run.closed,
                &run.ended,
                &run.missing.join("; "),
            ]);
        }
        if let Some(reason) = &run.unreadable {
            let nothing = "";
            file.row(&[
                &run.number,
                &kind,
                &nothing,
                &run.started_utc,
                &nothing,
                &nothing,
                &nothing,
                &nothing,
                &run.closed,
                &run.ended,
                reason,
            ]);
        }
    }
    file.bytes()
}

fn words(report: &Report) -> Vec<u8> {
    let mut file = File::new("run,board,channel,word,meant,reason");
    for run in &report.runs {
        for board in &run.boards {
            for word in &board.words {
                let meant = match word.tone {
                    Tone::Good => "good",
                    Tone::Bad => "bad",
                    Tone::Open => "open",
                };
                file.row(&[
                    &run.number,
                    &board.serial,
                    &word.channel,
                    &word.word,
                    &meant,
                    &word.reason,
                ]);
            }
        }
    }
    file.bytes()
}

fn figures(report: &Report) -> Vec<u8> {
    let mut file = File::new("run,board,channel,figure,value,unit,low_95,high_95,why_no_bound");
    for run in &report.runs {
        for board in &run.boards {
            for figure in &board.figures {
                let (low, high, reason) = match &figure.bound {
                    Bound::Interval { low, high } => (Some(*low), Some(*high), ""),
                    Bound::AtLeast { low } => (Some(*low), None, "at least; no upper bound"),
                    Bound::None { reason } => (None, None, reason.as_str()),
                };
                file.row(&[
                    &run.number,
                    &board.serial,
                    &figure.channel,
                    &figure.what,
                    &figure.value,
                    &figure.unit,
                    &low,
                    &high,
                    &reason,
                ]);
            }
        }
    }
    file.bytes()
}

fn events(report: &Report) -> Vec<u8> {
    use crate::examine::Findings;
    let mut file =
        File::new("run,board,channel,kind,start_s,end_s,size_a,size_uncertainty_a,score,place,reason");
    for run in &report.runs {
        for board in &run.boards {
            let mut event = |found: &steadybench_analysis::events::Event, place: Option<&String>| {
                file.row(&[
                    &run.number,
                    &board.serial,
                    &found.channel,
                    &name(&found.kind),
                    &found.start_s,
                    &found.end_s,
                    &found.size_a,
                    &found.size_uncertainty_a,
                    &found.score,
                    &place.cloned(),
                    &found.reason,
                ]);
            };
            match &board.findings {
                Findings::Tap(findings) => {
                    for found in &findings.events {
                        event(&found.event, found.place.as_ref());
                    }
                }
                Findings::Soak(findings) => {
                    for found in &findings.short_events {
                        event(found, None);
                    }
                    for found in &findings.course.events {
                        let nothing = "";
                        file.row(&[
                            &run.number,
                            &board.serial,
                            &found.channel,
                            &name(&found.kind),
                            &found.start_s,
                            &found.end_s,
                            &found.size_a,
                            &nothing,
                            &found.score,
                            &nothing,
                            &nothing,
                        ]);
                    }
                }
                Findings::PowerUp(_) | Findings::Twins(_) => {}
            }
        }
    }
    file.bytes()
}

fn places(report: &Report) -> Vec<u8> {
    let mut file = File::new(
        "run,board,place,taps,hits,hit_probability,low_95,high_95,p_value_corrected,word,more_taps_to_clear",
    );
    for run in &report.runs {
        for board in &run.boards {
            let crate::examine::Findings::Tap(findings) = &board.findings else {
                continue;
            };
            for place in &findings.locations {
                file.row(&[
                    &run.number,
                    &board.serial,
                    &place.label,
                    &place.taps,
                    &place.hits,
                    &place.hit_probability,
                    &place.hit_probability_low,
                    &place.hit_probability_high,
                    &place.p_value_corrected,
                    &name(&place.verdict),
                    &place.more_taps_to_clear,
                ]);
            }
        }
    }
    file.bytes()
}

fn alterations(report: &Report) -> Vec<u8> {
    let mut file = File::new("number,made_utc,kind,what,why,now");
    for made in &report.alterations {
        file.row(&[
            &made.number,
            &made.utc,
            &made.kind.name(),
            &made.what,
            &made.why,
            &made.state.words(),
        ]);
    }
    file.bytes()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_formula_stays_words_and_a_number_stays_a_number() {
        let mut file = File::new("a,b,c");
        file.row(&[&"=1+1", &-0.25_f64, &"x, \"y\"\r\n"]);
        assert_eq!(
            String::from_utf8(file.bytes()).unwrap(),
            "a,b,c\r\n\"'=1+1\",-0.25,\"x, \"\"y\"\"  \"\r\n"
        );
    }
}
