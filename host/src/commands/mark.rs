//! `steady mark`: marks this instant in the run that is being recorded.

use std::path::PathBuf;

use crate::console::Console;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::{HostMarkKind, Stamp, find_collector};
use crate::web::{Client, MarkRequest};

use super::collect::DEFAULT_JOB;

/// Options of `steady mark`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// What to call it: the place that is tapped, the load that is switched.
    label: String,
    /// What the mark means.
    #[arg(long = "as", value_enum, default_value = "tap")]
    kind: HostMarkKind,
    /// The job folder that `steady collect` records in.
    #[arg(long, default_value = DEFAULT_JOB)]
    job: PathBuf,
}

/// Marks this instant.
///
/// # Errors
/// When no collector records in that folder, or it does not take the mark.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    let collector = find_collector(&args.job)?;
    let request = MarkRequest {
        label: args.label.clone(),
        kind: args.kind,
    };
    let stamp: Stamp = Client::new(collector).change("/v1/marks", &request)?;
    console.result(&stamp, |_| format!("marked: {}", args.label));
    Ok(Exit::Done)
}
