//! `steady completions`: what a shell needs to complete the command line.

use clap_complete::Shell;

use crate::console::Console;
use crate::exit::Exit;

/// Arguments of `steady completions`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The shell.
    #[arg(value_enum)]
    shell: Shell,
}

/// Prints the script.
#[must_use]
pub fn run(args: &Args, console: &Console) -> Exit {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut super::command(), "steady", &mut script);
    console.say(String::from_utf8_lossy(&script).trim_end());
    Exit::Done
}
