//! Pairs of runs laid over each other: the first and the last of a kind, and those around an alteration.

use serde::Serialize;

use crate::job::trial::{Around, DatedRun};
use crate::job::{Alteration, closing::line};
use crate::recorder::RunKind;

use super::content::RunTold;

/// Two runs of the same kind.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Pair {
    /// Number of the earlier run.
    pub before: u32,
    /// Number of the later run.
    pub after: u32,
    /// What lies between them, in words.
    pub between: String,
}

/// Kinds whose runs are alike enough to be laid over each other.
const ALIKE: [RunKind; 3] = [RunKind::PowerUp, RunKind::Twins, RunKind::Soak];

/// Pairs for a picture: around every alteration that has a like run on either side, and the first and the last of a kind.
/// No pair comes twice.
pub(super) fn pairs(runs: &[RunTold], alterations: &[Alteration]) -> Vec<Pair> {
    let mut pairs: Vec<Pair> = Vec::new();
    for kind in ALIKE {
        let of_kind: Vec<DatedRun> = runs
            .iter()
            .filter(|run| run.kind == Some(kind) && run.boards.len() == 1)
            .filter_map(|run| {
                Some(DatedRun {
                    number: run.number,
                    started: run.started_utc?,
                })
            })
            .collect();
        for made in alterations {
            let around = Around::of(made, &of_kind);
            if let (Some(before), Some(after)) = (around.before, around.after) {
                add(&mut pairs, before, after, &line(made));
            }
        }
        if let [first, .., last] = of_kind.as_slice() {
            add(&mut pairs, first.number, last.number, "");
        }
    }
    pairs
}

fn add(pairs: &mut Vec<Pair>, before: u32, after: u32, between: &str) {
    match pairs
        .iter_mut()
        .find(|pair| (pair.before, pair.after) == (before, after))
    {
        Some(pair) if pair.between.is_empty() || between.is_empty() => pair.between.push_str(between),
        Some(pair) => {
            pair.between.push_str("; ");
            pair.between.push_str(between);
        }
        None => pairs.push(Pair {
            before,
            after,
            between: between.to_owned(),
        }),
    }
}
