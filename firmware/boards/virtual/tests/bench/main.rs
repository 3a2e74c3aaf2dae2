//! The board and its bench in virtual time, and behind real ports.

// A helper that unwraps is a test that fails; the lint's exception knows only functions marked as tests.
#![allow(clippy::unwrap_used)]

mod determinism;
mod faults;
mod guard;
mod host;
mod person;
mod physics;
mod ports;
mod restarts;
mod truth;
