//! The command line: one file each command, with its `Args` and its `run(args, &Console)`.

use std::process::ExitCode;

use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};

use crate::console::Console;
use crate::exit::Exit;
use crate::fault::Fault;

pub mod calibrate;
pub mod collect;
mod collect_show;
pub mod completions;
pub mod demo;
pub mod examine;
pub mod export;
pub mod job;
pub mod man;
pub mod mark;
pub mod plan;
pub mod ports;
pub mod reference;
pub mod report;
pub mod run;
pub mod swap;

/// Two-channel bench recorder: power a unit up safely, find the bad stage or joint, prove it stays mended.
#[derive(Debug, Parser)]
#[command(name = "steady", version)]
pub struct Cli {
    /// Print for programs: JSON, one object a line, faults on standard error as `{"fault": ...}`.
    #[arg(long, global = true)]
    pub json: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Do the whole job on a virtual bench, with nothing to plug in.
    Demo(demo::Args),
    /// Examine a recording: a run folder, or a CSV of any meter or oscilloscope.
    Examine(examine::Args),
    /// Write a run's readings to one file for other tools: CSV or Parquet, whole or a part of it.
    Export(export::Args),
    /// Find a board's zero, gain and thermistor corrections, and keep them.
    Calibrate(calibrate::Args),
    /// Record boards until told to stop.
    Collect(Box<collect::Args>),
    /// The job on paper: begin, note, alter, restore, show, close.
    Job(job::Args),
    /// Mark this instant in the run that is being recorded.
    Mark(mark::Args),
    /// Work out on paper which shunt, fuse, limiter or thermistor divider to put in.
    Plan(plan::Args),
    /// Make the job's report, one page that prints.
    Report(report::Args),
    /// Begin or end a run of the collector that is running.
    Run(run::Args),
    /// Keep runs of good units to compare with: keep, list, forget.
    Reference(reference::Args),
    /// Judge a swap, a lift or a disturbed joint by the runs before and after it.
    Swap(swap::Args),
    /// List the ports that a board may be on.
    Ports(ports::Args),
    /// Print what a shell needs to complete commands.
    Completions(completions::Args),
    /// Print or write the manual pages.
    Man(man::Args),
}

/// Runs the command line this process was started with.
#[must_use]
pub fn main() -> ExitCode {
    let matches = command().get_matches();
    let cli = match Cli::from_arg_matches(&matches) {
        Ok(cli) => cli,
        Err(error) => error.exit(),
    };
    let console = Console::new(cli.json);
    for fault in crate::calibrations::put_in_use() {
        console.warn(&fault.to_string());
    }
    match run(cli.command, &console) {
        Ok(exit) => exit.into(),
        Err(fault) => {
            console.fault(&fault);
            fault.exit().into()
        }
    }
}

fn run(command: Command, console: &Console) -> Result<Exit, Fault> {
    match command {
        Command::Demo(args) => demo::run(&args, console),
        Command::Examine(args) => examine::run(&args, console),
        Command::Export(args) => export::run(&args, console),
        Command::Calibrate(args) => calibrate::run(&args, console),
        Command::Collect(args) => collect::run(&args, console),
        Command::Job(args) => job::run(&args, console),
        Command::Mark(args) => mark::run(&args, console),
        Command::Plan(args) => plan::run(&args, console),
        Command::Report(args) => report::run(&args, console),
        Command::Run(args) => run::run(&args, console),
        Command::Reference(args) => reference::run(&args, console),
        Command::Swap(args) => swap::run(&args, console),
        Command::Ports(args) => ports::run(&args, console),
        Command::Completions(args) => Ok(completions::run(&args, console)),
        Command::Man(args) => man::run(&args, console),
    }
}

/// The threads that a recording needs.
fn runtime() -> Result<tokio::runtime::Runtime, Fault> {
    tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|error| Fault::new(Exit::Failed, "the program's threads", error.to_string()))
}

/// The command line, the exit codes at the end of its help.
fn command() -> clap::Command {
    Cli::command().after_help(exit_codes())
}

fn exit_codes() -> String {
    let mut text = String::from("Exit codes:");
    for (exit, meaning) in Exit::ALL {
        text.push_str(&format!("\n  {:>2}  {meaning}", exit.code()));
    }
    text
}
