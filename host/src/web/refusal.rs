//! A request that is not carried out: the status and the words.

use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::Serialize;
use tokio::sync::Semaphore;

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

/// So much that waits for the disk is done at a time; whoever asks more waits for a turn, and the boards do not.
const TURNS: usize = 3;

static TURN: Semaphore = Semaphore::const_new(TURNS);

/// Does on a thread that may wait what waits for the disk, when its turn has come.
pub(super) async fn off_thread<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Fault> + Send + 'static,
) -> Result<T, Refusal> {
    let turn = TURN.acquire().await;
    // Whoever has gone away meanwhile keeps the turn until the work is done: it cannot be broken off.
    at_length(move || {
        let _turn = turn;
        work()
    })
    .await
}

/// The same for what may take minutes and has its own bound.
pub(super) async fn at_length<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Fault> + Send + 'static,
) -> Result<T, Refusal> {
    match tokio::task::spawn_blocking(work).await {
        Ok(outcome) => outcome.map_err(Refusal::from),
        Err(error) => Err(Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, error.to_string())),
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;

    #[tokio::test(flavor = "multi_thread")]
    async fn no_more_work_at_a_time_than_there_are_turns() {
        let (now, most) = (Arc::new(AtomicUsize::new(0)), Arc::new(AtomicUsize::new(0)));
        let asked: Vec<_> = (0..40)
            .map(|_| {
                let (now, most) = (Arc::clone(&now), Arc::clone(&most));
                tokio::spawn(off_thread(move || {
                    most.fetch_max(now.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
                    std::thread::sleep(std::time::Duration::from_millis(2));
                    now.fetch_sub(1, Ordering::SeqCst);
                    Ok(())
                }))
            })
            .collect();
        for (place, one) in asked.into_iter().enumerate() {
            // Some go away before their answer.
            if place % 4 == 0 {
                one.abort();
            } else {
                one.await.unwrap().unwrap();
            }
        }
        assert!((1..=TURNS).contains(&most.load(Ordering::SeqCst)), "{most:?}");
    }
}
