//! `steady reference`: runs of good units, kept to compare with.

use std::path::PathBuf;
use std::time::Duration;

use serde::Serialize;
use steadybench_analysis::steady::SteadyTolerance;

use crate::console::Console;
use crate::examine::{Examination, Findings, Kind, RunFolder, Seen, Settings};
use crate::exit::Exit;
use crate::fault::Fault;
use crate::grid::grid;
use crate::kept;
use crate::quantity::parse_duration;
use crate::recorder::RunKind;
use crate::references::steady::{Instrument, SteadyWatch};
use crate::references::{KeptRun, Likeness, Reference, What, store, words};

/// Arguments of `steady reference`.
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(subcommand)]
    what: Command,
}

#[derive(Debug, clap::Subcommand)]
enum Command {
    /// Keep a run of a good unit as the reference for its model; further runs widen what counts as good.
    Keep(Keep),
    /// List the models and the runs kept for them.
    List,
    /// Take a model's reference out of use.
    Forget {
        /// The model.
        model: String,
    },
}

#[derive(Debug, clap::Args)]
struct Keep {
    /// A run folder of a unit that is in order.
    run: PathBuf,
    /// The model of the unit, such as "vent controller rev B".
    #[arg(long)]
    model: String,
    /// What to keep of it; by what the run was recorded as when not given.
    #[arg(long = "as", value_enum)]
    what: Option<What>,
    /// Leave out the beginning of a steady state, until it has warmed up.
    #[arg(long, value_parser = parse_duration, default_value = "0s")]
    skip: Duration,
    /// Keep it although it differs from the good runs kept so far, and widen what counts as good.
    #[arg(long)]
    widen: bool,
    /// A setting of the examination, as `steady examine` has them; may be given several times.
    #[arg(long = "set", value_name = "KEY=VALUE")]
    set: Vec<String>,
    /// Which board of a run with several, from 1.
    #[arg(long)]
    board: Option<usize>,
}

/// What was kept, for a program.
#[derive(Serialize)]
struct Told<'a> {
    file: PathBuf,
    #[serde(flatten)]
    reference: &'a Reference,
}

/// Runs the command.
///
/// # Errors
/// A [`Fault`] when the run cannot be read or is no example of a good unit, or the folder cannot be used.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    match &args.what {
        Command::Keep(args) => keep(args, console),
        Command::List => list(console),
        Command::Forget { model } => forget(model, console),
    }
}

fn keep(args: &Keep, console: &Console) -> Result<Exit, Fault> {
    let folder = store::folder()?;
    let settings = Settings::read(args.set.iter().map(String::as_str))?;
    let mut reference =
        store::find(&folder, &args.model)?.unwrap_or_else(|| Reference::new(args.model.trim().into()));
    let run = RunFolder::open(&args.run, args.board)?;
    let (what, kind) = chosen(args, &run)?;
    let instrument = Instrument::of_run(&run)?;
    let kept = kept_run(args, &run, what, &instrument);
    if reference.has(&kept) {
        return Err(Fault::usage(
            args.run.display().to_string(),
            format!(
                "this run is kept already as a {} of {:?}",
                what.words(),
                reference.model
            ),
        ));
    }
    let bar = console.progress(None, "reading");
    let mut examination = Examination::begin(kind, &settings, &run.marks_for(kind)?);
    let mut watch = SteadyWatch::default();
    run.each(|seen| {
        match seen {
            Seen::Sample(sample) if sample.time_s < args.skip.as_secs_f64() => {}
            Seen::Sample(sample) => {
                examination.push(sample);
                watch.push(sample);
            }
            Seen::Mark(mark) => examination.mark(mark),
        }
        bar.tick();
    })?;
    bar.finish_and_clear();
    let findings = examination.finish();
    match (&findings, what) {
        (Findings::PowerUp(findings), What::PowerUp) => {
            if reference.power_up.is_some() {
                like_the_others(args, &reference.compare_power_up(findings)?)?;
            }
            reference.keep_power_up(kept, findings)?;
        }
        _ => {
            let level = watch.finish(&findings, &instrument);
            if reference.steady.is_some() {
                let tolerance = SteadyTolerance::default();
                like_the_others(args, &reference.compare_steady(&level, &tolerance, Vec::new())?)?;
            }
            reference.keep_steady(kept, &findings, level)?;
        }
    }
    let told = Told {
        file: store::write(&folder, &reference)?,
        reference: &reference,
    };
    console.result(&told, |told| {
        format!("{}  in {}", page(told.reference), told.file.display())
    });
    Ok(Exit::Done)
}

/// A run that differs from the good ones is a faulty unit more often than a new example of a good one.
fn like_the_others(args: &Keep, likeness: &Likeness) -> Result<(), Fault> {
    match likeness.differing().first() {
        Some(channel) if !args.widen => Err(Fault::new(
            Exit::BadInput,
            args.run.display().to_string(),
            format!("channel {channel} of it differs from the good runs kept so far"),
        )
        .remedy(format!(
            "nothing is kept; `steady examine {} --reference {:?}` shows by how much, and --widen keeps it if the unit \
             is good all the same",
            args.run.display(),
            args.model
        ))),
        _ => Ok(()),
    }
}

/// What is kept, and as what the run is examined for it.
fn chosen(args: &Keep, run: &RunFolder) -> Result<(What, Kind), Fault> {
    let recorded = run.survey().opened.as_ref().map(|opened| opened.run.kind);
    let what = match (args.what, recorded) {
        (Some(what), _) => what,
        (None, Some(RunKind::PowerUp)) => What::PowerUp,
        (None, Some(RunKind::Soak | RunKind::Twins | RunKind::Free)) => What::Steady,
        (None, Some(RunKind::Tap) | None) => {
            return Err(Fault::usage(
                args.run.display().to_string(),
                "it does not say what there is to keep of it",
            )
            .remedy("say it: --as power-up or --as steady"));
        }
    };
    let kind = match (what, recorded) {
        (What::PowerUp, _) => Kind::PowerUp,
        (What::Steady, Some(RunKind::Soak)) => Kind::Soak,
        (What::Steady, _) => Kind::Twins,
    };
    Ok((what, kind))
}

fn kept_run(args: &Keep, run: &RunFolder, what: What, instrument: &Instrument) -> KeptRun {
    let folder = args.run.canonicalize().unwrap_or_else(|_| args.run.clone());
    KeptRun {
        what,
        run: folder.file_name().unwrap_or_default().to_string_lossy().into(),
        started_utc: run
            .survey()
            .opened
            .as_ref()
            .map_or_else(String::new, |opened| opened.run.started_utc.clone()),
        board_serial: instrument.serial(),
        kept_utc: jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
    }
}

fn list(console: &Console) -> Result<Exit, Fault> {
    let (all, faults) = store::list(&store::folder()?);
    for fault in faults {
        console.warn(&fault.to_string());
    }
    console.result(&all, |all| {
        if all.is_empty() {
            return "no run is kept; keep one with `steady reference keep RUN --model MODEL`".into();
        }
        let pages: Vec<String> = all.iter().map(page).collect();
        pages.concat().trim_end().to_owned()
    });
    Ok(Exit::Done)
}

fn page(reference: &Reference) -> String {
    let rows: Vec<Vec<String>> = reference
        .kept
        .iter()
        .map(|kept| {
            vec![
                kept.run.clone(),
                kept.what.words().into(),
                kept.started_utc.clone(),
                kept.board_serial.clone(),
            ]
        })
        .collect();
    format!(
        "{}\n{}{}",
        reference.model,
        grid(&["run", "kept as", "recorded", "with board"], &rows),
        words::kept(reference)
    )
}

fn forget(model: &str, console: &Console) -> Result<Exit, Fault> {
    let folder = store::folder()?;
    let reference = store::get(&folder, model)?;
    let aside = kept::set_aside(&store::path_in(&folder, model)?)?;
    let told = serde_json::json!({ "forgotten": reference.model, "file": aside });
    console.result(&told, |_| {
        format!(
            "{:?} is out of use; its file is kept as {}, to be deleted by hand",
            reference.model,
            aside.display()
        )
    });
    Ok(Exit::Done)
}
