//! `/v1/live`: what happens, as server-sent events (WHATWG HTML, "Server-sent events").
//!
//! Every event has a number. A client that comes back with the number it had last (`Last-Event-ID`) is given what it
//! missed, as far as it is kept; what is gone is counted in an event `missed`. A client that takes events more slowly than
//! they come is treated the same: nothing waits for it.

use std::convert::Infallible;
use std::fmt::Write as _;

use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use futures_util::stream;

use crate::live::view::Missed;
use crate::live::{LiveEvent, News, Watcher};

use super::app::App;
use super::refusal::Refusal;
use super::table::{Body as Described, Table};

/// Events given in one piece.
const PIECE: usize = 32;

pub(super) fn routes(table: Table) -> Table {
    table.show(
        "/v1/live",
        "What happens, as server-sent events: state, glimpse, detection, mark, standing, soak, power_up, twins, run, \
         job, trouble, missed. Their data are the schemas StateView, GlimpseView, DetectionView, MarkView, TapView, \
         SoakView, PowerUpView, TwinRunView, RunView, JobChanged, TroubleView, Missed of /v1/events.json. \
         Last-Event-ID resumes.",
        Described::Text("text/event-stream"),
        live,
    )
}

async fn live(State(app): State<App>, headers: HeaderMap) -> Result<Response, Refusal> {
    let hub = app.control.hub();
    let watcher = hub.watch().ok_or_else(|| {
        Refusal::new(
            StatusCode::SERVICE_UNAVAILABLE,
            format!("{} watch already: close a page", crate::live::WATCHERS_MAX),
        )
    })?;
    let last: Option<u64> = headers
        .get("last-event-id")
        .and_then(|value| value.to_str().ok())
        .and_then(|value| value.trim().parse().ok());
    let from = last.map_or_else(|| hub.next(), |last| last.saturating_add(1));
    let pieces = stream::unfold((watcher, from), |(watcher, from)| async move {
        let (piece, next) = next_piece(&watcher, from).await;
        Some((Ok::<_, Infallible>(piece), (watcher, next)))
    });
    let headers = [
        (header::CONTENT_TYPE, "text/event-stream"),
        (header::CACHE_CONTROL, "no-store"),
    ];
    Ok((headers, Body::from_stream(pieces)).into_response())
}

/// Waits until there is something to give; gives it and the number that comes next.
async fn next_piece(watcher: &Watcher, from: u64) -> (Bytes, u64) {
    let hub = watcher.hub();
    let (mut news, mut next) = hub.since(from, PIECE);
    if news.events.is_empty() {
        hub.reached(next).await;
        let missed_before = news.missed;
        (news, next) = hub.since(next, PIECE);
        if missed_before != Some(0) {
            news.missed = missed_before;
        }
    }
    (Bytes::from(written(&news)), next)
}

fn written(news: &News) -> String {
    let mut text = String::new();
    if news.missed != Some(0) {
        let missed = serde_json::to_string(&Missed { missed: news.missed }).unwrap_or_default();
        let _ = write!(text, "event: missed\ndata: {missed}\n\n");
    }
    for event in &news.events {
        let LiveEvent { sequence, name, json } = &**event;
        let _ = write!(text, "id: {sequence}\nevent: {name}\ndata: {json}\n\n");
    }
    text
}
