//! What stands on the trace of a run: events, gaps and marks from its CSV files, alterations from the job's.

use std::path::Path;

use jiff::Timestamp;

use crate::fault::Fault;
use crate::job::{Alteration, State};
use crate::live::view::{At, DetectionView, MarkView};
use crate::recorder::read_alterations;

use super::growing::{Growing, Place};
use super::view::{AlterationMark, GapView, Window};

/// Events kept of a run, a few bytes of each; gaps and marks kept of it.
const EVENTS_MAX: usize = 50_000;
const KEPT_MAX: usize = 10_000;

/// Of each, listed in one window.
const LISTED_MAX: usize = 2_000;

/// The kinds of events there are in the readings, as `events.csv` names them, and whether each speaks for a fault.
const KINDS: [(&str, bool); 6] = [
    ("dropout", true),
    ("spike", true),
    ("step", true),
    ("chatter", true),
    ("load_change", false),
    ("nuisance", false),
];

/// What happened in a run, as far as its files say.
#[derive(Debug)]
pub(super) struct Happenings {
    events_csv: Growing,
    marks_csv: Growing,
    events: Vec<Event>,
    gaps: Vec<GapView>,
    marks: Vec<MarkView>,
    foot_switch_place: String,
    forgotten: usize,
}

/// What is kept of an event: the rest is read again when a window lists it.
#[derive(Clone, Copy, Debug)]
struct Event {
    number: u64,
    at_s: Option<f64>,
    fault: bool,
    /// Whether this row superseded another.
    revised: bool,
    row: Place,
}

impl Happenings {
    pub(super) fn new(folder: &Path) -> Self {
        Self {
            events_csv: Growing::new(folder.join("events.csv")),
            marks_csv: Growing::new(folder.join("marks.csv")),
            events: Vec::new(),
            gaps: Vec::new(),
            marks: Vec::new(),
            foot_switch_place: String::new(),
            forgotten: 0,
        }
    }

    /// Takes in what was written since.
    pub(super) fn refresh(&mut self, board: &str) {
        for (row, place) in self.events_csv.rows() {
            self.take_event(&row, place);
        }
        for (row, _) in self.marks_csv.rows() {
            self.take_mark(&row, board);
        }
        self.forgotten += keep(&mut self.events, EVENTS_MAX, |event| event.fault)
            + keep(&mut self.gaps, KEPT_MAX, |_| false)
            + keep(&mut self.marks, KEPT_MAX, |mark| mark.kind == "tap");
    }

    /// A row of `utc,elapsed_s,event,number,channel,duration_s,size_a,size_uncertainty_a,lost_readings,detail`.
    fn take_event(&mut self, row: &csv::StringRecord, place: Place) {
        let cell = |place: usize| row.get(place).unwrap_or_default();
        if cell(2) == "gap" {
            let Ok(from_s) = cell(1).parse::<f64>() else {
                return;
            };
            self.gaps.push(GapView {
                from_s,
                to_s: from_s + cell(5).parse().unwrap_or(0.0),
                readings: cell(8).parse().ok(),
                reason: cell(9).to_owned(),
            });
            return;
        }
        let Some((number, _, fault)) = event_in(row) else {
            return;
        };
        let event = Event {
            number,
            at_s: at(row).elapsed_s,
            fault,
            revised: false,
            row: place,
        };
        // A later row of the same number supersedes an earlier one. Numbers rise, but for those.
        let known = if self.events.last().is_some_and(|last| last.number < number) {
            None
        } else {
            self.events.iter_mut().rfind(|known| known.number == number)
        };
        match known {
            Some(known) => {
                *known = Event {
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
            "foot_switch" if cell(3) == "pressed" => ("tap", "pedal", self.foot_switch_place.clone()),
            "tap" => ("tap", "operator", plain(cell(5))),
            "command" => ("command", "operator", plain(cell(5))),
            "note" => ("note", "operator", plain(cell(5))),
            "place" => {
                self.foot_switch_place = plain(cell(5));
                ("place", "operator", self.foot_switch_place.clone())
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
        let span_s = window.from_s..window.to_s;
        let within = |at_s: Option<f64>| at_s.is_some_and(|at_s| span_s.contains(&at_s));
        let mut events: Vec<&Event> = self.events.iter().filter(|event| within(event.at_s)).collect();
        let of = |mark: &&MarkView| within(mark.at.elapsed_s);
        let mut marks: Vec<MarkView> = self.marks.iter().filter(of).cloned().collect();
        let of = |gap: &&GapView| gap.to_s > span_s.start && gap.from_s < span_s.end;
        let mut gaps: Vec<GapView> = self.gaps.iter().filter(of).cloned().collect();
        let mut unlisted = self.forgotten
            + keep(&mut events, LISTED_MAX, |event| event.fault)
            + keep(&mut marks, LISTED_MAX, |mark| mark.kind == "tap")
            + keep(&mut gaps, LISTED_MAX, |_| false);
        let places: Vec<Place> = events.iter().map(|event| event.row).collect();
        let rows = self.events_csv.rows_at(&places);
        // A file that has gone meanwhile tells no more.
        unlisted += events.len() - rows.len();
        window.events = rows
            .iter()
            .zip(&events)
            .filter_map(|(row, event)| event_view(row, event.revised, &window.board))
            .collect();
        window.marks = marks;
        window.gaps = gaps;
        window.unlisted = unlisted;
    }
}

/// Number and kind of the event that a row tells of, and whether it speaks for a fault; `None` where it tells of none.
fn event_in(row: &csv::StringRecord) -> Option<(u64, &'static str, bool)> {
    let (kind, fault) = KINDS.into_iter().find(|(kind, _)| row.get(2) == Some(*kind))?;
    row.get(6)?.parse::<f64>().ok()?;
    Some((row.get(3)?.parse().ok()?, kind, fault))
}

fn event_view(row: &csv::StringRecord, revised: bool, board: &str) -> Option<DetectionView> {
    let (number, kind, fault) = event_in(row)?;
    let cell = |place: usize| row.get(place).unwrap_or_default();
    let quantity = |place: usize| cell(place).parse::<f64>().unwrap_or(0.0);
    let channel = cell(4).parse().unwrap_or(0);
    let (duration_s, size_a) = (quantity(5), quantity(6));
    Some(DetectionView {
        number,
        revised,
        board: board.to_owned(),
        channel,
        kind,
        fault,
        common: kind == "load_change",
        at: at(row),
        size_a,
        size_uncertainty_a: quantity(7),
        duration_s,
        words: format!(
            "{} on channel {channel}: {size_a:+.4} A for {:.1} ms",
            kind.replace('_', " "),
            duration_s * 1e3
        ),
        reason: cell(9).to_owned(),
        arrived_utc: None,
        said_utc: None,
    })
}

/// Keeps `most` of them in their order: those that come `first`, then the latest. Gives how many went.
fn keep<T>(all: &mut Vec<T>, most: usize, first: impl Fn(&T) -> bool) -> usize {
    let surplus = all.len().saturating_sub(most);
    let mut too_many = surplus;
    for only_others in [true, false] {
        all.retain(|one| {
            let stays = too_many == 0 || only_others && first(one);
            too_many -= usize::from(!stays);
            stays
        });
    }
    surplus
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
    for (row, _) in happenings.marks_csv.rows() {
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
    fn of_too_many_faults_are_kept_and_then_the_latest() {
        let all: Vec<(usize, bool)> = (0..5_000).map(|number| (number, number % 10 == 0)).collect();
        let mut some = all.clone();
        assert_eq!(keep(&mut some, 2_000, |(_, fault)| *fault), 3_000);
        assert_eq!(some.len(), 2_000);
        assert_eq!(some.iter().filter(|(_, fault)| *fault).count(), 500);
        assert!(some.is_sorted() && some[0].0 == 0 && some[1_999].0 == 4_999);
        // More faults than are kept: the latest of them.
        let mut faults = all.clone();
        keep(&mut faults, 2_000, |_| true);
        assert_eq!((faults[0].0, faults.len()), (3_000, 2_000));
        let mut few = all[..20].to_vec();
        assert_eq!(keep(&mut few, 2_000, |_| false), 0);
        assert_eq!(few, all[..20]);
    }

    const HEADER: &str =
        "utc,elapsed_s,event,number,channel,duration_s,size_a,size_uncertainty_a,lost_readings,detail\n";

    fn written(rows: &str) -> (tempfile::TempDir, Happenings) {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("events.csv"), format!("{HEADER}{rows}")).unwrap();
        let happenings = Happenings::new(folder.path());
        (folder, happenings)
    }

    fn window(happenings: &Happenings, from_s: f64, to_s: f64) -> Window {
        let mut window = Window {
            from_s,
            to_s,
            board: "b".into(),
            ..Window::default()
        };
        happenings.put_on(&mut window);
        window
    }

    #[test]
    fn an_event_has_the_latest_word_wherever_its_row_stands() {
        let (folder, mut happenings) = written(
            "2026-01-01T00:00:01Z,1.0,dropout,1,2,0.002,-0.5,0.01,,\"first, with a comma\nand a line\"\n\
             ,1.5,gap,,,0.25,,,250,\"cable\"\n\
             ,2.0,spike,2,1,0.001,0.7,0.01,,second\n",
        );
        happenings.refresh("b");
        let events = window(&happenings, 0.0, 10.0).events;
        assert_eq!(
            (events.len(), events[0].reason.as_str()),
            (2, "first, with a comma\nand a line")
        );
        assert_eq!(
            (events[0].channel, events[0].size_a, events[1].kind),
            (2, -0.5, "spike")
        );
        // What is said of it later, in a piece that is read later.
        let path = folder.path().join("events.csv");
        let more = ",1.0,load_change,1,2,0.003,-0.6,0.01,,a load\n,3.0,step,3,1,1,0.1,0.01,,half a r";
        let before = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, format!("{before}{more}")).unwrap();
        happenings.refresh("b");
        let events = window(&happenings, 0.0, 1.2).events;
        assert_eq!(events.len(), 1);
        assert!(events[0].revised && !events[0].fault && events[0].common);
        assert_eq!((events[0].reason.as_str(), events[0].size_a), ("a load", -0.6));
        assert_eq!(window(&happenings, 0.0, 10.0).gaps[0].readings, Some(250));
        assert_eq!(window(&happenings, 2.5, 10.0).events, []);
        std::fs::remove_file(&path).unwrap();
        let gone = window(&happenings, 0.0, 10.0);
        assert_eq!((gone.events.len(), gone.unlisted), (0, 2));
    }

    #[test]
    fn after_too_many_events_faults_are_still_told_and_memory_is_bounded() {
        let mut rows = String::new();
        for number in 0..EVENTS_MAX + 2_000 {
            let kind = if number % 1_000 == 0 {
                "dropout"
            } else {
                "nuisance"
            };
            rows.push_str(&format!(",{number}.0,{kind},{number},1,0.001,-0.1,0.01,,x\n"));
        }
        let (_folder, mut happenings) = written(&rows);
        // A piece of the file each time.
        for _ in 0..4 {
            happenings.refresh("b");
        }
        assert_eq!(happenings.events.len(), EVENTS_MAX);
        assert_eq!(happenings.forgotten, 2_000);
        let faults = |window: &Window| window.events.iter().filter(|event| event.fault).count();
        let whole = window(&happenings, 0.0, 1e6);
        assert_eq!((faults(&whole), whole.events.len()), (52, LISTED_MAX));
        assert_eq!(whole.events.last().map(|event| event.number), Some(51_999));
        assert_eq!(window(&happenings, 51_000.0, 51_000.5).events[0].kind, "dropout");
    }
}
