//! What the tests that cross crates have in common: the shipped program, its job folders, and the image in an emulator.

pub mod emulator;
pub mod job;
pub mod program;
