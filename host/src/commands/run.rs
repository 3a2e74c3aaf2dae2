//! `steady run`: begins and ends runs of the collector that is running.

use std::path::PathBuf;
use std::time::Duration;

use clap::ValueEnum;
use serde_json::{Value, json};

use crate::console::Console;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::quantity::parse_duration;
use crate::recorder::{RunKind, find_collector};
use crate::web::{Client, NewRun};

use super::collect::DEFAULT_JOB;

/// Options of `steady run`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// What to begin: tap, soak, power-up, twins or free. Or stop: end the run and stand by. Or end: end the run and the
    /// collector.
    #[arg(value_name = "KIND|stop|end", value_parser = what)]
    what: What,
    /// The job folder that `steady collect` records in.
    #[arg(long, default_value = DEFAULT_JOB)]
    job: PathBuf,
    /// End the run after this long and stand by: 90s, 10min, 12h.
    #[arg(long = "for", value_parser = parse_duration)]
    duration: Option<Duration>,
    /// Readings per second, 100 to 4000; as the collector was started with, and 4000 for a power-up, when not given.
    #[arg(long)]
    rate: Option<u32>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum What {
    Begin(RunKind),
    Stop,
    End,
}

fn what(text: &str) -> Result<What, String> {
    match text {
        "stop" => Ok(What::Stop),
        "end" => Ok(What::End),
        kind => RunKind::from_str(kind, false)
            .map(What::Begin)
            .map_err(|_| "it is none of tap, soak, power-up, twins, free, stop, end".to_owned()),
    }
}

/// Has the collector begin or end a run.
///
/// # Errors
/// When no collector records in that folder, or it does not do it.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    let client = Client::new(find_collector(&args.job)?);
    match args.what {
        What::Begin(kind) => {
            let new = NewRun {
                kind,
                duration_s: args.duration.map(|duration| duration.as_secs_f64()),
                rate_hz: args.rate,
            };
            let begun: Value = client.change("/v1/runs", &new)?;
            console.result(&begun, |begun| {
                format!(
                    "recording run {:04} in {}",
                    begun["number"].as_u64().unwrap_or_default(),
                    begun["folder"].as_str().unwrap_or_default()
                )
            });
        }
        What::Stop => {
            let _: Value = client.change("/v1/stop", &json!({}))?;
            console.result(&json!({ "stopped": true }), |_| {
                "the run is closed; the boards measure on, and nothing is recorded".to_owned()
            });
        }
        What::End => {
            let _: Value = client.change("/v1/end", &json!({}))?;
            console.result(&json!({ "ended": true }), |_| "the collector ends".to_owned());
        }
    }
    Ok(Exit::Done)
}
