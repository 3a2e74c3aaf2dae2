//! What requests are answered from, and the table of them. A test calls it without a socket.

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};

use axum::extract::{DefaultBodyLimit, State};
use axum::{Json, Router, middleware};
use serde_json::Value;
use tokio::sync::Semaphore;

use crate::collector::SessionControl;
use crate::window::Windows;

use super::admission::{self, Admission};
use super::table::{Body, Table};
use super::{control, job, metrics, page, present, stream};

/// Bytes of the longest request body there is a use for.
pub(super) const BODY_BYTES_MAX: usize = 16 * 1024;

/// What the requests are answered from.
#[derive(Clone, Debug)]
pub struct App {
    /// The session.
    pub(super) control: SessionControl,
    /// Windows of its runs.
    pub(super) windows: Arc<Windows>,
    /// Who may ask.
    pub(super) admission: Arc<Admission>,
    /// One report is made at a time.
    pub(super) report_turn: Arc<Semaphore>,
    /// What was found in each run that is over, on each board, in a line.
    pub(super) found: Arc<Mutex<HashMap<(u32, usize), String>>>,
    document: Arc<std::sync::OnceLock<Value>>,
}

impl App {
    /// Of a session, with what a request that changes something must show, and where it listens.
    #[must_use]
    pub fn new(control: SessionControl, token: String, address: SocketAddr) -> Self {
        Self {
            windows: Arc::new(Windows::new(control.job())),
            admission: Arc::new(Admission::new(token, address)),
            control,
            report_turn: Arc::new(Semaphore::new(1)),
            found: Arc::default(),
            document: Arc::default(),
        }
    }
}

/// Builds the application.
pub fn app(app: App) -> Router {
    let (router, document) = table().finish();
    let _ = app.document.set(document);
    router
        .merge(page::routes())
        .layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
        .layer(middleware::from_fn_with_state(app.clone(), admission::admit))
        .layer(middleware::map_response(admission::guard_answer))
        .with_state(app)
}

fn table() -> Table {
    let table = Table::default()
        .show(
            "/v1/openapi.json",
            "This document",
            Body::Text("application/json"),
            document,
        )
        .show(
            "/metrics",
            "Readings, losses, clock bound, values and guard, for monitoring",
            Body::Text(metrics::CONTENT_TYPE),
            metrics::metrics,
        );
    control::routes(job::routes(stream::routes(present::routes(table))))
}

async fn document(State(app): State<App>) -> Json<Value> {
    Json(app.document.get().cloned().unwrap_or_default())
}
