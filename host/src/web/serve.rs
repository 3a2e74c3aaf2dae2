//! The listener: connections, time-outs, bounds.

use std::sync::Arc;
use std::time::Duration;

use axum::Extension;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tokio::task::JoinSet;

use super::admission::Peer;
use super::app::{App, app};
use super::feed;
use super::patient::{PATIENCE, Patient};

/// Connections at a time: those who watch, and some for everything else.
const CONNECTIONS_MAX: usize = 96;

/// A request's head is whole by then, and a connection that asks nothing is closed by then.
const HEAD_PATIENCE: Duration = Duration::from_secs(15);

/// Bytes of a request's head.
const HEAD_BYTES_MAX: usize = 16 * 1024;

/// Header lines of a request.
const HEADERS_MAX: usize = 64;

/// Answers until the program ends.
///
/// # Errors
/// When the listener has died.
pub async fn serve(listener: TcpListener, state: App) -> std::io::Result<()> {
    let mut tasks = JoinSet::new();
    tasks.spawn(feed::feed(state.control.clone()));
    let router = app(state);
    let room = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            // Connections that are over are let go of; the feed is never over.
            Some(_) = tasks.join_next() => continue,
        };
        let Ok((stream, peer)) = accepted else {
            // Out of files, or the far end has gone already: neither is worth ending for.
            tokio::time::sleep(Duration::from_millis(50)).await;
            continue;
        };
        let Ok(place) = Arc::clone(&room).try_acquire_owned() else {
            continue;
        };
        // Small events are to leave at once.
        let _ = stream.set_nodelay(true);
        let service = TowerToHyperService::new(router.clone().layer(Extension(Peer(peer.ip()))));
        tasks.spawn(async move {
            let _place = place;
            let connection = http1::Builder::new()
                .timer(TokioTimer::new())
                .header_read_timeout(HEAD_PATIENCE)
                .max_buf_size(HEAD_BYTES_MAX)
                .max_headers(HEADERS_MAX)
                .serve_connection(TokioIo::new(Patient::new(stream, PATIENCE)), service);
            // What goes wrong on a connection is its far end's.
            let _ = connection.await;
        });
    }
}
