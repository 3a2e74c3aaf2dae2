//! The collector: boards on lines, their records to the recorder, their state to whoever watches.
//!
//! A [`Station`] serves one board: it opens the port, holds the conversation, and goes on in the same run when the board
//! is unplugged and plugged in again. A [`Session`] holds the stations, and records one run after another from them;
//! a [`SessionControl`] says when.

mod bring_up;
mod control;
mod faults;
mod frames;
mod guard;
mod rehearsal;
mod session;
mod showing;
mod station;
mod work;

pub use control::SessionControl;
pub use guard::GuardOptions;
pub use rehearsal::Rehearsal;
pub use session::{Ended, Plan, RunFacts, RunRequest, Session};
pub use station::{BoardSettings, Command, Station};
