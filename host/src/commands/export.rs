//! `steady export`: a run's readings as one file for other tools.

use std::io::{ErrorKind, Write};
use std::path::PathBuf;
use std::time::Duration;

use indicatif::ProgressBar;
use serde::Serialize;
use steadybench_analysis::uncertainty::engineering;

use crate::console::Console;
use crate::examine::RunFolder;
use crate::exit::Exit;
use crate::export::csv::CsvSink;
use crate::export::new_file::NewFile;
use crate::export::parquet::ParquetSink;
use crate::export::{Bound, Halt, Span, Tally, facts, write_rows};
use crate::fault::Fault;
use crate::quantity::parse_duration;
use crate::replay::Replay;

/// Arguments of `steady export`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A run folder, such as JOB/runs/0003-soak.
    run: PathBuf,
    /// The file to write; CSV goes to standard output when none is named.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// What to write; by the file's ending when not given.
    #[arg(long, value_enum)]
    format: Option<Format>,
    /// From this time on: elapsed as 90s or 1h30m, or an instant as 2026-11-25T03:10:00Z.
    #[arg(long, value_name = "TIME")]
    from: Option<Bound>,
    /// Up to this time, itself left out.
    #[arg(long, value_name = "TIME")]
    to: Option<Bound>,
    /// One row for each interval of this length, with mean, lowest, highest and standard deviation; every reading when
    /// not given.
    #[arg(long, value_name = "DURATION", value_parser = parse_duration)]
    every: Option<Duration>,
    /// Which board of a run with several, from 1.
    #[arg(long)]
    board: Option<usize>,
    /// Replace the file if it is there.
    #[arg(long)]
    force: bool,
}

/// What can be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
enum Format {
    /// Text with commas, as readings.csv and minutes.csv are.
    Csv,
    /// Columns, compressed, with units and the run's facts in the file.
    Parquet,
}

/// What was written, for a program.
#[derive(Serialize)]
struct Told {
    file: Option<PathBuf>,
    format: Format,
    bytes: Option<u64>,
    #[serde(flatten)]
    tally: Tally,
    recorded_until_utc: Option<String>,
    missing: Vec<String>,
}

impl Args {
    fn format(&self) -> Result<Format, Fault> {
        let Some(path) = &self.out else {
            return match self.format {
                Some(Format::Parquet) => {
                    Err(Fault::usage("--format parquet", "Parquet is written to a file")
                        .remedy("name it: --out readings.parquet"))
                }
                _ => Ok(Format::Csv),
            };
        };
        let ending = path
            .extension()
            .map(|ending| ending.to_string_lossy().to_lowercase());
        match (self.format, ending.as_deref()) {
            (Some(format), _) => Ok(format),
            (None, Some("csv")) => Ok(Format::Csv),
            (None, Some("parquet")) => Ok(Format::Parquet),
            (None, _) => Err(Fault::usage(
                path.display().to_string(),
                "its ending is neither .csv nor .parquet",
            )
            .remedy("say what to write: --format csv or --format parquet")),
        }
    }

    fn every_us(&self) -> Result<Option<u64>, Fault> {
        let Some(every) = self.every else { return Ok(None) };
        match u64::try_from(every.as_micros()) {
            Ok(micros @ 1..) => Ok(Some(micros)),
            _ => Err(Fault::usage(
                format!("--every {} s", every.as_secs_f64()),
                "an interval is at least 1 µs long",
            )),
        }
    }
}

/// Runs the command.
///
/// # Errors
/// A [`Fault`] when the run cannot be read, holds nothing in the span, or the file is there already or cannot be written.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    let format = args.format()?;
    let every_us = args.every_us()?;
    if args.out.is_none() && console.is_json() {
        return Err(
            Fault::usage("--json", "standard output is taken by the rows themselves")
                .remedy("name a file: --out readings.csv"),
        );
    }
    let span = Span {
        from: args.from,
        to: args.to,
    };
    let run = RunFolder::open(&args.run, args.board)?;
    let file = match &args.out {
        Some(path) => Some(NewFile::begin(path, args.force)?),
        None => None,
    };
    let mut export = Export {
        span,
        every_us,
        replay: run.replay()?,
        bar: console.progress(Some(run.chunks()), "exporting"),
    };
    let (tally, bytes) = match file {
        None => match export.csv(std::io::stdout().lock()) {
            // Whoever read the rows has seen enough.
            Err(Halt::Sink(error)) if error.kind() == ErrorKind::BrokenPipe => return Ok(Exit::Done),
            written => (written?, None),
        },
        Some(mut file) => {
            let tally = match format {
                Format::Csv => export.csv(file.file())?,
                Format::Parquet => export.parquet(&run, file.file())?,
            };
            export.not_nothing(args, &tally)?;
            (tally, Some(file.finish()?))
        }
    };
    export.bar.finish_and_clear();
    let survey = run.survey();
    let told = Told {
        file: args.out.clone(),
        format,
        bytes,
        tally,
        recorded_until_utc: survey.recorded_until_utc().map(|until| until.to_string()),
        missing: survey.missing(),
    };
    if args.out.is_some() {
        console.result(&told, words);
    } else {
        console.remark(&words(&told));
    }
    Ok(Exit::Done)
}

struct Export {
    span: Span,
    every_us: Option<u64>,
    replay: Replay,
    bar: ProgressBar,
}

impl Export {
    fn csv(&mut self, target: impl Write) -> Result<Tally, Halt> {
        let mut sink = CsvSink::new(target, self.every_us.is_some());
        let bar = &self.bar;
        let tally = write_rows(&mut self.replay, &self.span, self.every_us, &mut sink, |chunks| {
            bar.set_position(chunks);
        })?;
        sink.finish()?;
        Ok(tally)
    }

    fn parquet(&mut self, run: &RunFolder, target: &mut std::fs::File) -> Result<Tally, Halt> {
        let mut sink = ParquetSink::new(target, self.every_us.is_some())?;
        let bar = &self.bar;
        let tally = write_rows(&mut self.replay, &self.span, self.every_us, &mut sink, |chunks| {
            bar.set_position(chunks);
        })?;
        let every_s = self.every_us.map(|micros| micros as f64 * 1e-6);
        let facts = facts::of(run, &self.replay, &self.span, every_s, &tally);
        sink.finish(facts)?;
        Ok(tally)
    }

    /// A file without a row is a wrong span more often than what was wanted.
    fn not_nothing(&self, args: &Args, tally: &Tally) -> Result<(), Fault> {
        if tally.rows > 0 {
            return Ok(());
        }
        let shown = args.run.display().to_string();
        if self.span == Span::default() {
            return Err(Fault::new(Exit::BadInput, shown, "it holds no reading"));
        }
        Err(Fault::new(Exit::BadInput, shown, "it holds no reading between --from and --to").remedy(
            "its times are shown by `steady export RUN --every 1h`; an instant needs the offset from UTC it is meant in",
        ))
    }
}

fn words(told: &Told) -> String {
    let tally = &told.tally;
    let mut words = String::new();
    if let (Some(file), Some(bytes)) = (&told.file, told.bytes) {
        words.push_str(&format!(
            "{}: {} rows, {}\n",
            file.display(),
            tally.rows,
            engineering(bytes as f64, "B", 3)
        ));
    }
    if let Some([first_s, last_s]) = tally.elapsed_s {
        words.push_str(&format!(
            "{} readings from {first_s:.3} s to {last_s:.3} s elapsed, {} lost\n",
            tally.readings, tally.lost_readings
        ));
    }
    if let Some(until) = &told.recorded_until_utc {
        words.push_str(&format!("Recorded until {until}\n"));
    }
    for missing in &told.missing {
        words.push_str(&format!("Missing: {missing}\n"));
    }
    words.truncate(words.trim_end().len());
    words
}
