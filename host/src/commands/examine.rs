//! `steady examine`: findings from a recording, of this program or of any meter.

use std::fs::File;
use std::path::{Path, PathBuf};

use serde::Serialize;
use steadybench_analysis::sample::Mark;

use crate::console::Console;
use crate::examine::{Examination, Findings, Kind, Settings, marks, settings, words};
use crate::exit::Exit;
use crate::fault::Fault;
use crate::table::rows::{Rows, TableFault, Tally};

/// Arguments of `steady examine`.
#[derive(Debug, clap::Args)]
#[command(after_help = keys_help())]
pub struct Args {
    /// A run folder, or a CSV file of any meter or oscilloscope.
    path: PathBuf,
    /// What to examine it as; may be left out where the recording says it.
    #[arg(long = "as", value_enum)]
    kind: Option<Kind>,
    /// The operator's marks: a CSV with time_s,kind,label, the kind tap or command.
    #[arg(long)]
    marks: Option<PathBuf>,
    /// A setting; may be given several times. The keys are listed below.
    #[arg(long = "set", value_name = "KEY=VALUE")]
    set: Vec<String>,
    /// Which column is what, as in time=1:ms,ch1=3:mA,t1=5; columns by number from 1 or by heading.
    #[arg(long)]
    columns: Option<String>,
}

fn keys_help() -> String {
    let lines = settings::KEYS
        .iter()
        .map(|(key, meaning)| format!("\n  {key:<24}{meaning}"));
    std::iter::once("Settings:".to_owned()).chain(lines).collect()
}

/// Everything said for a program: what was read and how, and the findings beside it.
#[derive(Serialize)]
struct Told<'a> {
    source: String,
    examined_as: Kind,
    columns: String,
    rows: Tally,
    duration_s: f64,
    #[serde(flatten)]
    findings: &'a Findings,
}

/// Runs the command.
///
/// # Errors
/// A [`Fault`] when the recording cannot be read or the settings are wrong.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    let settings = Settings::read(args.set.iter().map(String::as_str))?;
    let marks = match &args.marks {
        Some(path) => marks::read(open(path)?, path)?,
        None => Vec::new(),
    };
    examine_table(args, &settings, marks, console)
}

fn open(path: &Path) -> Result<File, Fault> {
    File::open(path).map_err(|error| Fault::file(Exit::BadInput, path, &error))
}

fn examine_table(
    args: &Args,
    settings: &Settings,
    marks: Vec<Mark>,
    console: &Console,
) -> Result<Exit, Fault> {
    let path = &args.path;
    let file = open(path)?;
    let bytes = file.metadata().map_or(0, |metadata| metadata.len());
    let table = |fault: TableFault| Fault::new(Exit::BadInput, path.display().to_string(), fault.to_string());
    let mut rows = Rows::open(file, args.columns.as_deref(), settings.rate_hz).map_err(table)?;
    console.remark(&format!("{}: {}", path.display(), rows.columns()));

    let mut opening = Vec::new();
    while opening.len() < OPENING_ROWS {
        match rows.next_sample().map_err(table)? {
            Some(sample) => opening.push(sample),
            None => break,
        }
    }
    let (Some(first), Some(last)) = (opening.first().copied(), opening.last().copied()) else {
        return Err(table(TableFault::NoRows));
    };
    let period_s = (last.time_s - first.time_s) / (opening.len().max(2) - 1) as f64;
    let share = rows.read_bytes().max(1) as f64 / bytes.max(1) as f64;
    let taps = marks
        .iter()
        .any(|mark| mark.kind == steadybench_analysis::sample::MarkKind::Tap);
    let guessed = Kind::beyond_doubt(taps, period_s, (last.time_s - first.time_s) / share.min(1.0));
    let kind = args.kind.or(guessed).ok_or_else(|| {
        Fault::usage(
            path.display().to_string(),
            "it does not say what it is a recording of",
        )
        .remedy("say it: --as tap, --as soak, --as power-up or --as twins")
    })?;

    let mut examination = Examination::begin(kind, settings, marks);
    let bar = console.progress(Some(bytes), "reading");
    let mut end_s = last.time_s;
    for sample in &opening {
        examination.push(sample);
    }
    while let Some(sample) = rows.next_sample().map_err(table)? {
        examination.push(&sample);
        end_s = sample.time_s;
        if rows.tally().rows.is_multiple_of(1 << 16) {
            bar.set_position(rows.read_bytes());
        }
    }
    bar.finish_and_clear();
    let findings = examination.finish();
    let told = Told {
        source: path.display().to_string(),
        examined_as: kind,
        columns: rows.columns().to_string(),
        rows: rows.tally(),
        duration_s: end_s - first.time_s,
        findings: &findings,
    };
    console.result(&told, |told| words::of(told.findings));
    Ok(Exit::Done)
}

/// Rows looked at before the kind is settled.
const OPENING_ROWS: usize = 1024;
