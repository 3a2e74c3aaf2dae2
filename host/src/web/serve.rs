//! The listener: connections, time-outs, bounds.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::Extension;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::TcpListener;
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
    /// Connections at a time from this computer, and as many from all others together.
    pub connections: usize,
    /// Connections at a time from one other computer.
    pub connections_each: usize,
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
            connections_each: 24,
            head_patience: Duration::from_secs(15),
            write_patience: Duration::from_secs(20),
        }
    }
}

/// Room for connections: strangers cannot take it from who sits at this computer, nor one of them from the others.
#[derive(Clone, Debug)]
struct Room {
    limits: Limits,
    taken: Arc<Mutex<HashMap<IpAddr, usize>>>,
}

/// A place, until dropped.
#[derive(Debug)]
struct Place {
    peer: IpAddr,
    room: Room,
}

impl Room {
    fn new(limits: Limits) -> Self {
        Self {
            limits,
            taken: Arc::default(),
        }
    }

    fn taken(&self) -> MutexGuard<'_, HashMap<IpAddr, usize>> {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn place(&self, peer: IpAddr) -> Option<Place> {
        let peer = peer.to_canonical();
        let mut taken = self.taken();
        let own = taken.get(&peer).copied().unwrap_or(0);
        let alike: usize = taken
            .iter()
            .filter(|(other, _)| other.is_loopback() == peer.is_loopback())
            .map(|(_, count)| count)
            .sum();
        if alike >= self.limits.connections || !peer.is_loopback() && own >= self.limits.connections_each {
            return None;
        }
        *taken.entry(peer).or_insert(0) += 1;
        drop(taken);
        let room = self.clone();
        Some(Place { peer, room })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut taken = self.room.taken();
        if let Some(count) = taken.get_mut(&self.peer) {
            *count -= 1;
            if *count == 0 {
                taken.remove(&self.peer);
            }
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
    let room = Room::new(limits);
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
        let Some(place) = room.place(peer.ip()) else {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strangers_leave_room_for_others_and_for_this_computer() {
        let room = Room::new(Limits {
            connections: 5,
            connections_each: 3,
            ..Limits::default()
        });
        let here: IpAddr = [127, 0, 0, 1].into();
        let [one, two]: [IpAddr; 2] = [[192, 0, 2, 1].into(), [192, 0, 2, 2].into()];
        let held: Vec<Place> = (0..3).map(|_| room.place(one).unwrap()).collect();
        assert!(room.place(one).is_none());
        let others: Vec<Place> = (0..2).map(|_| room.place(two).unwrap()).collect();
        assert!(room.place(two).is_none(), "all strangers together");
        let own: Vec<Place> = (0..5).map(|_| room.place(here).unwrap()).collect();
        assert!(room.place(here).is_none());
        drop(held);
        assert!(room.place(one).is_some() && room.place(here).is_none());
        drop((others, own));
        assert!(room.taken().is_empty());
    }
}
