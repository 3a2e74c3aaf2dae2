//! A request that is not carried out: the status and the words.

use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::Serialize;

use crate::exit::Exit;
use crate::fault::Fault;

/// What a request that is not carried out is answered with.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub(super) struct Refusal {
    /// What was met, which rule it broke, and the remedy, in words.
    pub(super) fault: String,
    #[serde(skip)]
    #[schemars(skip)]
    pub(super) status: StatusCode,
}

impl Refusal {
    pub(super) fn new(status: StatusCode, fault: impl Into<String>) -> Self {
        Self {
            fault: fault.into(),
            status,
        }
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        (self.status, Json(self)).into_response()
    }
}

impl From<Fault> for Refusal {
    fn from(fault: Fault) -> Self {
        let status = match fault.exit() {
            Exit::Usage => StatusCode::BAD_REQUEST,
            Exit::NoCollector => StatusCode::GONE,
            Exit::Refused | Exit::SilentBoard | Exit::NoPort | Exit::PortBusy | Exit::AnotherBoard => {
                StatusCode::CONFLICT
            }
            _ => StatusCode::INTERNAL_SERVER_ERROR,
        };
        Self::new(status, fault.to_string())
    }
}

/// Does on a thread that may wait what waits for the disk.
pub(super) async fn off_thread<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Fault> + Send + 'static,
) -> Result<T, Refusal> {
    match tokio::task::spawn_blocking(work).await {
        Ok(outcome) => outcome.map_err(Refusal::from),
        Err(error) => Err(Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, error.to_string())),
    }
}
