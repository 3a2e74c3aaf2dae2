//! The collector's page and the requests it answers. The only module that knows HTTP.
//!
//! | module | what it holds |
//! |---|---|
//! | [`mod@app`] | what requests are answered from, and the table of them |
//! | `table` | routes and their descriptions, made together so that neither is without the other |
//! | `admission` | who may ask what: Host, Origin, token, rate |
//! | `serve` | the listener: connections, time-outs, bounds |
//! | `stream` | `/v1/live`, server-sent events |
//! | `feed` | the state twenty times a second, made once for all who watch |
//! | `present` | `/v1/status`, `/v1/window` |
//! | `job` | the job, its runs, and what changes it |
//! | `control` | marks, places, runs |
//! | `page` | the page's own files |
//! | `metrics` | `/metrics`, for monitoring |
//! | `client` | the same requests from the command line |
//!
//! Every request is described in `/v1/openapi.json`, from the code that answers it.
//!
//! On loopback what only shows is open to whoever is on this computer; what changes something needs the header
//! `Authorization: Bearer TOKEN`. When it listens elsewhere every request under `/v1` and `/metrics` needs it. The token
//! is new for each start and stands in the link that `steady collect` prints, behind a `#`, which no browser sends; and in
//! the job folder, readable by its owner only.

mod admission;
pub mod app;
mod client;
mod control;
mod feed;
mod job;
mod long;
mod metrics;
mod page;
mod patient;
mod present;
mod refusal;
mod serve;
mod stream;
mod table;
mod token;

pub use app::{App, app};
pub use client::{Client, link};
pub use control::{MarkRequest, NewRun, PlaceRequest};
pub use present::{RunBegun, Status};
pub use serve::{Limits, serve};
pub use token::new_token;
