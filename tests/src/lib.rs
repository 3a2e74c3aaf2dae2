//! What the tests that cross crates have in common: the shipped program, its job folders, the image in an emulator, and
//! campaigns of faults.

pub mod emulator;
#[cfg(unix)]
pub mod faults;
pub mod job;
pub mod program;
