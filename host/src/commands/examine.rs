//! `steady examine`: findings from a recording, of this program or of any meter.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::Duration;

use indicatif::ProgressBar;
use serde::Serialize;
use steadybench_analysis::sample::{Mark, MarkKind, Sample};
use steadybench_analysis::steady::SteadyTolerance;

use crate::console::Console;
use crate::examine::{Examination, Findings, Kind, RunFolder, Seen, Settings, marks, settings, words};
use crate::exit::Exit;
use crate::fault::Fault;
use crate::quantity::parse_duration;
use crate::references::steady::{Instrument, SteadyWatch};
use crate::references::{Likeness, Reference, store, words as likeness_words};
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
    /// The operator's marks: a CSV with time_s,kind,label, the kind tap or command. A run folder has its own.
    #[arg(long)]
    marks: Option<PathBuf>,
    /// A setting; may be given several times. The keys are listed below.
    #[arg(long = "set", value_name = "KEY=VALUE")]
    set: Vec<String>,
    /// Which column of a CSV is what, as in time=1:ms,ch1=3:mA,t1=5; columns by number from 1 or by heading.
    #[arg(long)]
    columns: Option<String>,
    /// Leave out the beginning, until the unit has warmed up.
    #[arg(long, value_parser = parse_duration, default_value = "0s")]
    skip: Duration,
    /// Compare it with the good units kept for this model, see `steady reference`.
    #[arg(long, value_name = "MODEL")]
    reference: Option<String>,
    /// Which board of a run with several, from 1.
    #[arg(long)]
    board: Option<usize>,
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
    duration_s: f64,
    #[serde(flatten)]
    origin: &'a Origin,
    #[serde(flatten)]
    findings: &'a Findings,
    #[serde(skip_serializing_if = "Option::is_none")]
    beside: Option<Likeness>,
}

/// Where the readings came from.
#[derive(Serialize)]
#[serde(untagged)]
enum Origin {
    Table {
        columns: String,
        rows: Tally,
    },
    Run {
        recorded_until_utc: Option<String>,
        missing: Vec<String>,
    },
}

/// Runs the command.
///
/// # Errors
/// A [`Fault`] when the recording cannot be read or the settings are wrong.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    let settings = Settings::read(args.set.iter().map(String::as_str))?;
    let marks = match &args.marks {
        Some(path) => Some(marks::read(open(path)?, path)?),
        None => None,
    };
    let path = &args.path;
    if path.is_dir() {
        examine_run(
            args,
            &RunFolder::open(path, args.board)?,
            &settings,
            marks,
            console,
        )
    } else {
        examine_table(args, &settings, &marks.unwrap_or_default(), console)
    }
}

fn open(path: &Path) -> Result<File, Fault> {
    File::open(path).map_err(|error| Fault::file(Exit::BadInput, path, &error))
}

fn no_kind(path: &Path) -> Fault {
    Fault::usage(
        path.display().to_string(),
        "it does not say what it is a recording of",
    )
    .remedy("say it: --as tap, --as soak, --as power-up or --as twins")
}

fn examine_run(
    args: &Args,
    run: &RunFolder,
    settings: &Settings,
    marks: Option<Vec<Mark>>,
    console: &Console,
) -> Result<Exit, Fault> {
    let kind = args
        .kind
        .or_else(|| run.kind())
        .ok_or_else(|| no_kind(&args.path))?;
    let given = marks.is_some();
    let marks = match marks {
        Some(marks) => marks,
        None => run.marks_for(kind)?,
    };
    let bar = console.progress(None, "reading");
    let beside = Beside::of(args, kind, settings, || Instrument::of_run(run))?;
    let mut pass = Pass::begin(args, Examination::begin(kind, settings, &marks), beside);
    run.each(|seen| match seen {
        Seen::Sample(sample) => pass.push(sample, &bar),
        Seen::Mark(mark) if !given => pass.examination.mark(mark),
        Seen::Mark(_) => {}
    })?;
    bar.finish_and_clear();
    let survey = run.survey();
    for board in survey.opened.iter().flat_map(|opened| &opened.board) {
        for remark in crate::calibrations::remarks(&board.serial) {
            console.remark(&remark);
        }
    }
    let origin = Origin::Run {
        recorded_until_utc: survey.recorded_until_utc().map(|instant| instant.to_string()),
        missing: survey.missing(),
    };
    pass.tell(args, kind, &origin, console)
}

/// Rows looked at before the kind is settled.
const OPENING_ROWS: usize = 1024;

fn examine_table(args: &Args, settings: &Settings, marks: &[Mark], console: &Console) -> Result<Exit, Fault> {
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
    let (Some(first), Some(last)) = (opening.first(), opening.last()) else {
        return Err(table(TableFault::NoRows));
    };
    let period_s = (last.time_s - first.time_s) / (opening.len().max(2) - 1) as f64;
    let share = rows.read_bytes().max(1) as f64 / bytes.max(1) as f64;
    let taps = marks.iter().any(|mark| mark.kind == MarkKind::Tap);
    let guessed = Kind::beyond_doubt(taps, period_s, (last.time_s - first.time_s) / share.min(1.0));
    let kind = args.kind.or(guessed).ok_or_else(|| no_kind(path))?;

    let bar = console.progress(Some(bytes), "reading");
    let unknown = || Ok(Instrument::unknown(path.display().to_string()));
    let beside = Beside::of(args, kind, settings, unknown)?;
    let mut pass = Pass::begin(args, Examination::begin(kind, settings, marks), beside);
    for sample in &opening {
        pass.push(sample, &bar);
    }
    while let Some(sample) = rows.next_sample().map_err(table)? {
        pass.push(&sample, &bar);
        if rows.tally().rows.is_multiple_of(1 << 16) {
            bar.set_position(rows.read_bytes());
        }
    }
    bar.finish_and_clear();
    let origin = Origin::Table {
        columns: rows.columns().to_string(),
        rows: rows.tally(),
    };
    pass.tell(args, kind, &origin, console)
}

/// One pass through a recording.
struct Pass {
    examination: Examination,
    beside: Option<Beside>,
    skip_s: f64,
    begin_s: Option<f64>,
    end_s: f64,
    samples: u64,
}

impl Pass {
    const fn begin(args: &Args, examination: Examination, beside: Option<Beside>) -> Self {
        Self {
            examination,
            beside,
            skip_s: args.skip.as_secs_f64(),
            begin_s: None,
            end_s: 0.0,
            samples: 0,
        }
    }

    fn push(&mut self, sample: &Sample, bar: &ProgressBar) {
        if sample.time_s < self.skip_s {
            return;
        }
        self.begin_s.get_or_insert(sample.time_s);
        self.end_s = sample.time_s;
        self.samples += 1;
        if self.samples.is_multiple_of(1 << 16) {
            bar.tick();
        }
        self.examination.push(sample);
        if let Some(beside) = &mut self.beside {
            beside.watch.push(sample);
        }
    }

    fn tell(self, args: &Args, kind: Kind, origin: &Origin, console: &Console) -> Result<Exit, Fault> {
        let findings = self.examination.finish();
        let beside = match &self.beside {
            Some(beside) => Some(beside.likeness(&findings)?),
            None => None,
        };
        let told = Told {
            source: args.path.display().to_string(),
            examined_as: kind,
            duration_s: self.begin_s.map_or(0.0, |begin_s| self.end_s - begin_s),
            origin,
            findings: &findings,
            beside,
        };
        console.result(&told, |told| {
            let mut page = words::of(told.findings);
            if let Some(likeness) = &told.beside {
                page.push_str(&likeness_words::of(likeness));
            }
            if let Origin::Run {
                recorded_until_utc,
                missing,
            } = told.origin
            {
                if let Some(until) = recorded_until_utc {
                    page.push_str(&format!("Recorded until {until}\n"));
                }
                for words in missing {
                    page.push_str(&format!("Missing: {words}\n"));
                }
            }
            page
        });
        Ok(Exit::Done)
    }
}

/// The good units that a recording is held against.
struct Beside {
    reference: Reference,
    instrument: Instrument,
    tolerance: SteadyTolerance,
    watch: SteadyWatch,
}

impl Beside {
    fn of(
        args: &Args,
        kind: Kind,
        settings: &Settings,
        instrument: impl FnOnce() -> Result<Instrument, Fault>,
    ) -> Result<Option<Self>, Fault> {
        let Some(model) = &args.reference else {
            return Ok(None);
        };
        if kind == Kind::Tap {
            return Err(Fault::usage(
                format!("--reference {model:?}"),
                "a run that was tapped is not compared with good units",
            )
            .remedy("compare a power-up, a soak or a run of twins"));
        }
        let default = SteadyTolerance::default();
        Ok(Some(Self {
            reference: store::get(&store::folder()?, model)?,
            instrument: instrument()?,
            tolerance: SteadyTolerance {
                share: settings.margin_share.unwrap_or(default.share),
                floor_a: settings.margin_a.unwrap_or(default.floor_a),
                ..default
            },
            watch: SteadyWatch::default(),
        }))
    }

    fn likeness(&self, findings: &Findings) -> Result<Likeness, Fault> {
        match findings {
            Findings::PowerUp(findings) => self.reference.compare_power_up(findings),
            _ => {
                let run = self.watch.finish(findings, &self.instrument);
                self.reference
                    .compare_steady(&run, &self.tolerance, self.instrument.remarks())
            }
        }
    }
}
