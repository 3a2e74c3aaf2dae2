//! The host's side of the conversation with one board, without input or output: bytes and host time go in; messages to
//! send, events and deadlines come out.
//!
//! [`Receiver`] turns bytes into placed messages and serves a live line and a recording alike. [`Link`] holds the
//! conversation: who is there, how it is to measure, start, time exchanges, stop; each command with its time-out and
//! its repetitions (every command may safely be given twice).

mod conversation;
mod receiver;
#[cfg(test)]
mod tests;

pub use conversation::{Link, LinkEvent, SetUp};
pub use receiver::{LineCounts, Received, Receiver};
