//! What the tests that cross crates have in common: the shipped program, its job folders, a board that was never
//! there, the image in an emulator, and campaigns of faults.

pub mod board;
pub mod emulator;
#[cfg(unix)]
pub mod faults;
pub mod job;
pub mod program;
pub mod ratios;
pub mod readme;
