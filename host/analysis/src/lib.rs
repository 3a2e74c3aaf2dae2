//! Numbers in, findings out: the arithmetic of Steadybench.
//!
//! Nothing in this crate opens a file, reads a clock, starts a thread or prints. Every examination takes
//! [`sample::Sample`]s in the order of their time, keeps bounded memory, and ends in a value with a bound, a word, and
//! the reason for that word. "Not enough data" is a word too.

pub mod calibration;
pub mod events;
pub mod fuse;
pub mod limiter;
pub mod planning;
pub mod power_up;
pub mod sample;
pub mod soak;
pub mod statistics;
pub mod steady;
pub mod swap;
pub mod tap;
pub mod thermistor;
pub mod twins;
pub mod uncertainty;
