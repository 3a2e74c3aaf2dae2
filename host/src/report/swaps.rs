//! What swaps, lifts and disturbed joints told, as far as the runs around them say it.

use std::path::Path;

use indicatif::ProgressBar;
use serde::Serialize;
use steadybench_analysis::swap::Verdict;

use crate::job::closing::line;
use crate::job::trial::{Around, DatedRun, what_it_tells};
use crate::job::{Alteration, Alterations};
use crate::recorder::RunKind;
use crate::swap::{Answer, Measure, Question, answer, word};

use super::content::RunTold;
use super::figures::{Tone, Word};

/// What an alteration told.
#[derive(Clone, Debug, Serialize)]
pub struct SwapTold {
    /// Its number.
    pub alteration: u32,
    /// The alteration on one line.
    pub line: String,
    /// The word on it.
    pub word: Word,
    /// The figures behind it, as a page of words; empty where it could not be judged.
    pub page: String,
    /// Everything behind it; `None` where it could not be judged.
    pub answer: Option<Box<Answer>>,
}

/// Judges every alteration that can tell something.
pub(super) fn swaps(
    job: &Path,
    runs: &[RunTold],
    alterations: &Alterations,
    bar: &ProgressBar,
) -> Vec<SwapTold> {
    let told = alterations
        .made
        .iter()
        .filter(|made| what_it_tells(made.kind).is_some());
    told.map(|made| judged(job, made, runs, alterations, bar))
        .collect()
}

/// What else was made between the runs that stand around an alteration.
fn others_between(made: &Alteration, runs: &[RunTold], alterations: &Alterations) -> Vec<String> {
    let dated = dated(runs);
    let around = Around::of(made, &dated);
    let began = |number: Option<u32>| {
        dated
            .iter()
            .find(|run| Some(run.number) == number)
            .map(|run| run.started)
    };
    let (Some(from), Some(to)) = (began(around.before), began(around.after)) else {
        return Vec::new();
    };
    let others = alterations
        .made
        .iter()
        .filter(|other| other.number != made.number && other.utc.is_some_and(|utc| utc > from && utc <= to));
    others.map(line).collect()
}

fn dated(runs: &[RunTold]) -> Vec<DatedRun> {
    let known = runs.iter().filter_map(|run| {
        Some(DatedRun {
            number: run.number,
            started: run.started_utc?,
        })
    });
    known.collect()
}

/// A run begins with a switch-on or with warming up: so many seconds of each are left out, a quarter of the shorter one and
/// five minutes at most (common practice, no source).
fn skipped_s(made: &Alteration, runs: &[RunTold]) -> f64 {
    const SHARE: f64 = 0.25;
    const MOST_S: f64 = 300.0;
    let around = Around::of(made, &dated(runs));
    let length_s = |number: Option<u32>| {
        let run = runs.iter().find(|run| Some(run.number) == number)?;
        run.boards.first().map(|board| board.duration_s)
    };
    let lengths = [around.before, around.after].into_iter().filter_map(length_s);
    (SHARE * lengths.fold(f64::INFINITY, f64::min)).min(MOST_S)
}

/// What shows the fault: events where both runs were for tapping, the mean current else.
fn measure(made: &Alteration, runs: &[RunTold]) -> Measure {
    let around = Around::of(made, &dated(runs));
    let tapped = |number: Option<u32>| {
        runs.iter()
            .any(|run| Some(run.number) == number && run.kind == Some(RunKind::Tap))
    };
    if tapped(around.before) && tapped(around.after) {
        Measure::Events
    } else {
        Measure::Current
    }
}

fn judged(
    job: &Path,
    made: &Alteration,
    runs: &[RunTold],
    alterations: &Alterations,
    bar: &ProgressBar,
) -> SwapTold {
    let skip_s = match measure(made, runs) {
        Measure::Current => skipped_s(made, runs),
        Measure::Events => 0.0,
    };
    let question = Question {
        alteration: Some(made.number),
        measure: measure(made, runs),
        skip_s,
        ..Question::default()
    };
    let bare = |reason: String| SwapTold {
        alteration: made.number,
        line: line(made),
        word: Word {
            channel: None,
            word: "not judged".into(),
            tone: Tone::Open,
            reason,
        },
        page: String::new(),
        answer: None,
    };
    let others = others_between(made, runs, alterations);
    if !others.is_empty() {
        return bare(format!(
            "more was altered between the runs before and after it, so neither can be told by itself: {}",
            others.join("; ")
        ));
    }
    match answer(job, &question, alterations, bar) {
        Err(fault) => bare(fault.to_string().replace("\n  ", "; ")),
        Ok(mut answer) => {
            if skip_s > 0.0 {
                let left_out = crate::examine::words::duration(skip_s);
                answer
                    .assumptions
                    .push(format!("the first {left_out} of each run are left out"));
            }
            let tone = match answer.finding.verdict {
                Verdict::CannotSay => Tone::Open,
                _ => Tone::Good,
            };
            SwapTold {
                word: Word {
                    channel: Some(answer.suspect_channel),
                    word: word(answer.finding.verdict).into(),
                    tone,
                    reason: answer.finding.reason.text().into(),
                },
                page: answer.words(),
                answer: Some(Box::new(answer)),
                ..bare(String::new())
            }
        }
    }
}
