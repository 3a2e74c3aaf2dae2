//! The collector's page and the requests it answers. The only module that knows HTTP.
//!
//! | request | answer | token |
//! |---|---|---|
//! | `GET /v1/status` | the boards' present states and the recorder's | no |
//! | `POST /v1/marks` `{"label": "J4", "kind": "tap"}` | when it was stamped | yes |
//! | `POST /v1/rearm` | nothing; the guards close their relays again, or say why not | yes |
//! | `POST /v1/stop` | nothing; the run is closed | yes |
//!
//! What changes something needs the header `Authorization: Bearer TOKEN`; the token is new for each run and stands in
//! the job folder, readable by its owner only. A request must name this computer as its `Host` when the listener is on
//! loopback, so that no page from elsewhere can reach it under a borrowed name.

mod client;
mod routes;
mod token;

pub use client::post_mark;
pub use routes::{App, MarkRequest, app, serve};
pub use token::new_token;
