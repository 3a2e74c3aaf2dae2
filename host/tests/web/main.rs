//! The collector's HTTP interface: on the router without a socket, and on a real one where sockets matter.

#![allow(clippy::unwrap_used)] // A test may stop at once.

#[path = "../support/mod.rs"]
mod support;

mod bench;
mod hostile;
mod job;
mod routes;
mod runs;
mod strangers;
mod stream;
