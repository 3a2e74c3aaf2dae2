//! Which runs stand around an alteration: the last before it, the first after it, the first after it was put back.

use jiff::Timestamp;

use super::{Alteration, AlterationKind, State};

/// A run by its number and its beginning.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DatedRun {
    /// Its number.
    pub number: u32,
    /// When it began.
    pub started: Timestamp,
}

/// The runs around an alteration, by their numbers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Around {
    /// The last that began before it was made.
    pub before: Option<u32>,
    /// The first that began after it was made and before it was put back.
    pub after: Option<u32>,
    /// The first that began after it was put back.
    pub restored: Option<u32>,
}

impl Around {
    /// Finds them; none where the alteration has no time.
    ///
    /// ```
    /// use steadybench_host::job::Alterations;
    /// use steadybench_host::job::trial::{Around, DatedRun};
    ///
    /// let file = "number,utc,event,kind,what,why\n\
    ///     1,2026-11-25T13:00:00Z,made,lifted-leg,Q4 leg 2,\n\
    ///     1,2026-11-25T14:00:00Z,restored,,,\n";
    /// let runs = ["2026-11-25T12:00:00Z", "2026-11-25T12:30:00Z", "2026-11-25T13:10:00Z", "2026-11-25T14:10:00Z"];
    /// let runs: Vec<DatedRun> = (1..).zip(runs).map(|(number, at)| DatedRun { number, started: at.parse().unwrap() }).collect();
    /// let around = Around::of(Alterations::read(file).get(1).unwrap(), &runs);
    /// assert_eq!(around, Around { before: Some(2), after: Some(3), restored: Some(4) });
    /// ```
    #[must_use]
    pub fn of(alteration: &Alteration, runs: &[DatedRun]) -> Self {
        let Some(made) = alteration.utc else {
            return Self::default();
        };
        let back = match alteration.state {
            State::Restored { utc, .. } => utc,
            _ => None,
        };
        let first = |from: Timestamp, to: Option<Timestamp>| {
            runs.iter()
                .filter(|run| run.started >= from && to.is_none_or(|to| run.started < to))
                .min_by_key(|run| run.started)
                .map(|run| run.number)
        };
        Self {
            before: runs
                .iter()
                .filter(|run| run.started < made)
                .max_by_key(|run| run.started)
                .map(|run| run.number),
            after: first(made, back),
            restored: back.and_then(|back| first(back, None)),
        }
    }
}

/// What an alteration can tell about part, place and joint; `None` when nothing (a link, a shunt).
#[must_use]
pub const fn what_it_tells(kind: AlterationKind) -> Option<steadybench_analysis::swap::Alteration> {
    use steadybench_analysis::swap::Alteration;
    match kind {
        AlterationKind::SwappedPart => Some(Alteration::Swapped),
        AlterationKind::LiftedLeg | AlterationKind::RemovedPart => Some(Alteration::Lifted),
        AlterationKind::DisturbedJoint => Some(Alteration::Disturbed),
        _ => None,
    }
}
