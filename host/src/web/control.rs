//! Marks, places, runs.

use std::time::Duration;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::collector::RunRequest;
use crate::fault::Fault;
use crate::live::view::JobChanged;
use crate::recorder::{HostMarkKind, RunKind, Stamp};

use super::app::App;
use super::present::RunBegun;
use super::refusal::Refusal;
use super::table::{Body, Table};

/// Longest run there is a use for: a year.
const DURATION_MAX_S: f64 = 366.0 * 86_400.0;

/// A mark to be set at this instant.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MarkRequest {
    /// The place, the load, or the note; a tap without one is at the place chosen last.
    #[serde(default)]
    pub label: String,
    /// What it means; a tap when not given.
    #[serde(default)]
    pub kind: HostMarkKind,
}

/// The place that is tapped from now on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PlaceRequest {
    /// Its name; empty chooses none.
    pub place: String,
}

/// A run to be begun.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRun {
    /// What for.
    pub kind: RunKind,
    /// How long in seconds; until it is stopped when not given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duration_s: Option<f64>,
    /// Readings per second, 100 to 4000; as the collector was started with, and 4000 for a power-up, when not given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rate_hz: Option<u32>,
}

pub(super) fn routes(table: Table) -> Table {
    table
        .change(
            "/v1/marks",
            "Mark this instant on every board's time line; gives when it was stamped",
            Body::of::<MarkRequest>(),
            Body::of::<Stamp>(),
            mark,
        )
        .change(
            "/v1/place",
            "Choose the place that is being tapped, by foot switch, key or click",
            Body::of::<PlaceRequest>(),
            Body::None,
            place,
        )
        .change(
            "/v1/rearm",
            "Have every tripped guard close its relay again",
            Body::None,
            Body::None,
            rearm,
        )
        .change(
            "/v1/runs",
            "End the run there is and begin the next",
            Body::of::<NewRun>(),
            Body::of::<RunBegun>(),
            begin,
        )
        .change(
            "/v1/stop",
            "End the run; the boards measure on and nothing is recorded",
            Body::None,
            Body::None,
            stop,
        )
        .change(
            "/v1/end",
            "End the run and the program",
            Body::None,
            Body::None,
            end,
        )
}

async fn mark(State(app): State<App>, Json(request): Json<MarkRequest>) -> Result<Json<Stamp>, Refusal> {
    Ok(Json(app.control.mark(request.kind, &request.label)?))
}

async fn place(State(app): State<App>, Json(request): Json<PlaceRequest>) -> Result<StatusCode, Refusal> {
    app.control.choose_place(&request.place)?;
    app.control.hub().publish("job", &JobChanged { what: "place" });
    Ok(StatusCode::NO_CONTENT)
}

async fn rearm(State(app): State<App>) -> Result<StatusCode, Refusal> {
    app.control.rearm()?;
    Ok(StatusCode::NO_CONTENT)
}

async fn begin(State(app): State<App>, Json(request): Json<NewRun>) -> Result<Json<RunBegun>, Refusal> {
    let duration = match request.duration_s {
        None => None,
        Some(seconds) if seconds > 0.0 && seconds <= DURATION_MAX_S => Some(Duration::from_secs_f64(seconds)),
        Some(seconds) => {
            let rule = "a run lasts more than 0 s and at most a year";
            return Err(Fault::usage(format!("a length of {seconds} s"), rule).into());
        }
    };
    let request = RunRequest {
        kind: request.kind,
        duration,
        rate_hz: request.rate_hz,
    };
    let run = app.control.begin_run(request).await?;
    Ok(Json(RunBegun::from(&run)))
}

async fn stop(State(app): State<App>) -> Result<StatusCode, Refusal> {
    app.control.stop_run().await?;
    Ok(StatusCode::NO_CONTENT)
}

async fn end(State(app): State<App>) -> StatusCode {
    app.control.end("somebody asked for it");
    StatusCode::NO_CONTENT
}
