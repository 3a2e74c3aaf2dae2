//! What speaks for a clean bill and what against it.

use jiff::Timestamp;
use serde::Serialize;

use crate::examine::words::duration;
use crate::job::closing::{Closing, line};
use crate::job::{Alteration, State};
use crate::recorder::RunKind;

use super::content::RunTold;
use super::figures::Tone;

/// Where the job stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Standing {
    /// Whether the bill is clean: everything altered put back or knowingly kept, a soak passed since the last alteration
    /// was made, and nothing that was found still stands against the unit.
    pub clean_bill: bool,
    /// Point by point.
    pub points: Vec<Point>,
}

/// One point.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Point {
    /// What it is about.
    pub about: &'static str,
    /// Whether it speaks for the unit.
    pub tone: Tone,
    /// In words.
    pub words: String,
}

impl Standing {
    pub(super) fn of(runs: &[RunTold], alterations: &[Alteration], closing: &Closing) -> Self {
        let last_made = alterations.iter().filter_map(|made| made.utc).max();
        let altered = altered(alterations, closing);
        let soak = soak(runs, alterations, last_made);
        let mut points = vec![altered, soak];
        for (kind, about) in [
            (RunKind::PowerUp, "Last power-up"),
            (RunKind::Twins, "Last comparison of the stages"),
            (RunKind::Tap, "Last tapping"),
        ] {
            points.extend(last_of(runs, kind).map(|run| of_run(run, about, last_made)));
        }
        let against = points.iter().any(|point| point.tone == Tone::Bad);
        let clean_bill = closing.clean && points[1].tone == Tone::Good && !against;
        points.push(record(runs));
        Self { clean_bill, points }
    }
}

/// The last run of a kind; a run without a time counts by its number.
pub(super) fn last_of(runs: &[RunTold], kind: RunKind) -> Option<&RunTold> {
    runs.iter().rfind(|run| run.kind == Some(kind))
}

fn altered(alterations: &[Alteration], closing: &Closing) -> Point {
    let (tone, words) = if !closing.unreadable.is_empty() {
        (Tone::Bad, "The list of alterations or notes has lines that cannot be read, so nobody knows whether everything was put back.".to_owned())
    } else if !closing.still_altered.is_empty() {
        let open: Vec<String> = closing.still_altered.iter().map(line).collect();
        (Tone::Bad, format!("STILL ALTERED: {}.", open.join("; ")))
    } else if alterations.is_empty() {
        (Tone::Good, "No alteration is written down.".to_owned())
    } else {
        let kept = match closing.kept.len() {
            0 => String::new(),
            1 => " One is knowingly kept, with its reason.".to_owned(),
            many => format!(" {many} are knowingly kept, each with its reason."),
        };
        (
            Tone::Good,
            format!("Everything that has to be put back was put back or is knowingly kept.{kept}"),
        )
    };
    Point {
        about: "Alterations",
        tone,
        words,
    }
}

/// The tone of a run: bad when anything is, good when everything that says something is.
fn tone_of(run: &RunTold) -> Tone {
    let mut tones = run
        .boards
        .iter()
        .flat_map(|board| &board.words)
        .map(|word| word.tone)
        .peekable();
    if tones.peek().is_none() || run.unreadable.is_some() {
        return Tone::Open;
    }
    tones.fold(Tone::Good, |all, tone| match (all, tone) {
        (Tone::Bad, _) | (_, Tone::Bad) => Tone::Bad,
        (Tone::Open, _) | (_, Tone::Open) => Tone::Open,
        _ => Tone::Good,
    })
}

/// The words on a run in one sentence, bad ones first.
fn words_of(run: &RunTold) -> String {
    if let Some(reason) = &run.unreadable {
        return format!("it cannot be read: {reason}");
    }
    let mut words: Vec<_> = run.boards.iter().flat_map(|board| &board.words).collect();
    words.sort_by_key(|word| word.tone != Tone::Bad);
    let words: Vec<String> = words
        .iter()
        .map(|word| match word.channel {
            Some(channel) => format!("channel {channel} {}", word.word),
            None => word.word.clone(),
        })
        .collect();
    words.join(", ")
}

fn older_than(run: &RunTold, made: Option<Timestamp>) -> bool {
    run.started_utc
        .zip(made)
        .is_some_and(|(started, made)| made > started)
}

/// What a run found stands until it is repeated: an alteration since may have mended it, and nobody knows.
fn of_run(run: &RunTold, about: &'static str, last_made: Option<Timestamp>) -> Point {
    let (tone, since) = match (tone_of(run), older_than(run, last_made)) {
        (tone, false) => (tone, ""),
        (Tone::Bad, true) => (Tone::Bad, " Something was altered since; repeat it to know."),
        (_, true) => (
            Tone::Open,
            " Something was altered since, and it was not repeated.",
        ),
    };
    Point {
        about,
        tone,
        words: format!("Run {}: {}.{since}", run.number, words_of(run)),
    }
}

fn soak(runs: &[RunTold], alterations: &[Alteration], last_made: Option<Timestamp>) -> Point {
    let about = "Last soak";
    let Some(run) = last_of(runs, RunKind::Soak) else {
        let words = "No soak was recorded: nothing here shows that the unit stays as it is.".to_owned();
        return Point {
            about,
            tone: Tone::Open,
            words,
        };
    };
    let length_s = run
        .boards
        .iter()
        .map(|board| board.duration_s)
        .fold(0.0, f64::max);
    let mut tone = tone_of(run);
    let mut words = format!("Run {}, {}: {}.", run.number, duration(length_s), words_of(run));
    if older_than(run, last_made) {
        tone = Tone::Open;
        words.push_str(" Something was altered since, so it says nothing about the unit as it is now.");
    }
    if !run.closed && tone == Tone::Good {
        tone = Tone::Open;
        words.push_str(" It was cut off or still goes on.");
    }
    if run.guard_tripped {
        tone = Tone::Bad;
        words.push_str(" The guard opened the supply relay.");
    }
    let back = put_back_after(run, alterations);
    if back > 0 {
        let (noun, were) = if back == 1 {
            ("alteration", "was")
        } else {
            ("alterations", "were")
        };
        words.push_str(&format!(
            " {back} {noun} {were} put back after it, which no soak has seen."
        ));
    }
    Point { about, tone, words }
}

fn put_back_after(run: &RunTold, alterations: &[Alteration]) -> usize {
    let back = alterations.iter().filter(|made| match made.state {
        State::Restored { utc, .. } => older_than(run, utc),
        _ => false,
    });
    back.count()
}

fn record(runs: &[RunTold]) -> Point {
    let mut words = Vec::new();
    let boards = || runs.iter().flat_map(|run| &run.boards);
    let lost: u64 = boards().map(|board| board.lost_readings).sum();
    let readings: u64 = boards().map(|board| board.readings).sum();
    if lost > 0 {
        words.push(format!("{lost} of {} readings never arrived", readings + lost));
    }
    let cut_off = runs.iter().filter(|run| !run.closed).count();
    if cut_off > 0 {
        words.push(format!(
            "{cut_off} of {} runs cut off or still being recorded",
            runs.len()
        ));
    }
    let unreadable = runs.iter().filter(|run| run.unreadable.is_some()).count();
    if unreadable > 0 {
        words.push(format!("{unreadable} runs cannot be read"));
    }
    let damaged = runs
        .iter()
        .filter(|run| run.missing.iter().any(|missing| missing.contains("damaged")));
    let damaged = damaged.count();
    if damaged > 0 {
        words.push(format!("{damaged} recordings damaged"));
    }
    let (tone, words) = match (runs.is_empty(), words.is_empty()) {
        (true, _) => (Tone::Open, "Nothing was recorded.".to_owned()),
        (false, true) => (
            Tone::Good,
            format!("{readings} readings in {} runs; none lost.", runs.len()),
        ),
        (false, false) => (
            Tone::Open,
            format!("{}. Section “Integrity” says where.", words.join("; ")),
        ),
    };
    Point {
        about: "Record",
        tone,
        words,
    }
}
