//! What swaps, lifts and disturbed joints told, as far as the runs around them say it.

use std::path::Path;

use indicatif::ProgressBar;
use serde::Serialize;
use steadybench_analysis::swap::Verdict;

use crate::job::closing::line;
use crate::job::trial::what_it_tells;
use crate::job::{Alteration, Alterations};
use crate::swap::{Answer, Question, answer, word};

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
pub(super) fn swaps(job: &Path, alterations: &Alterations, bar: &ProgressBar) -> Vec<SwapTold> {
    let told = alterations
        .made
        .iter()
        .filter(|made| what_it_tells(made.kind).is_some());
    told.map(|made| judged(job, made, alterations, bar)).collect()
}

fn judged(job: &Path, made: &Alteration, alterations: &Alterations, bar: &ProgressBar) -> SwapTold {
    let question = Question {
        alteration: Some(made.number),
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
    match answer(job, &question, alterations, bar) {
        Err(fault) => bare(fault.to_string().replace("\n  ", "; ")),
        Ok(answer) => {
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
