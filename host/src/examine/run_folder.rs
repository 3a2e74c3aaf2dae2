//! A run folder as samples and marks: what was recorded is replayed the way it arrived.

use std::path::{Path, PathBuf};

use steadybench_analysis::sample::{Mark, MarkKind, Sample};
use steadybench_protocol::MarkEdge;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::live::sample_of;
use crate::recorder::wire_log::HostMarkKind;
use crate::recorder::{RunKind, RunSurvey, survey_run};
use crate::replay::Replay;
use crate::stream::{MarkRow, MarkSource, Output};

use super::Kind;

/// What a recording gives.
#[derive(Clone, Copy, Debug)]
pub enum Seen<'a> {
    /// A reading instant.
    Sample(&'a Sample),
    /// A mark.
    Mark(&'a Mark),
}

/// A run folder that was found fit to be examined.
#[derive(Debug)]
pub struct RunFolder {
    survey: RunSurvey,
    log: PathBuf,
}

impl RunFolder {
    /// Looks through a run folder and picks the recording of board `board`, from 1.
    ///
    /// # Errors
    /// When it holds no run, or several boards and none was picked.
    pub fn open(path: &Path, board: Option<usize>) -> Result<Self, Fault> {
        let survey = survey_run(path)?;
        let boards = survey.boards.len();
        let picked = match board {
            None if boards > 1 => {
                let rule = format!("the run has the recordings of {boards} boards");
                let remedy = format!("pick one: --board 1 to --board {boards}");
                return Err(Fault::usage(path.display().to_string(), rule).remedy(remedy));
            }
            picked => picked.unwrap_or(1),
        };
        let log = picked
            .checked_sub(1)
            .and_then(|at| survey.boards.get(at))
            .ok_or_else(|| {
                Fault::new(
                    Exit::BadInput,
                    path.display().to_string(),
                    format!("it holds no recording of a board {picked}"),
                )
            })?;
        let log = log.folder.join("wire.log");
        Ok(Self { survey, log })
    }

    /// What the run holds and lacks.
    #[must_use]
    pub const fn survey(&self) -> &RunSurvey {
        &self.survey
    }

    /// Chunks in the picked board's recording, for the progress of a replay.
    #[must_use]
    pub fn chunks(&self) -> u64 {
        let mut boards = self.survey.boards.iter();
        let picked = boards.find(|board| self.log.parent() == Some(board.folder.as_path()));
        picked.map_or(0, |board| board.log.chunks)
    }

    /// What the run was recorded as.
    #[must_use]
    pub fn kind(&self) -> Option<Kind> {
        match self.survey.opened.as_ref()?.run.kind {
            RunKind::Soak => Some(Kind::Soak),
            RunKind::Tap => Some(Kind::Tap),
            RunKind::PowerUp => Some(Kind::PowerUp),
            RunKind::Twins => Some(Kind::Twins),
            RunKind::Free => None,
        }
    }

    /// Replays everything recorded, raw codes too.
    ///
    /// # Errors
    /// When the file cannot be opened.
    pub fn replay(&self) -> Result<Replay, Fault> {
        Replay::open(&self.log)
    }

    /// Gives every sample and every mark of the recording as they came: samples in order of time, marks among them at
    /// about theirs, so that a mark may stand behind what it marks. A torn tail is an end like any other.
    ///
    /// # Errors
    /// When the recording cannot be read to its end.
    pub fn each(&self, mut take: impl FnMut(Seen<'_>)) -> Result<(), Fault> {
        let mut place = String::from("foot switch");
        self.replay()?.each_output(&mut |output| match output {
            Output::Reading(reading) => {
                if let Some(sample) = sample_of(&reading) {
                    take(Seen::Sample(&sample));
                }
            }
            Output::Mark(row) => {
                if let Some(mark) = mark_of(&row, &mut place) {
                    take(Seen::Mark(&mark));
                }
            }
            _ => {}
        })
    }

    /// Gives every sample of the recording in order of time.
    ///
    /// # Errors
    /// When the recording cannot be read to its end.
    pub fn each_sample(&self, mut take: impl FnMut(&Sample)) -> Result<(), Fault> {
        self.each(|seen| {
            if let Seen::Sample(sample) = seen {
                take(sample);
            }
        })
    }

    /// Every mark of the recording, in order of time: a pass of its own, since a mark may stand behind what it marks.
    ///
    /// # Errors
    /// When the recording cannot be read to its end.
    pub fn marks(&self) -> Result<Vec<Mark>, Fault> {
        let mut marks = Vec::new();
        self.each(|seen| {
            if let Seen::Mark(mark) = seen {
                marks.push(mark.clone());
            }
        })?;
        marks.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        Ok(marks)
    }

    /// The marks that an examination as `kind` asks for beforehand; none are read for one that takes them as they come, or
    /// heeds none.
    ///
    /// # Errors
    /// When the recording cannot be read to its end.
    pub fn marks_for(&self, kind: Kind) -> Result<Vec<Mark>, Fault> {
        if kind.heeds_marks_beforehand() {
            self.marks()
        } else {
            Ok(Vec::new())
        }
    }
}

/// A mark as the examinations take it. A press of the foot switch is a tap at the place that the operator named last.
pub(crate) fn mark_of(row: &MarkRow, place: &mut String) -> Option<Mark> {
    let time_s = row.when.elapsed_us? as f64 * 1e-6;
    let (kind, label) = match row.source {
        MarkSource::FootSwitch {
            edge: MarkEdge::Pressed,
            ..
        } => (MarkKind::Tap, place.clone()),
        MarkSource::Operator(HostMarkKind::Tap) => (MarkKind::Tap, row.label.clone()),
        MarkSource::Operator(HostMarkKind::Command) => (MarkKind::Command, row.label.clone()),
        MarkSource::Operator(HostMarkKind::Place) => {
            place.clone_from(&row.label);
            return None;
        }
        MarkSource::FootSwitch {
            edge: MarkEdge::Released,
            ..
        }
        | MarkSource::Operator(HostMarkKind::Note) => {
            return None;
        }
    };
    Some(Mark { time_s, kind, label })
}
