//! The collector: boards on lines, their records to the recorder, their state to whoever watches.
//!
//! A [`Station`] serves one board: it opens the port, holds the conversation, and goes on in the same run when the board
//! is unplugged and plugged in again. A [`Collector`] holds the stations of one run and the recorder.

mod faults;
mod frames;
mod guard;
mod rehearsal;
mod run;
mod station;

pub use guard::GuardOptions;
pub use rehearsal::Rehearsal;
pub use run::{Collector, Plan, RunControl};
pub use station::{BoardSettings, Command, Station};
