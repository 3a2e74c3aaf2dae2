//! A job folder as the content of a report.

use std::path::Path;

use indicatif::ProgressBar;
use jiff::Timestamp;
use steadybench_protocol::Hello;

use crate::cautions;
use crate::examine::RunFolder;
use crate::fault::Fault;
use crate::job::closing::Closing;
use crate::job::fields::unknown_keys;
use crate::job::{Alterations, Notes};
use crate::recorder::{
    BoardSurvey, Job, RunKind, RunSurvey, is_being_recorded, read_alterations, read_job, read_job_text,
    read_notes, run_folders, serial_digits, survey_run,
};

use super::content::{BoardTold, FORMAT, PROGRAM, Report, RunTold};
use super::figures;
use super::findings_file::keep;
use super::instruments::{Met, instruments};
use super::overlay::pairs;
use super::pass::{Seen, go_through};
use super::standing::Standing;
use super::summary::summary;
use super::swaps::swaps;

/// What else a caller wants while a report is gathered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keep {
    /// `findings.json` is made where it is missing.
    Findings,
    /// Nothing is written.
    Nothing,
}

/// Gathers a report and writes nothing.
///
/// # Errors
/// When the folder is no job. A mistake in the job, or a run that cannot be read, is part of the report.
pub fn gather(job: &Path, bar: &ProgressBar) -> Result<Report, Fault> {
    gather_and(job, Keep::Nothing, bar)
}

/// Gathers a report.
///
/// # Errors
/// When the folder is no job. A mistake in the job, or a run that cannot be read, is part of the report.
pub fn gather_and(job: &Path, also: Keep, bar: &ProgressBar) -> Result<Report, Fault> {
    let text = read_job_text(job)?;
    let being_recorded = is_being_recorded(job);
    let mut mistakes: Vec<String> = unknown_keys(&text).iter().map(ToString::to_string).collect();
    let described = or_mistake(read_job(job), &mut mistakes);
    let (alterations, notes) = (read_alterations(job), read_notes(job));
    let mut unreadable: Vec<String> = Vec::new();
    let alterations: Alterations = or_mistake(alterations, &mut unreadable);
    let notes: Notes = or_mistake(notes, &mut unreadable);
    let mut closing = Closing::of(&alterations, &notes);
    closing.clean &= unreadable.is_empty();
    closing.unreadable.extend(unreadable);
    mistakes.extend(closing.unreadable.iter().cloned());

    let folders = run_folders(job)?;
    let surveys: Vec<_> = folders.iter().map(|folder| survey_run(folder)).collect();
    let chunks = surveys
        .iter()
        .flatten()
        .flat_map(|survey| &survey.boards)
        .map(|board| board.log.chunks);
    bar.set_length(chunks.sum());
    let (mut runs, mut met) = (Vec::new(), Met::default());
    for (folder, survey) in folders.iter().zip(surveys) {
        runs.push(told_run(folder, survey, also, being_recorded, &mut met, bar));
    }
    let swaps = swaps(job, &runs, &alterations, bar);
    let standing = Standing::of(&runs, &alterations.made, &closing);
    let summary = summary(&described, &runs, &alterations.made, &swaps, &standing);
    Ok(Report {
        format: FORMAT,
        made_utc: Timestamp::now(),
        program: PROGRAM,
        folder: job
            .canonicalize()
            .ok()
            .and_then(|path| path.file_name().map(|name| name.to_string_lossy().into_owned()))
            .unwrap_or_default(),
        being_recorded,
        mistakes,
        summary,
        pairs: pairs(&runs, &alterations.made),
        standing,
        closed: notes.closed().cloned(),
        closing,
        notes: notes.made,
        swaps,
        instruments: instruments(met, &runs),
        cautions: cautions_for(&runs, &described),
        alterations: alterations.made,
        job: described,
        runs,
    })
}

fn or_mistake<T: Default>(read: Result<T, Fault>, mistakes: &mut Vec<String>) -> T {
    read.unwrap_or_else(|fault| {
        mistakes.push(fault.to_string());
        T::default()
    })
}

fn cautions_for(runs: &[RunTold], job: &Job) -> Vec<&'static str> {
    let has = |kind| runs.iter().any(|run| run.kind == Some(kind));
    let mut all = vec![cautions::ALWAYS, cautions::POWER_UP];
    if has(RunKind::Soak) {
        all.push(cautions::UNATTENDED_SOAK);
    }
    if !job.marked_fuse.is_empty() {
        all.push(cautions::FUSE);
    }
    all
}

fn told_run(
    folder: &Path,
    survey: Result<RunSurvey, Fault>,
    also: Keep,
    being_recorded: bool,
    met: &mut Met,
    bar: &ProgressBar,
) -> RunTold {
    let name = folder
        .file_name()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned();
    let number = name
        .split('-')
        .next()
        .and_then(|digits| digits.parse().ok())
        .unwrap_or(0);
    let mut told = RunTold {
        number,
        folder: name,
        kind: None,
        started_utc: None,
        ended: "cut off, or being recorded".to_owned(),
        closed: false,
        settings: None,
        missing: Vec::new(),
        guard_tripped: false,
        boards: Vec::new(),
        unreadable: None,
    };
    let survey = match survey {
        Ok(survey) => survey,
        Err(fault) => {
            told.unreadable = Some(fault.to_string());
            return told;
        }
    };
    told.missing = survey.missing();
    if let Some(opened) = &survey.opened {
        told.kind = Some(opened.run.kind);
        told.started_utc = opened.run.started_utc.parse().ok();
        told.settings = Some(opened.settings.clone());
    }
    if let Some(closed) = &survey.closed {
        told.closed = true;
        told.ended.clone_from(&closed.reason);
    } else if !being_recorded {
        told.ended = "cut off: it was never closed".to_owned();
    }
    if survey.boards.is_empty() {
        told.unreadable = Some("it holds no wire.log, so nothing can be made from it".to_owned());
    }
    let may_write = also == Keep::Findings && (told.closed || !being_recorded);
    for (board, place) in survey.boards.iter().zip(1..) {
        match seen(folder, board, place, bar) {
            Ok(seen) => {
                told.guard_tripped |= seen.guard_tripped;
                met.take(number, &survey, &seen);
                let asked = told.kind.is_some_and(|kind| kind != RunKind::Free);
                told.boards
                    .push(told_board(folder, board, seen, asked, may_write));
            }
            Err(fault) => told.unreadable = Some(fault.to_string()),
        }
    }
    told
}

fn seen(run: &Path, board: &BoardSurvey, place: usize, bar: &ProgressBar) -> Result<Seen, Fault> {
    let run = RunFolder::open(run, Some(place))?;
    go_through(&run, &board.folder.join("wire.log"), bar)
}

fn told_board(run: &Path, board: &BoardSurvey, seen: Seen, asked: bool, may_write: bool) -> BoardTold {
    let folder = match board.folder.strip_prefix(run) {
        Ok(inner) if inner.as_os_str().is_empty() => ".".to_owned(),
        Ok(inner) => inner.display().to_string(),
        Err(_) => board.folder.display().to_string(),
    };
    let told = figures::told(&seen.findings, asked);
    let hello: Option<&Hello> = seen.hello.as_deref();
    let kept_findings = keep(&board.folder, may_write, hello, seen.examined_as, &seen.findings);
    let temperatures = seen.trace.all().temperature_c;
    BoardTold {
        folder,
        serial: hello.map(serial_digits).unwrap_or_default(),
        examined_as: seen.examined_as,
        duration_s: seen.trace.ended_s(),
        begun_utc: seen.begun_utc,
        ended_utc: seen.ended_utc,
        utc_bound_s: seen.utc_bound_s,
        readings: seen.readings,
        lost_readings: seen.lost_readings,
        missing_readings: seen.missing_readings,
        temperature_c: temperatures.map(|all| (!all.is_empty()).then_some([all.min, all.max])),
        gaps: seen.gaps,
        gaps_more: seen.gaps_more,
        happenings: seen.happenings,
        happenings_more: seen.happenings_more,
        marks: seen.marks,
        words: told.words,
        figures: told.figures,
        findings: seen.findings,
        kept_findings,
        trace: seen.trace,
        windows: seen.windows,
    }
}
