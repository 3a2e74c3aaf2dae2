//! `steady demo`: the whole job on a virtual bench, with nothing to plug in.

use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde::Serialize;
use steadybench_protocol::{Configure, ShuntRange};
use steadybench_virtual::{BenchOptions, PortName, Scenario, VirtualBench, VirtualBoard};

use crate::collector::{BoardSettings, GuardOptions, Plan, Rehearsal, Session, SessionControl};
use crate::console::Console;
use crate::examine::{Examination, Findings, Kind, RunFolder, Settings, words};
use crate::exit::Exit;
use crate::fault::Fault;
use crate::port::PortAddress;
use crate::recorder::wire_log::HostMarkKind;
use crate::recorder::{FullRate, JobFolder, RunKind, RunPlan};

/// The job folder when none is named.
const DEFAULT_JOB: &str = "steady-demo";

/// The person at the bench taps each place so often, about this far apart.
const TAPS_PER_PLACE: u32 = 5;
const TAP_PERIOD: Duration = Duration::from_millis(700);

/// The soak lasts this long in the bench's time.
const SOAK: Duration = Duration::from_secs(4 * 3600);

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

    console.remark("\n4  The joint is soldered and stage 2 mended; four hours of soak, in compressed time");
    let run = desk.soak()?;
    desk.show(&run, Kind::Soak)?;

    console.remark(&format!(
        "\nThe job folder is {}: spreadsheets open its .csv files, and `steady examine RUN` examines a run again.",
        args.job.display()
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

    fn soak(&self) -> Result<PathBuf, Fault> {
        let mut scenario = Scenario::healthy();
        // The vents stand still at night.
        scenario.unit.programme = None;
        let mut board = VirtualBoard::new(&scenario, self.args.seed);
        let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        let begun_utc_ns = i64::try_from(now.saturating_sub(SOAK).as_nanos()).unwrap_or_default();
        let rehearsal = Rehearsal {
            run: Self::run_plan(RunKind::Soak, 100),
            length: SOAK,
            begun_utc_ns,
            port: "virtual:greenhouse-healthy".into(),
        };
        let bar = self.console.progress(Some(SOAK.as_secs()), "soaking");
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

    fn show(&self, run: &Path, kind: Kind) -> Result<(), Fault> {
        let folder = RunFolder::open(run, None)?;
        let mut examination = Examination::begin(kind, &Settings::default(), &folder.marks_for(kind)?);
        folder.each_sample(|sample| examination.push(sample))?;
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
