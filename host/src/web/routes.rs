//! What is answered, and to whom.

use std::net::SocketAddr;

use axum::extract::{DefaultBodyLimit, Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use serde::{Deserialize, Serialize};
use tokio::net::TcpListener;

use crate::collector::RunControl;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::live::LiveBoard;
use crate::recorder::{HostMarkKind, RecorderStatus, Stamp};

use super::token;

/// Bytes of the longest request body there is a use for.
const BODY_BYTES_MAX: usize = 16 * 1024;

/// What the requests are answered from.
#[derive(Clone)]
pub struct App {
    /// The run.
    pub control: RunControl,
    /// What a request that changes something must show.
    pub token: String,
    /// Where it listens.
    pub address: SocketAddr,
}

/// A mark to be set.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MarkRequest {
    /// The place, the load, or the note.
    pub label: String,
    /// What it means.
    #[serde(default)]
    pub kind: HostMarkKind,
}

#[derive(Serialize)]
struct Status {
    run: u32,
    folder: String,
    boards: Vec<LiveBoard>,
    recorder: RecorderStatus,
}

/// A request that is not carried out: the status and the words.
struct Refused(StatusCode, String);

impl IntoResponse for Refused {
    fn into_response(self) -> Response {
        (self.0, self.1).into_response()
    }
}

impl From<Fault> for Refused {
    fn from(fault: Fault) -> Self {
        let status = match fault.exit() {
            Exit::Usage => StatusCode::BAD_REQUEST,
            Exit::NoCollector => StatusCode::GONE,
            _ => StatusCode::INTERNAL_SERVER_ERROR,
        };
        Self(status, fault.to_string())
    }
}

/// Builds the application; a test calls it without a socket.
pub fn app(app: App) -> Router {
    Router::new()
        .route("/v1/status", get(status))
        .route("/v1/marks", post(mark))
        .route("/v1/rearm", post(rearm))
        .route("/v1/stop", post(stop))
        .layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
        .layer(middleware::from_fn_with_state(app.clone(), only_local_names))
        .with_state(app)
}

/// Answers until the program ends.
///
/// # Errors
/// As the system gives it.
pub async fn serve(listener: TcpListener, router: Router) -> std::io::Result<()> {
    axum::serve(listener, router).await
}

/// A page from elsewhere may give a name of its own to this computer's loopback address; such a request names that
/// host, and is refused.
async fn only_local_names(State(app): State<App>, request: Request, next: Next) -> Response {
    if !app.address.ip().is_loopback() {
        return next.run(request).await;
    }
    let host = request
        .headers()
        .get(header::HOST)
        .and_then(|host| host.to_str().ok());
    let name = host.map(|host| host.rsplit_once(':').map_or(host, |(name, _)| name));
    match name {
        Some("localhost" | "127.0.0.1" | "[::1]") => next.run(request).await,
        _ => Refused(
            StatusCode::FORBIDDEN,
            "this collector answers only under this computer's own name".into(),
        )
        .into_response(),
    }
}

impl App {
    fn admit(&self, headers: &HeaderMap) -> Result<(), Refused> {
        let shown = headers
            .get(header::AUTHORIZATION)
            .and_then(|value| value.to_str().ok())
            .and_then(|value| value.strip_prefix("Bearer "));
        match shown {
            Some(shown) if token::same(shown, &self.token) => Ok(()),
            _ => Err(Refused(
                StatusCode::UNAUTHORIZED,
                "this needs the run's token; it stands in the job folder, in .steady-collector.json".into(),
            )),
        }
    }
}

async fn status(State(app): State<App>) -> Json<Status> {
    Json(Status {
        run: app.control.number(),
        folder: app.control.folder().display().to_string(),
        boards: app.control.boards(),
        recorder: app.control.recorder(),
    })
}

async fn mark(
    State(app): State<App>,
    headers: HeaderMap,
    Json(request): Json<MarkRequest>,
) -> Result<Json<Stamp>, Refused> {
    app.admit(&headers)?;
    Ok(Json(app.control.mark(request.kind, &request.label)?))
}

async fn rearm(State(app): State<App>, headers: HeaderMap) -> Result<StatusCode, Refused> {
    app.admit(&headers)?;
    app.control.rearm()?;
    Ok(StatusCode::NO_CONTENT)
}

async fn stop(State(app): State<App>, headers: HeaderMap) -> Result<StatusCode, Refused> {
    app.admit(&headers)?;
    app.control.stop();
    Ok(StatusCode::NO_CONTENT)
}
