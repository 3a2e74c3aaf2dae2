//! What stands on the trace of a run: events, gaps and marks from its CSV files, alterations from the job's.

use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::fault::Fault;
use crate::job::{Alteration, State};
use crate::live::view::{At, DetectionView, MarkView};
use crate::recorder::{open_unlinked, read_alterations};

use super::view::{AlterationMark, GapView, Window};

/// Events and marks kept of a run, and listed in one window.
const KEPT_MAX: usize = 50_000;
const LISTED_MAX: usize = 2_000;

/// Most bytes of a file that are read at once.
const PIECE_BYTES: u64 = 4 << 20;

/// The kinds of events there are in the readings, as `events.csv` names them, and whether each speaks for a fault.
const KINDS: [(&str, bool); 6] = [
    ("dropout", true),
    ("spike", true),
    ("step", true),
    ("chatter", true),
    ("load_change", false),
    ("nuisance", false),
];

/// A CSV file that grows, read on from where it was read to.
#[derive(Debug)]
struct Growing {
    path: PathBuf,
    read_to: u64,
}

impl Growing {
    /// The rows that have come since, whole ones only.
    fn rows(&mut self) -> Vec<csv::StringRecord> {
        let mut text = Vec::new();
        let read = open_unlinked(&self.path).and_then(|mut file| {
            file.seek(SeekFrom::Start(self.read_to))?;
            file.take(PIECE_BYTES).read_to_end(&mut text)
        });
        // A file that cannot be read has nothing to show; the recorder says what is wrong with the disk.
        let Some(end) = read
            .ok()
            .and_then(|_| text.iter().rposition(|byte| *byte == b'\n'))
        else {
            return Vec::new();
        };
        let has_header = self.read_to == 0;
        self.read_to += end as u64 + 1;
        csv::ReaderBuilder::new()
            .has_headers(has_header)
            .flexible(true)
            .from_reader(&text[..=end])
            .into_records()
            .filter_map(Result::ok)
            .collect()
    }
}

/// What happened in a run, as far as its files say.
#[derive(Debug)]
pub(super) struct Happenings {
    events_csv: Growing,
    marks_csv: Growing,
    events: Vec<DetectionView>,
    gaps: Vec<GapView>,
    marks: Vec<MarkView>,
    place: String,
    forgotten: usize,
}

impl Happenings {
    pub(super) fn new(folder: &Path) -> Self {
        let growing = |name: &str| Growing {
            path: folder.join(name),
            read_to: 0,
        };
        Self {
            events_csv: growing("events.csv"),
            marks_csv: growing("marks.csv"),
            events: Vec::new(),
            gaps: Vec::new(),
            marks: Vec::new(),
            place: String::new(),
            forgotten: 0,
        }
    }

    /// Takes in what was written since.
    pub(super) fn refresh(&mut self, board: &str) {
        for row in self.events_csv.rows() {
            self.take_event(&row, board);
        }
        for row in self.marks_csv.rows() {
            self.take_mark(&row, board);
        }
        self.forgotten += [self.events.len(), self.gaps.len(), self.marks.len()]
            .map(|kept| kept.saturating_sub(KEPT_MAX))
            .iter()
            .sum::<usize>();
        self.events.truncate(KEPT_MAX);
        self.gaps.truncate(KEPT_MAX);
        self.marks.truncate(KEPT_MAX);
    }

    /// A row of `utc,elapsed_s,event,number,channel,duration_s,size_a,size_uncertainty_a,lost_readings,detail`.
    fn take_event(&mut self, row: &csv::StringRecord, board: &str) {
        let cell = |place: usize| row.get(place).unwrap_or_default();
        let number = |place: usize| cell(place).parse::<f64>().ok();
        let duration_s = number(5).unwrap_or(0.0);
        if cell(2) == "gap" {
            let Some(from_s) = number(1) else { return };
            self.gaps.push(GapView {
                from_s,
                to_s: from_s + duration_s,
                readings: cell(8).parse().ok(),
                reason: cell(9).to_owned(),
            });
            return;
        }
        let Some((kind, fault)) = KINDS.into_iter().find(|(kind, _)| *kind == cell(2)) else {
            return;
        };
        let (Ok(id), Some(size_a)) = (cell(3).parse::<u64>(), number(6)) else {
            return;
        };
        let channel = cell(4).parse().unwrap_or(0);
        let event = DetectionView {
            number: id,
            revised: false,
            board: board.to_owned(),
            channel,
            kind,
            fault,
            common: kind == "load_change",
            at: at(row),
            size_a,
            size_uncertainty_a: number(7).unwrap_or(0.0),
            duration_s,
            words: format!(
                "{} on channel {channel}: {size_a:+.4} A for {:.1} ms",
                kind.replace('_', " "),
                duration_s * 1e3
            ),
            reason: cell(9).to_owned(),
            arrived_utc: None,
            said_utc: None,
        };
        // A later row of the same number supersedes an earlier one.
        let recent = self.events.iter().rposition(|known| known.number == id);
        match recent {
            Some(place) => {
                self.events[place] = DetectionView {
                    revised: true,
                    ..event
                }
            }
            None => self.events.push(event),
        }
    }

    /// A row of `utc,elapsed_s,mark,edge,number,label`.
    fn take_mark(&mut self, row: &csv::StringRecord, board: &str) {
        let cell = |place: usize| row.get(place).unwrap_or_default();
        let (kind, source, label) = match cell(2) {
            "foot_switch" if cell(3) == "pressed" => ("tap", "pedal", self.place.clone()),
            "tap" => ("tap", "operator", plain(cell(5))),
            "command" => ("command", "operator", plain(cell(5))),
            "note" => ("note", "operator", plain(cell(5))),
            "place" => {
                self.place = plain(cell(5));
                ("place", "operator", self.place.clone())
            }
            _ => return,
        };
        self.marks.push(MarkView {
            board: board.to_owned(),
            kind,
            label,
            at: at(row),
            source,
        });
    }

    /// Puts what belongs there on a window.
    pub(super) fn put_on(&self, window: &mut Window) {
        let within = |at: &At| {
            at.elapsed_s
                .is_some_and(|at_s| (window.from_s..window.to_s).contains(&at_s))
        };
        let events = self.events.iter().filter(|event| within(&event.at)).collect();
        let marks = self.marks.iter().filter(|mark| within(&mark.at)).collect();
        let gaps = self
            .gaps
            .iter()
            .filter(|gap| gap.to_s > window.from_s && gap.from_s < window.to_s)
            .collect();
        let mut unlisted = self.forgotten;
        window.events = listed(events, |event| event.fault, &mut unlisted);
        window.marks = listed(marks, |mark| mark.kind == "tap", &mut unlisted);
        window.gaps = listed(gaps, |_| false, &mut unlisted);
        window.unlisted = unlisted;
    }
}

/// As many as are listed: those that come `first`, then the latest; in the order they were in.
fn listed<T: Clone>(mut all: Vec<&T>, first: impl Fn(&T) -> bool, unlisted: &mut usize) -> Vec<T> {
    let mut too_many = all.len().saturating_sub(LISTED_MAX);
    *unlisted += too_many;
    for only_others in [true, false] {
        all.retain(|one| {
            let stays = too_many == 0 || only_others && first(one);
            too_many -= usize::from(!stays);
            stays
        });
    }
    all.into_iter().cloned().collect()
}

/// A cell that a spreadsheet would have taken for a formula bears an apostrophe, which is not the label's.
fn plain(cell: &str) -> String {
    match cell.strip_prefix('\'') {
        Some(rest) if rest.starts_with(['=', '+', '-', '@']) => rest.to_owned(),
        _ => cell.to_owned(),
    }
}

fn at(row: &csv::StringRecord) -> At {
    At {
        utc: row.get(0).filter(|utc| !utc.is_empty()).map(str::to_owned),
        elapsed_s: row.get(1).and_then(|elapsed| elapsed.parse().ok()),
    }
}

/// Puts on a window what was altered meanwhile, by the UTC that the run began at.
///
/// # Errors
/// When the job's file cannot be read.
pub(super) fn put_alterations(
    job: &Path,
    started: Option<Timestamp>,
    window: &mut Window,
) -> Result<(), Fault> {
    let Some(started) = started else { return Ok(()) };
    let mut found: Vec<AlterationMark> = Vec::new();
    for made in &read_alterations(job)?.made {
        let then = match &made.state {
            State::Restored { utc, .. } => Some(("restored", *utc)),
            State::Kept { utc, .. } => Some(("kept", *utc)),
            State::Open | State::Lasting => None,
        };
        for (event, utc) in std::iter::once(("made", made.utc)).chain(then) {
            found.extend(alteration(made, event, utc, started, window));
        }
    }
    window.alterations = found;
    Ok(())
}

fn alteration(
    made: &Alteration,
    event: &'static str,
    utc: Option<Timestamp>,
    started: Timestamp,
    window: &Window,
) -> Option<AlterationMark> {
    let utc = utc?;
    let elapsed_s = utc.duration_since(started).as_secs_f64();
    (window.from_s..window.to_s)
        .contains(&elapsed_s)
        .then(|| AlterationMark {
            number: made.number,
            event,
            at: At {
                utc: Some(format!("{utc:.0}")),
                elapsed_s: Some(elapsed_s),
            },
            what: made.what.clone(),
        })
}

/// Labels of the taps and places of a run, in the order of their first mention.
pub(super) fn places_of(board_folder: &Path, places: &mut Vec<String>, most: usize) {
    let mut happenings = Happenings::new(board_folder);
    for row in happenings.marks_csv.rows() {
        happenings.take_mark(&row, "");
    }
    for mark in happenings.marks {
        let is_place = matches!(mark.kind, "tap" | "place") && !mark.label.is_empty();
        if is_place && places.len() < most && !places.contains(&mark.label) {
            places.push(mark.label);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_too_many_faults_are_listed_and_then_the_latest() {
        let all: Vec<(usize, bool)> = (0..5_000).map(|number| (number, number % 10 == 0)).collect();
        let mut unlisted = 7;
        let some = listed(all.iter().collect(), |(_, fault)| *fault, &mut unlisted);
        assert_eq!((some.len(), unlisted), (LISTED_MAX, 3_007));
        assert_eq!(some.iter().filter(|(_, fault)| *fault).count(), 500);
        assert!(some.is_sorted() && some[0].0 == 0 && some[LISTED_MAX - 1].0 == 4_999);
        // More faults than are listed: the latest of them.
        let faults = listed(all.iter().collect(), |_| true, &mut unlisted);
        assert_eq!((faults[0].0, faults.len()), (3_000, LISTED_MAX));
        let few = listed(all[..20].iter().collect(), |_| true, &mut unlisted);
        assert_eq!(few, all[..20]);
    }
}
