//! The shipped program `steady`, as a user starts it.

use std::path::PathBuf;
use std::process::{Command, Stdio};

/// A command line that begins with `steady`.
///
/// # Panics
/// When the program has not been built: `cargo test` at the top of the project builds it before any test runs; for this
/// package alone, `cargo build` first.
#[must_use]
pub fn steady() -> Command {
    let mut command = Command::new(path());
    command.stdin(Stdio::null());
    command
}

fn path() -> PathBuf {
    let test = std::env::current_exe().expect("a test is a file");
    // Tests stand in `deps` beside the programs of the same profile.
    let folder = test
        .parent()
        .and_then(|deps| deps.parent())
        .expect("target/PROFILE/deps/TEST");
    let steady = folder.join(format!("steady{}", std::env::consts::EXE_SUFFIX));
    assert!(
        steady.exists(),
        "{} is not there; build it first: cargo build",
        steady.display()
    );
    steady
}
