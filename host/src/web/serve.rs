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
use super::patient::Patient;

/// Bytes of a request's head.
const HEAD_BYTES_MAX: usize = 16 * 1024;

/// Header lines of a request.
const HEADERS_MAX: usize = 64;

/// What a connection may take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Connections at a time.
    pub connections: usize,
    /// A request's head is whole by then, and a connection that asks nothing is closed by then.
    pub head_patience: Duration,
    /// So long may a far end take nothing of what is written to it.
    pub write_patience: Duration,
}

impl Default for Limits {
    /// Room for those who watch, and some for everything else.
    fn default() -> Self {
        Self {
            connections: 96,
            head_patience: Duration::from_secs(15),
            write_patience: Duration::from_secs(20),
        }
    }
}

/// Answers until the program ends.
///
/// # Errors
/// When the listener has died.
pub async fn serve(listener: TcpListener, state: App, limits: Limits) -> std::io::Result<()> {
    let mut tasks = JoinSet::new();
    tasks.spawn(feed::feed(state.control.clone()));
    let router = app(state);
    let room = Arc::new(Semaphore::new(limits.connections));
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
                .header_read_timeout(limits.head_patience)
                .max_buf_size(HEAD_BYTES_MAX)
                .max_headers(HEADERS_MAX)
                .serve_connection(TokioIo::new(Patient::new(stream, limits.write_patience)), service);
            // What goes wrong on a connection is its far end's.
            let _ = connection.await;
        });
    }
}
