//! What a night on the bench throws at the program: campaigns of faults, each with its seed and its count.
//!
//! ```text
//! cargo build --release
//! cargo run --release -p steadybench-tests --example steady-faults -- kill --count 300
//! cargo run --release -p steadybench-tests --example steady-faults -- readme
//! ```
//!
//! A campaign prints one line of what it tried and what was lost, and ends with 1 when a requirement did not hold. With
//! `--record` the line is kept for README's table, which `readme` writes.

use std::process::ExitCode;

#[cfg(unix)]
mod campaigns;

#[cfg(unix)]
fn main() -> ExitCode {
    campaigns::main()
}

#[cfg(not(unix))]
fn main() -> ExitCode {
    println!("these campaigns need a pseudo-terminal, which this system has not");
    ExitCode::FAILURE
}
