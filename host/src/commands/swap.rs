//! `steady swap`: does the fault follow the part, stay with the place, or was it a joint?

use std::path::PathBuf;
use std::time::Duration;

use clap::ValueEnum;

use crate::console::Console;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::quantity::{parse, parse_duration};
use crate::recorder::{read_alterations, read_job};
use crate::swap::{Answer, Measure, Question, answer};

/// Arguments of `steady swap`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The job folder.
    job: PathBuf,
    /// Which channel is on the suspect place.
    #[arg(long, value_parser = clap::value_parser!(u8).range(1..=2))]
    suspect: u8,
    /// Number of the alteration; the latest swap, lift or disturbed joint if not given.
    #[arg(long)]
    alteration: Option<u32>,
    /// What shows the fault.
    #[arg(long = "of", value_enum, default_value_t)]
    measure: MeasureName,
    /// Number of the run before; the last one begun before the alteration if not given.
    #[arg(long)]
    before: Option<u32>,
    /// Number of the run after; the first one begun after the alteration if not given.
    #[arg(long)]
    after: Option<u32>,
    /// Number of the run after it was put back.
    #[arg(long)]
    restored: Option<u32>,
    /// Leave out the beginning of each run, until it has warmed up.
    #[arg(long, value_parser = parse_duration, default_value = "0s")]
    skip: Duration,
    /// By how much the current differs from run to run with nothing touched, as a standard deviation: 2mA.
    #[arg(long, value_parser = current)]
    repeatability: Option<f64>,
    /// The least difference of currents that is a symptom: 10mA.
    #[arg(long, value_parser = current)]
    least: Option<f64>,
    /// Which board of runs with several, from 1.
    #[arg(long)]
    board: Option<usize>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
enum MeasureName {
    /// The mean current.
    #[default]
    Current,
    /// Events an hour, or a tap where places were tapped.
    Events,
}

fn current(text: &str) -> Result<f64, String> {
    parse(text, "A")
}

/// Judges.
///
/// # Errors
/// When there is no such alteration, no run before or after it, or a run cannot give the figure wanted.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    read_job(&args.job)?;
    let alterations = read_alterations(&args.job)?;
    for mistake in &alterations.mistakes {
        console.warn(&mistake.to_string());
    }
    let question = Question {
        suspect: Some(args.suspect),
        alteration: args.alteration,
        measure: match args.measure {
            MeasureName::Current => Measure::Current,
            MeasureName::Events => Measure::Events,
        },
        before: args.before,
        after: args.after,
        restored: args.restored,
        skip_s: args.skip.as_secs_f64(),
        repeatability_a: args.repeatability,
        least_a: args.least,
        board: args.board,
    };
    let bar = console.progress(None, "reading");
    let told = answer(&args.job, &question, &alterations, &bar)?;
    bar.finish_and_clear();
    console.result(&told, Answer::words);
    Ok(Exit::Done)
}
