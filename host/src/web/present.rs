//! `/v1/status` and `/v1/window`: what is, and what was.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Response};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::collector::RunFacts;
use crate::live::view::{
    DetectionView, GlimpseView, JobChanged, MarkView, Missed, RunView, StateView, TroubleView,
};
use crate::live::{LiveBoard, StandingView};
use crate::recorder::RecorderStatus;
use crate::window::{Window, WindowRequest};

use super::app::App;
use super::feed;
use super::long::LongJson;
use super::refusal::{Refusal, at_length, off_thread};
use super::table::{Body, Table};

/// The collector's state.
#[derive(Debug, Serialize, JsonSchema)]
pub struct Status {
    /// The program.
    pub version: &'static str,
    /// Whether a run is recorded; otherwise the boards measure and nothing is written.
    pub recording: bool,
    /// The run being recorded; `null` in standby.
    pub run: Option<RunBegun>,
    /// The job folder.
    pub job: String,
    /// The place that is being tapped; empty when none was chosen.
    pub place: String,
    /// The boards.
    pub boards: Vec<LiveBoard>,
    /// The recorder.
    pub recorder: RecorderStatus,
    /// What the examination of the present run, or of the last, says.
    pub findings: StandingView,
    /// How many watch `/v1/live`.
    pub watchers: usize,
    /// The number of an event of `/v1/live`: what the events before it say of the examinations is in `findings`, and an
    /// event from it on may say what is newer.
    pub next_event: u64,
}

/// A run that was begun.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct RunBegun {
    /// Its number within the job.
    pub number: u32,
    /// What for.
    pub kind: &'static str,
    /// Its folder.
    pub folder: String,
    /// When it began.
    pub started_utc: String,
    /// Seconds left; `null` when its length was not given.
    pub left_s: Option<f64>,
}

impl From<&RunFacts> for RunBegun {
    fn from(run: &RunFacts) -> Self {
        Self {
            number: run.number,
            kind: run.kind.name(),
            folder: run.folder.display().to_string(),
            started_utc: format!("{:.3}", run.started),
            left_s: run.left.map(|left| left.as_secs_f64()),
        }
    }
}

/// A window of a run.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
struct WindowQuery {
    /// The run's number; the one being recorded when not given.
    run: Option<u32>,
    /// The board's identity; the first board when not given.
    board: Option<String>,
    /// Where the window begins.
    #[serde(default)]
    from_s: f64,
    /// Where it ends; at the last reading when not given.
    to_s: Option<f64>,
    /// Columns at most, 1 to 4096; 1000 when not given.
    columns: Option<usize>,
}

/// The schemas of every event of `/v1/live`, each under its name.
#[derive(Serialize, JsonSchema)]
struct Events {
    state: StateView,
    detection: DetectionView,
    glimpse: GlimpseView,
    mark: MarkView,
    run: RunView,
    trouble: TroubleView,
    job: JobChanged,
    missed: Missed,
}

pub(super) fn routes(table: Table) -> Table {
    table
        .show(
            "/v1/status",
            "How everything stands",
            Body::of::<Status>(),
            status,
        )
        .show(
            "/v1/state",
            "The event `state`, once",
            Body::of::<StateView>(),
            state,
        )
        .show(
            "/v1/events.json",
            "The schemas of the events of /v1/live",
            Body::of::<Events>(),
            events,
        )
        .show(
            "/report",
            "The job on one page that prints, made now from what was recorded",
            Body::Text("text/html"),
            report,
        )
        .show_by::<WindowQuery, _, _>(
            "/v1/window",
            "Any stretch of a run in columns, each with the extremes of every reading in it",
            Body::of::<Window>(),
            window,
        )
}

async fn status(State(app): State<App>) -> Json<Status> {
    // Before all else: an event is published when what it says can be had here.
    let next_event = app.control.hub().next();
    let run = app.control.run();
    Json(Status {
        version: env!("CARGO_PKG_VERSION"),
        recording: run.is_some(),
        run: run.as_ref().map(RunBegun::from),
        job: app.control.job().display().to_string(),
        place: app.control.place(),
        boards: app.control.boards(),
        recorder: app.control.recorder(),
        findings: app.control.standing(),
        watchers: app.control.hub().watchers(),
        next_event,
    })
}

async fn state(State(app): State<App>) -> LongJson<StateView> {
    let names =
        crate::recorder::read_job(app.control.job()).map_or_else(|_| Default::default(), |job| job.channels);
    LongJson(feed::state(&app.control, &names, false))
}

async fn events() -> Json<serde_json::Value> {
    Json(schemars::schema_for!(Events).to_value())
}

async fn window(
    State(app): State<App>,
    Query(query): Query<WindowQuery>,
) -> Result<LongJson<Window>, Refusal> {
    let request = WindowRequest {
        run: query.run.or_else(|| app.control.run().map(|run| run.number)),
        board: query.board,
        from_s: query.from_s,
        to_s: query.to_s,
        columns: query.columns.unwrap_or(1_000),
    };
    let windows = app.windows;
    off_thread(move || windows.answer(&request)).await.map(LongJson)
}

/// The report is one page without a script; its styles stand in it.
const REPORT_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; \
     base-uri 'none'; form-action 'none'";

async fn report(State(app): State<App>) -> Result<Response, Refusal> {
    // It reads every run of the job from beginning to end: one at a time is enough.
    let Ok(turn) = Arc::clone(&app.report_turn).try_acquire_owned() else {
        return Err(Refusal::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "a report is being made: wait until it is there",
        ));
    };
    let job = app.control.job().to_owned();
    let page = at_length(move || {
        let page = crate::report::render(&job);
        drop(turn);
        page
    })
    .await?;
    let headers = [(header::CONTENT_SECURITY_POLICY, REPORT_POLICY)];
    Ok((headers, Html(page)).into_response())
}
