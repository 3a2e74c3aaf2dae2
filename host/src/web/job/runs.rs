//! The job's runs, by number only: no path from outside leads anywhere.

use std::path::Path;
use std::sync::PoisonError;

use axum::Json;
use axum::extract::{Path as UrlPath, State};
use jiff::Timestamp;
use schemars::JsonSchema;
use serde::Serialize;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::{RunOpened, run_folders, run_tables, survey_run};
use crate::window::{board_folder, run_number};

use super::super::app::App;
use super::super::refusal::{Refusal, off_thread};
use super::super::table::{Body, Table};
use super::findings::line_of;

/// One run of the job.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
struct RunEntry {
    /// Its number within the job.
    run: u32,
    /// What for; `null` when its `run.toml` cannot be read.
    kind: Option<&'static str>,
    /// When it began.
    started_utc: Option<String>,
    /// Seconds from there to its last reading; `null` when it is recorded or was cut off.
    length_s: Option<f64>,
    /// Whether it is being recorded.
    recording: bool,
    /// Why it ended; `null` when it is recorded or was cut off.
    ended: Option<String>,
    /// Reading instants recorded, over all boards.
    readings: u64,
    /// Reading instants that never arrived, over all boards.
    lost: u64,
    /// The boards' identities.
    boards: Vec<String>,
    /// What was found in it, in a line for each board, from what was kept when it was closed; `null` where nothing is kept.
    found: Vec<Option<String>>,
}

/// A run with what it holds and lacks.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
struct RunDetail {
    #[serde(flatten)]
    entry: RunEntry,
    /// UTC of the last reading that can be read back.
    recorded_until_utc: Option<String>,
    /// What is missing, in words; empty when the run is whole.
    missing: Vec<String>,
    /// Readings per second.
    rate_hz: Option<f64>,
    /// What the guards acted on, in words.
    guards: Vec<String>,
}

pub(super) fn routes(table: Table) -> Table {
    table
        .show(
            "/v1/runs",
            "The job's runs, oldest first",
            Body::of::<Vec<RunEntry>>(),
            runs,
        )
        .show(
            "/v1/runs/{number}",
            "One run, and what it holds and lacks",
            Body::of::<RunDetail>(),
            run,
        )
}

fn entry(app: &App, folder: &Path, present: Option<u32>) -> (RunEntry, Option<RunOpened>) {
    let (opened, closed) = run_tables(folder);
    let run = run_number(folder).unwrap_or(0);
    let started: Option<Timestamp> = opened
        .as_ref()
        .and_then(|opened| opened.run.started_utc.parse().ok());
    let until: Option<Timestamp> = closed
        .as_ref()
        .and_then(|closed| closed.recorded_until_utc.as_ref()?.parse().ok());
    let boards = closed
        .as_ref()
        .map(|closed| closed.board.as_slice())
        .unwrap_or_default();
    let entry = RunEntry {
        run,
        kind: opened.as_ref().map(|opened| opened.run.kind.name()),
        started_utc: opened.as_ref().map(|opened| opened.run.started_utc.clone()),
        length_s: started
            .zip(until)
            .map(|(started, until)| until.duration_since(started).as_secs_f64().max(0.0)),
        recording: present == Some(run),
        readings: boards.iter().map(|board| board.readings).sum(),
        lost: boards.iter().map(|board| board.lost_readings).sum(),
        found: found(
            app,
            run,
            folder,
            opened.as_ref().map_or(1, |opened| opened.board.len()),
        ),
        boards: opened.as_ref().map_or(Vec::new(), |opened| {
            opened.board.iter().map(|board| board.serial.clone()).collect()
        }),
        ended: closed.map(|closed| closed.reason),
    };
    (entry, opened)
}

/// The lines of a run that is over, read once: what was kept is never changed.
fn found(app: &App, run: u32, folder: &Path, boards: usize) -> Vec<Option<String>> {
    let mut lines = app.found.lock().unwrap_or_else(PoisonError::into_inner);
    (0..boards)
        .map(|position| {
            if let Some(line) = lines.get(&(run, position)) {
                return Some(line.clone());
            }
            let line = line_of(&board_folder(folder, position, boards))?;
            lines.insert((run, position), line.clone());
            Some(line)
        })
        .collect()
}

async fn runs(State(app): State<App>) -> Result<Json<Vec<RunEntry>>, Refusal> {
    let present = app.control.run().map(|run| run.number);
    off_thread(move || {
        let folders = run_folders(app.control.job())?;
        Ok(folders
            .iter()
            .map(|folder| entry(&app, folder, present).0)
            .collect())
    })
    .await
    .map(Json)
}

async fn run(State(app): State<App>, UrlPath(number): UrlPath<u32>) -> Result<Json<RunDetail>, Refusal> {
    let present = app.control.run().map(|run| run.number);
    off_thread(move || {
        let folders = run_folders(app.control.job())?;
        let folder = folders
            .iter()
            .find(|folder| run_number(folder) == Some(number))
            .ok_or_else(|| {
                Fault::new(
                    Exit::Usage,
                    format!("run {number}"),
                    "there is no such run in this job",
                )
            })?;
        let (entry, opened) = entry(&app, folder, present);
        let survey = survey_run(folder)?;
        Ok(RunDetail {
            entry,
            recorded_until_utc: survey.recorded_until_utc().map(|until| format!("{until:.6}")),
            missing: survey.missing(),
            rate_hz: opened
                .as_ref()
                .map(|opened| 1e6 / f64::from(opened.settings.reading_period_us.max(1))),
            guards: opened.map_or(Vec::new(), |opened| {
                opened.board.into_iter().filter_map(|board| board.guard).collect()
            }),
        })
    })
    .await
    .map(Json)
}
