//! `steady demo`: the whole job on a virtual bench, with nothing to plug in.

use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::Serialize;
use steadybench_protocol::{Configure, ShuntRange};
use steadybench_virtual::{BenchOptions, PortName, Scenario, SwitchOn, Tapping, VirtualBench, VirtualBoard};

use crate::collector::{BoardSettings, GuardOptions, Plan, Rehearsal, Session, SessionControl};
use crate::console::Console;
use crate::examine::{Examination, Findings, Kind, RunFolder, Settings, words};
use crate::exit::Exit;
use crate::fault::Fault;
use crate::job::closing::Closing;
use crate::job::{AlterationKind, NoteKind};
use crate::port::PortAddress;
use crate::recorder::wire_log::HostMarkKind;
use crate::recorder::{
    FullRate, Job, JobFolder, RunKind, RunPlan, add_alteration, add_note, create_job, read_alterations,
    read_notes, replace_report, settle_alteration,
};
use crate::report::{Keep, gather_and, html};

/// The job folder when none is named.
const DEFAULT_JOB: &str = "steady-demo";

/// The person at the bench taps each place so often, about this far apart.
const TAPS_PER_PLACE: u32 = 5;
const TAP_PERIOD: Duration = Duration::from_millis(700);

/// The soak lasts this long in the bench's time.
const SOAK: Duration = Duration::from_secs(4 * 3600);

/// And the mended stages are compared for as long as this.
const STAGES_AGAIN: Duration = Duration::from_secs(60);

/// And each place of the mended unit is tapped so often: more often than it takes to clear one.
const TAPS_PER_PLACE_AGAIN: u32 = 10;
const TAPPING_AGAIN: Tapping = Tapping {
    first_s: 2.0,
    every_s: 1.5,
    marked: 1.0,
};

/// Options of `steady demo`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The job folder; made when missing, gone on with when not.
    #[arg(long, default_value = DEFAULT_JOB)]
    job: PathBuf,
    /// Another specimen of the unit: tolerances, noise and luck are drawn from it.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// One run of the demo and what it showed.
#[derive(Serialize)]
struct Shown {
    run: PathBuf,
    findings: Findings,
}

/// Runs the demo.
///
/// # Errors
/// When the folder cannot be used, or the system has no pseudo-terminal.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    let runtime = super::runtime()?;
    console.remark(
        "A greenhouse vent controller, 24 V DC, on a virtual bench: it blows warm, and its vents stick now and then.\n\
         Stage 1 is on channel 1, stage 2 on channel 2. Everything below goes through the board's firmware and a serial\n\
         device, as with a real board; no electricity is involved.",
    );
    let bench = start_bench(args.seed)?;
    let desk = Desk {
        args,
        console,
        port: address_of(&bench)?,
    };

    let shunts = desk.begin_job()?;
    console.remark("\n1  Power-up at 4000 readings/s");
    let run = runtime.block_on(desk.record(RunKind::PowerUp, 4_000, |_| async {
        tokio::time::sleep(Duration::from_secs(3)).await;
        Ok(())
    }))?;
    desk.show(&run, Kind::PowerUp)?;

    console.remark("\n2  The two like stages side by side, 8 s");
    let run = runtime.block_on(desk.record(RunKind::Twins, 1_000, |_| async {
        tokio::time::sleep(Duration::from_secs(8)).await;
        Ok(())
    }))?;
    desk.show(&run, Kind::Twins)?;

    console.remark("\n3  Six places tapped five times each, the foot switch pressed with every tap");
    let run = runtime.block_on(desk.record(RunKind::Tap, 1_000, |control| async move {
        tokio::time::sleep(Duration::from_secs(2)).await;
        for place in Scenario::greenhouse().unit.places {
            control.mark(HostMarkKind::Place, place.name)?;
            for _ in 0..TAPS_PER_PLACE {
                bench.tap(place.name).map_err(stopped)?.map_err(stopped)?;
                tokio::time::sleep(TAP_PERIOD).await;
            }
        }
        Ok(())
    }))?;
    desk.show(&run, Kind::Tap)?;

    console.remark("\n4  The joint is soldered and stage 2 mended; in compressed time the stages again,\n   taps again, and four hours of soak");
    desk.mend()?;
    let run = desk.rehearse(
        RunKind::Twins,
        1_000,
        &Scenario::healthy(),
        STAGES_AGAIN,
        Vec::new(),
    )?;
    desk.show(&run, Kind::Twins)?;
    // The vents stand still while somebody taps, and at night.
    let mut still = Scenario::healthy();
    still.unit.programme = None;
    let (tapped, length, places) = tapped_again(&still);
    let run = desk.rehearse(RunKind::Tap, 1_000, &tapped, length, places)?;
    desk.show(&run, Kind::Tap)?;
    let run = desk.rehearse(RunKind::Soak, 100, &still, SOAK, Vec::new())?;
    desk.show(&run, Kind::Soak)?;
    let report = desk.end_job(&shunts)?;

    console.remark(&format!(
        "\nThe job folder is {}: spreadsheets open its .csv files, and `steady examine RUN` examines a run again.\n\
         The report for the unit's owner: {} (a browser shows it and prints it).",
        args.job.display(),
        report.display()
    ));
    Ok(Exit::Done)
}

fn stopped(error: impl std::fmt::Display) -> Fault {
    Fault::new(Exit::Failed, "the virtual bench", error.to_string())
}

fn start_bench(seed: u64) -> Result<VirtualBench, Fault> {
    let options = BenchOptions {
        seed,
        ..BenchOptions::default()
    };
    let scenario = Scenario::greenhouse();
    // Where the system has no pseudo-terminals the same bytes go over the loopback.
    #[cfg(unix)]
    let bench = VirtualBench::on_pty(&scenario, &options);
    #[cfg(not(unix))]
    let bench = VirtualBench::on_tcp(&scenario, &options, 0);
    bench.map_err(stopped)
}

fn address_of(bench: &VirtualBench) -> Result<PortAddress, Fault> {
    match bench.port() {
        PortName::Device(path) => Ok(PortAddress::Device(path.display().to_string())),
        PortName::Tcp(address) => format!("tcp:{address}").parse().map_err(stopped),
    }
}

/// The unit with a person who taps its places in turn, how long that takes, and the place that is marked before each tap.
fn tapped_again(unit: &Scenario) -> (Scenario, Duration, Vec<(Duration, HostMarkKind, String)>) {
    let tapped = Scenario {
        switch_on: SwitchOn::AfterRunBegins(1.0),
        tapping: Some(TAPPING_AGAIN),
        ..unit.clone()
    };
    let places = tapped.unit.places.iter().map(|place| place.name);
    let turns = places.len() * TAPS_PER_PLACE_AGAIN as usize;
    let tap_s = |turn: usize| 1.0 + TAPPING_AGAIN.first_s + turn as f64 * TAPPING_AGAIN.every_s;
    let marks = (0..turns)
        .zip(places.cycle())
        .map(|(turn, place)| {
            let before_s = tap_s(turn) - 0.5 * TAPPING_AGAIN.every_s;
            (
                Duration::from_secs_f64(before_s),
                HostMarkKind::Place,
                place.to_owned(),
            )
        })
        .collect();
    (tapped, Duration::from_secs_f64(tap_s(turns)), marks)
}

struct Desk<'a> {
    args: &'a Args,
    console: &'a Console,
    port: PortAddress,
}

impl Desk<'_> {
    fn run_plan(kind: RunKind, rate_hz: u32) -> RunPlan {
        let reading_period_us = 1_000_000 / rate_hz;
        let configure = Configure {
            reading_period_us,
            conversion_time: Configure::quietest_conversion(reading_period_us),
            shunt_range: ShuntRange::Millivolts164,
        };
        RunPlan {
            kind,
            configure,
            full_rate: FullRate::Auto,
            interval_us: 60_000_000,
        }
    }

    async fn record<F>(
        &self,
        kind: RunKind,
        rate_hz: u32,
        at_the_bench: impl FnOnce(SessionControl) -> F,
    ) -> Result<PathBuf, Fault>
    where
        F: Future<Output = Result<(), Fault>>,
    {
        let run = Self::run_plan(kind, rate_hz);
        let settings = BoardSettings {
            configure: run.configure,
            guard: GuardOptions::default(),
        };
        let plan = Plan {
            ports: vec![self.port.clone()],
            run,
            settings,
            duration: None,
            standby: false,
        };
        let session = Session::start(&plan, || JobFolder::open_or_create(&self.args.job)).await?;
        let done = at_the_bench(session.control()).await;
        let ended = session.close("the demo goes on").await?;
        done?;
        match ended.into_iter().next() {
            Some(ended) => Ok(ended.summary.folder),
            None => Err(stopped("nothing was recorded")),
        }
    }

    /// A run of the mended unit in virtual time; it ends now, by its own clock.
    fn rehearse(
        &self,
        kind: RunKind,
        rate_hz: u32,
        scenario: &Scenario,
        length: Duration,
        marks: Vec<(Duration, HostMarkKind, String)>,
    ) -> Result<PathBuf, Fault> {
        let mut board = VirtualBoard::new(scenario, self.args.seed);
        let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        let begun_utc_ns = i64::try_from(now.saturating_sub(length).as_nanos()).unwrap_or_default();
        let rehearsal = Rehearsal {
            run: Self::run_plan(kind, rate_hz),
            length,
            begun_utc_ns,
            port: "virtual:greenhouse-healthy".into(),
            marks,
        };
        let bar = self.console.progress(Some(length.as_secs()), kind.name());
        let job = &self.args.job;
        let summary = rehearsal.record(
            &mut board,
            || JobFolder::open_or_create(job),
            |at| {
                bar.set_position(at.as_secs());
            },
        )?;
        bar.finish_and_clear();
        Ok(summary.folder)
    }

    /// Writes the job down, unless the folder holds one, and the shunts that are put in to measure; gives their numbers.
    fn begin_job(&self) -> Result<Vec<u32>, Fault> {
        let folder = &self.args.job;
        if !folder.join("job.toml").exists() {
            let two = |what: &str| ["1", "2"].map(|number| format!("{what} {number}"));
            create_job(
                folder,
                &Job {
                    unit: "greenhouse vent controller".into(),
                    symptoms: vec!["it blows warm".into(), "the vents stick now and then".into()],
                    rails: vec!["24 V".into()],
                    marked_fuse: "T1.6AH250V".into(),
                    channels: two("stage"),
                    thermistors: ["heat sink of stage 1".into(), "room, beside the case".into()],
                    ..Job::default()
                },
            )?;
        }
        let shunt = |stage: u32| {
            let what = format!("50 mohm in the feed of stage {stage}");
            add_alteration(folder, AlterationKind::Shunt, &what, "to measure its current")
        };
        [1, 2].into_iter().map(shunt).collect()
    }

    fn mend(&self) -> Result<(), Fault> {
        let folder = &self.args.job;
        let (joint, why) = ("bridge of stage 2 soldered anew", "it opened when it was tapped");
        add_alteration(folder, AlterationKind::DisturbedJoint, joint, why)?;
        let why = "the stage drew three times what its twin draws";
        let part = add_alteration(folder, AlterationKind::NewPart, "motor driver of stage 2", why)?;
        settle_alteration(folder, part, true, "it is the repair")
    }

    /// Puts the shunts away, closes the job and makes its report.
    fn end_job(&self, shunts: &[u32]) -> Result<PathBuf, Fault> {
        let folder = &self.args.job;
        for &shunt in shunts {
            settle_alteration(folder, shunt, false, "taken out, the feed bridged and soldered")?;
        }
        if Closing::of(&read_alterations(folder)?, &read_notes(folder)?).clean {
            add_note(folder, NoteKind::Closed, "mended on the virtual bench")?;
        }
        let bar = self.console.progress(Some(0), "reading the runs");
        let report = gather_and(folder, Keep::Findings, &bar)?;
        bar.finish_and_clear();
        replace_report(folder, &html::page(&report))
    }

    fn show(&self, run: &Path, kind: Kind) -> Result<(), Fault> {
        let folder = RunFolder::open(run, None)?;
        let mut examination = Examination::begin(kind, &Settings::default(), &folder.marks_for(kind)?);
        folder.each(|seen| examination.take(seen))?;
        let shown = Shown {
            run: run.to_owned(),
            findings: examination.finish(),
        };
        self.console.result(&shown, |shown| {
            format!("{}in {}", words::of(&shown.findings), shown.run.display())
        });
        Ok(())
    }
}
