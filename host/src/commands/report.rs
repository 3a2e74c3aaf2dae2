//! `steady report`: the job on one page that prints.

use std::path::PathBuf;

use serde_json::json;

use crate::console::Console;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::{replace_report, write_table};
use crate::report::{Keep, Report, gather_and, html, tables};

/// Arguments of `steady report`.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "The report is made again from what was recorded, whenever it is asked for. It ends with 0 when \
    the job has a clean bill or only waits for more measuring, with 14 when a file of the job cannot be read, and with \
    16 when something is still altered; the report is written in every case."
)]
pub struct Args {
    /// The job folder.
    job: PathBuf,
    /// Also write the tables into this folder: runs, words, figures, events, places, alterations.
    #[arg(long, value_name = "DIR")]
    csv: Option<PathBuf>,
}

/// Writes the report; with `--json` prints its whole content instead.
///
/// # Errors
/// When the folder is no job, or what is to be written cannot be.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    let bar = console.progress(Some(0), "reading the runs");
    let report = gather_and(&args.job, Keep::Findings, &bar)?;
    bar.finish_and_clear();
    let mut written = Vec::new();
    if let Some(folder) = &args.csv {
        for (name, bytes) in tables::tables(&report) {
            written.push(write_table(folder, name, &bytes)?);
        }
    }
    if console.is_json() {
        console.json(&report);
    } else {
        written.push(replace_report(&args.job, &html::page(&report))?);
        console.result(&json!({}), |_| words(&report, &written));
    }
    Ok(exit_of(&report))
}

fn words(report: &Report, written: &[PathBuf]) -> String {
    let bill = if report.standing.clean_bill {
        "Clean bill."
    } else {
        "No clean bill."
    };
    let mut lines = vec![report.summary.clone(), String::new(), bill.to_owned()];
    for point in &report.standing.points {
        lines.push(format!("  {}: {}", point.about, point.words));
    }
    lines.extend(report.mistakes.iter().cloned());
    lines.extend(written.iter().map(|path| format!("written: {}", path.display())));
    lines.join("\n")
}

/// What still stands altered goes before what cannot be read.
fn exit_of(report: &Report) -> Exit {
    if !report.closing.clean {
        Exit::NotRestored
    } else if !report.mistakes.is_empty() || report.runs.iter().any(|run| run.unreadable.is_some()) {
        Exit::BadInput
    } else {
        Exit::Done
    }
}
