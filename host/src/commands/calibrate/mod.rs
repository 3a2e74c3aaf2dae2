//! `steady calibrate`: zero with inputs shorted, gain against a reference, thermistors at known temperatures; from recorded
//! runs, or step by step from a board on its port.

mod fits;
mod live;
mod points;
mod recorded;
mod settling;
mod words;

use std::path::{Path, PathBuf};

use clap::Subcommand;
use serde::Serialize;
use steadybench_analysis::calibration::{Calibration, CodeReading, MonitorSetting, ShuntRange};
use steadybench_analysis::uncertainty::Budget;

use self::fits::{gain, no_budget, of_channel, thermistor, zero};
use self::live::{Live, Quantity};
use self::points::{Limit, Point, Value, limit, point, value};
use self::recorded::Part;
use crate::calibrations::{self, store};
use crate::console::Console;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::quantity::parse;
use crate::recorder::run_tables;

/// Arguments of `steady calibrate`.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Find the zero, with both sense leads of a channel on one end of its shunt.
    Zero {
        /// The run folder; not needed with --port.
        #[arg(required_unless_present = "port")]
        run: Option<PathBuf>,
        /// The channel; both if not given.
        #[arg(long, value_parser = clap::value_parser!(u8).range(1..=2))]
        channel: Option<u8>,
        #[command(flatten)]
        part: Part,
        #[command(flatten)]
        live: Live,
    },
    /// Find the gain at known currents (1.000A) or rail voltages (24.00V).
    Gain(Compared),
    /// Correct a thermistor at one to three known temperatures (25.0C).
    Thermistor(Compared),
    /// Show a board's calibration and what uncertainty it leaves.
    Show {
        /// The board's serial number, or the folder of a run made with it.
        board: String,
        /// The current to show the uncertainty at.
        #[arg(long, value_parser = current, default_value = "1A")]
        at: f64,
    },
}

#[derive(Clone, Debug, clap::Args)]
struct Compared {
    /// The channel.
    #[arg(long, value_parser = clap::value_parser!(u8).range(1..=2))]
    channel: u8,
    /// A run folder and what the reference read meanwhile, as in runs/0003-free=1.000A; may be given several times.
    #[arg(long = "point", value_name = "RUN=READING", required_unless_present = "port", value_parser = point)]
    points: Vec<Point>,
    /// With --port: about what the reference will read at a point, as in 0.5A; may be given several times. The program asks
    /// for each reading.
    #[arg(long = "at", value_name = "READING", requires = "port", value_parser = value)]
    at: Vec<Value>,
    /// How far the reference may be off, either way: 0.1%, 2mA, 20mV, 0.3K.
    #[arg(long, value_name = "LIMIT", value_parser = limit)]
    reference_limit: Limit,
    /// What the reference is, in words.
    #[arg(long, default_value = "")]
    reference: String,
    #[command(flatten)]
    part: Part,
    #[command(flatten)]
    live: Live,
}

fn current(text: &str) -> Result<f64, String> {
    parse(text, "A")
}

/// Reading less reference at one point, before the correction and after.
#[derive(Clone, Debug, PartialEq, Serialize)]
struct Residual {
    what: String,
    unit: &'static str,
    reference: f64,
    before: f64,
    after: f64,
}

/// What was found and where it is kept.
#[derive(Debug, Serialize)]
struct Found {
    kept_in: String,
    residuals: Vec<Residual>,
    remarks: Vec<String>,
    budgets: Vec<Budget>,
    calibration: Calibration,
}

/// Calibrates, or shows a calibration.
///
/// # Errors
/// When a run cannot be read, its readings give no steady value, or the points allow no correction; then nothing is kept.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    let found = match &args.what {
        What::Zero {
            run,
            channel,
            part,
            live,
        } => {
            let (run, from) = match run {
                Some(run) => (run.clone(), std::time::Duration::ZERO),
                None => live.zero(*channel, console)?,
            };
            zero(&run, *channel, &part.beginning_at(from))?
        }
        What::Gain(compared) => gain(&with_live_points(compared, Quantity::Gain, console)?)?,
        What::Thermistor(compared) => {
            thermistor(&with_live_points(compared, Quantity::Temperature, console)?)?
        }
        What::Show { board, at } => {
            console.result(&show(board, *at)?, words::of);
            return Ok(Exit::Done);
        }
    };
    let path = store::write(&store::folder()?, &found.calibration)?;
    let found = Found {
        kept_in: path.display().to_string(),
        ..found
    };
    console.result(&found, words::of);
    Ok(Exit::Done)
}

/// The points named, and behind them those that are taken now from the board.
fn with_live_points(compared: &Compared, quantity: Quantity, console: &Console) -> Result<Compared, Fault> {
    let mut all = compared.clone();
    if compared.live.is_asked() {
        all.points.extend(
            compared
                .live
                .points(compared.channel, quantity, &compared.at, console)?,
        );
    }
    Ok(all)
}

fn show(board: &str, at_a: f64) -> Result<Found, Fault> {
    let path = Path::new(board);
    let serial = if path.is_dir() {
        match run_tables(path).0.map(|opened| opened.board) {
            Some(boards) if boards.len() == 1 => boards[0].serial.clone(),
            _ => {
                return Err(
                    Fault::usage(board, "it is no run folder, or its run has several boards")
                        .remedy("name the board by its serial number, as in run.toml"),
                );
            }
        }
    } else {
        board.to_owned()
    };
    let kept_in = calibrations::path(&serial)?;
    let calibration = store::read(&kept_in)?;
    let setting = MonitorSetting {
        range: ShuntRange::Wide,
        conversion_time_us: 540,
        averages: 1,
    };
    let mut budgets = Vec::new();
    for (at, channel) in calibration.channels.iter().enumerate() {
        let volts = at_a * channel.shunt.nominal_ohm / channel.current_gain + channel.zero_v;
        let code = volts / setting.range.step_v();
        let budget = channel
            .current_budget(&setting, CodeReading::single(code), channel.temperature_c)
            .map_err(|error| no_budget(&error))?;
        budgets.push(of_channel(budget, at));
    }
    let today = jiff::ZonedDateTime::now().date();
    let remarks = calibrations::Calibrations::new([(serial.clone(), calibration.clone())], Vec::new())
        .remarks(&serial, today);
    Ok(Found {
        kept_in: kept_in.display().to_string(),
        residuals: Vec::new(),
        remarks,
        budgets,
        calibration,
    })
}

#[cfg(test)]
mod tests;
