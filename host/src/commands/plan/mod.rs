//! `steady plan`: what to put in before measuring, worked out on paper.

mod fuse;
mod inputs;
mod limiter;
mod shunt;
mod thermistor;

use crate::console::Console;
use crate::exit::Exit;
use crate::fault::Fault;

/// Arguments of `steady plan`.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    question: Question,
}

#[derive(Debug, clap::Subcommand)]
enum Question {
    /// Which shunt to put in a rail: `steady plan shunt 24V 1.5A`, or what one would do: `24V 1.5A 50mOhm`.
    Shunt(shunt::Args),
    /// Whether a fuse carries a rail and protects it: `steady plan fuse T1.6AH250V --running 0.55A`.
    Fuse(Box<fuse::Args>),
    /// What to put in series for a first switch-on: `steady plan limiter 24V 0.5A`.
    Limiter(limiter::Args),
    /// Which resistor to put in series with a thermistor: `steady plan thermistor 3.3V 0C 100C`.
    Thermistor(thermistor::Args),
}

/// Answers the question.
///
/// # Errors
/// When a quantity cannot be read or cannot be, or a run folder cannot be examined.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    match &args.question {
        Question::Shunt(args) => shunt::run(args, console),
        Question::Fuse(args) => fuse::run(args, console),
        Question::Limiter(args) => limiter::run(args, console),
        Question::Thermistor(args) => thermistor::run(args, console),
    }
}

/// Sentences, one a line, indented.
fn sentences(page: &mut String, sentences: &[String]) {
    for sentence in sentences {
        page.push_str("  ");
        page.push_str(sentence);
        page.push('\n');
    }
}
