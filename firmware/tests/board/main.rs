//! The board side on the host: its two loops run by turns in virtual time, its chips are register files, and faults are
//! put in between.

#![allow(
    clippy::unwrap_used,
    reason = "what a test needs and does not get ends the test"
)]

mod bus;
mod chip;
mod commands;
mod faults;
mod foot_switch;
mod guard;
mod invariants;
mod rig;
mod sampling;
mod stream;
mod thermistor;
