//! `steady collect`: records boards until told to stop.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use clap::ValueEnum;
use steadybench_protocol::limits::{READING_PERIOD_MAX_US, READING_PERIOD_MIN_US};
use steadybench_protocol::{Configure, ConversionTime, ShuntRange};
use tokio::net::TcpListener;

use crate::calibrations;
use crate::collector::{BoardSettings, Ended, GuardOptions, Plan, Session, SessionControl};
use crate::console::Console;
use crate::exit::Exit;
use crate::fault::{Fault, plain_reason};
use crate::job::reminder::{Occasion, reminder};
use crate::port::PortAddress;
use crate::quantity::{parse, parse_duration};
use crate::recorder::{
    Announcement, FullRate, JobFolder, RunKind, RunPlan, left_behind, read_alterations, survey_run,
};
use crate::web;

use super::collect_show::Show;

/// The job folder when none is named.
pub const DEFAULT_JOB: &str = "job";

/// Options of `steady collect`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A board's port: its name, its USB serial number, virtual:greenhouse, or tcp:HOST:PORT. Several are recorded
    /// together.
    #[arg(long, required = true)]
    port: Vec<PortAddress>,
    /// The job folder; made when missing, gone on with when not.
    #[arg(long, default_value = DEFAULT_JOB)]
    job: PathBuf,
    /// What the run is for.
    #[arg(long = "as", value_enum, default_value = "free")]
    kind: RunKind,
    /// Begin with nothing recorded: the boards measure and are shown, and a run is begun from the page or with `steady
    /// run`.
    #[arg(long, conflicts_with_all = ["kind", "duration"])]
    standby: bool,
    /// End after this long: 90s, 10min, 12h.
    #[arg(long = "for", value_parser = parse_duration)]
    duration: Option<Duration>,
    /// Readings per second, 100 to 4000.
    #[arg(long, default_value_t = 1000)]
    rate: u32,
    /// Full scale of the shunt voltage.
    #[arg(long, value_enum, default_value = "164mV")]
    range: Range,
    /// Integration time of a reading in microseconds: 50, 84, 150, 280, 540, 1052, 2074 or 4120. The longest that fits
    /// the rate when not given.
    #[arg(long)]
    conversion_us: Option<u32>,
    /// Whether every reading gets a row in readings.csv; wire.log always holds every one.
    #[arg(long, value_enum, default_value = "auto")]
    full_rate: FullRate,
    /// Interval of minutes.csv.
    #[arg(long, default_value = "1min", value_parser = parse_duration)]
    interval: Duration,
    /// Where the page is served; a free port of this computer's own when not given.
    #[arg(long, default_value = "127.0.0.1:0")]
    listen: SocketAddr,
    #[command(flatten)]
    guard: GuardArgs,
}

/// Full scale of the shunt voltage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Range {
    /// ±163.84 mV.
    #[value(name = "164mV")]
    Wide,
    /// ±40.96 mV in steps a quarter as large; the noise is about the same.
    #[value(name = "41mV")]
    Fine,
}

#[derive(Debug, clap::Args)]
#[command(next_help_heading = "Guard: opens the supply relay, with or without this program")]
struct GuardArgs {
    /// Trip above this current: 2A for both channels, or 1=2A and 2=500mA.
    #[arg(long, value_name = "[CHANNEL=]CURRENT")]
    guard_current: Vec<String>,
    /// So many readings in a row must be past it, 1 to 40.
    #[arg(long, default_value_t = 1)]
    guard_readings: u8,
    /// Trip above this temperature: 70C, or 1=70C.
    #[arg(long, value_name = "[CHANNEL=]TEMPERATURE")]
    guard_hot: Vec<String>,
    /// Trip when this channel's thermistor is open or shorted: 1 or 2.
    #[arg(long, value_name = "CHANNEL")]
    guard_thermistor: Vec<u8>,
    /// Trip when this program has been silent so long: 500ms to 1h.
    #[arg(long, value_parser = parse_duration)]
    guard_host_silent: Option<Duration>,
}

impl GuardArgs {
    fn options(&self) -> Result<GuardOptions, Fault> {
        let mut options = GuardOptions {
            over_current_readings: self.guard_readings,
            ..GuardOptions::default()
        };
        for text in &self.guard_current {
            put(&mut options.over_current_a, "--guard-current", text, "A")?;
        }
        for text in &self.guard_hot {
            put(&mut options.hot_c, "--guard-hot", text, "C")?;
        }
        for number in &self.guard_thermistor {
            let channel = channel_of(&number.to_string()).ok_or_else(|| {
                Fault::usage(format!("--guard-thermistor {number}"), "the channels are 1 and 2")
            })?;
            options.thermistor_required[channel] = true;
        }
        options.host_silent_ms = self
            .guard_host_silent
            .map(|silent| u32::try_from(silent.as_millis()).unwrap_or(u32::MAX));
        Ok(options)
    }
}

fn channel_of(text: &str) -> Option<usize> {
    match text {
        "1" => Some(0),
        "2" => Some(1),
        _ => None,
    }
}

/// Reads `2A` or `1=2A` into the channels it is for.
fn put(limits: &mut [Option<f64>; 2], option: &str, text: &str, unit: &str) -> Result<(), Fault> {
    let fault = |rule: String| Fault::usage(format!("{option} {text}"), rule);
    match text.split_once('=') {
        None => *limits = [Some(parse(text, unit).map_err(fault)?); 2],
        Some((channel, value)) => {
            let channel = channel_of(channel).ok_or_else(|| fault("the channels are 1 and 2".into()))?;
            limits[channel] = Some(parse(value, unit).map_err(fault)?);
        }
    }
    Ok(())
}

impl Args {
    fn configure(&self) -> Result<Configure, Fault> {
        let rates = 1_000_000 / READING_PERIOD_MAX_US..=1_000_000 / READING_PERIOD_MIN_US;
        if !rates.contains(&self.rate) {
            return Err(Fault::usage(
                format!("--rate {}", self.rate),
                format!(
                    "the board takes {} to {} readings a second",
                    rates.start(),
                    rates.end()
                ),
            ));
        }
        let reading_period_us = (1_000_000 + self.rate / 2) / self.rate;
        let conversion_time = match self.conversion_us {
            None => Configure::quietest_conversion(reading_period_us),
            Some(micros) => ConversionTime::ALL
                .into_iter()
                .find(|time| time.micros() == micros)
                .ok_or_else(|| {
                    let rule = "the chip takes 50, 84, 150, 280, 540, 1052, 2074 or 4120 us";
                    Fault::usage(format!("--conversion-us {micros}"), rule)
                })?,
        };
        let configure = Configure {
            reading_period_us,
            conversion_time,
            shunt_range: match self.range {
                Range::Wide => ShuntRange::Millivolts164,
                Range::Fine => ShuntRange::Millivolts41,
            },
        };
        if configure.is_legal() {
            Ok(configure)
        } else {
            Err(Fault::usage(
                format!(
                    "--conversion-us {} at --rate {}",
                    conversion_time.micros(),
                    self.rate
                ),
                format!(
                    "the chip needs {} us for a round and a reading is due every {reading_period_us} us",
                    configure.round_us()
                ),
            )
            .remedy("choose a shorter conversion or a lower rate"))
        }
    }

    fn plan(&self) -> Result<Plan, Fault> {
        let configure = self.configure()?;
        Ok(Plan {
            ports: self.port.clone(),
            run: RunPlan {
                kind: self.kind,
                configure,
                full_rate: self.full_rate,
                interval_us: u64::try_from(self.interval.as_micros())
                    .unwrap_or(u64::MAX)
                    .max(1),
            },
            settings: BoardSettings {
                configure,
                guard: self.guard.options()?,
            },
            duration: self.duration,
            standby: self.standby,
        })
    }
}

/// Records until told to stop.
///
/// # Errors
/// Whatever is wrong with the options, the ports, the boards or the folder; then nothing has been written.
pub fn run(args: &Args, console: &Console) -> Result<Exit, Fault> {
    let plan = args.plan()?;
    super::runtime()?.block_on(collect(args, &plan, console))
}

async fn collect(args: &Args, plan: &Plan, console: &Console) -> Result<Exit, Fault> {
    // After a kill the page that is open finds the next collector where the last one was.
    let left = left_behind(&args.job);
    let listener = listen(args.listen, left.as_ref()).await?;
    let listening = |error: std::io::Error| Fault::new(Exit::Failed, "the page", error.to_string());
    let address = listener.local_addr().map_err(listening)?;
    let token = match left {
        Some(left) => left.token,
        None => web::new_token().map_err(listening)?,
    };
    let mut announced = None;
    let session = Session::start(plan, || {
        let job = JobFolder::open_or_create(&args.job)?;
        tell_of_last_run(&job, console);
        remind(&job, plan.run.kind, console);
        let announcement = Announcement {
            address,
            token: token.clone(),
        };
        announced = Some(job.announce(&announcement)?);
        Ok(job)
    })
    .await?;

    let control = session.control();
    let link = web::link(address, &token);
    let app = web::App::new(control.clone(), token, address);
    let server = tokio::spawn(web::serve(listener, app, web::Limits::default()));
    console.remark(&format!(
        "{}; page at {link} ; Ctrl-C ends it",
        match control.run() {
            Some(run) => format!("recording run {:04} in {}", run.number, run.folder.display()),
            None => format!(
                "standing by, nothing is recorded; runs will be in {}",
                args.job.display()
            ),
        },
    ));
    if !address.ip().is_loopback() {
        console.warn(&format!(
            "the page listens at {address}, on the network: whoever has the link may see and change everything, and the \
             connection is not encrypted"
        ));
    }
    for remark in control
        .boards()
        .iter()
        .flat_map(|board| calibrations::remarks(&board.serial))
    {
        console.remark(&remark);
    }
    let mut exit = Exit::Done;
    let mut conclude_all = |ended: Vec<Ended>| {
        for ended in ended {
            let one = conclude(&ended, console);
            if exit == Exit::Done {
                exit = one;
            }
        }
    };
    let reason = until_told(&control, console, &mut conclude_all).await;
    conclude_all(session.close(reason).await?);
    server.abort();
    drop(announced);
    Ok(exit)
}

/// Listens where it was asked to; on a port of its own choice, where the collector before it did if that is free.
async fn listen(asked: SocketAddr, left: Option<&Announcement>) -> Result<TcpListener, Fault> {
    if let Some(left) = left
        && asked.port() == 0
        && left.address.ip() == asked.ip()
        && let Ok(listener) = TcpListener::bind(left.address).await
    {
        return Ok(listener);
    }
    TcpListener::bind(asked).await.map_err(|error| {
        Fault::new(Exit::Failed, format!("--listen {asked}"), plain_reason(&error))
            .remedy("choose another port, or leave --listen out")
    })
}

/// Shows the session until it is to end, and each run's end as it comes; gives why it is to end.
async fn until_told(
    control: &SessionControl,
    console: &Console,
    conclude_all: &mut impl FnMut(Vec<Ended>),
) -> &'static str {
    let mut show = Show::new(*console);
    let mut tick = tokio::time::interval(Show::PERIOD);
    let interrupt = tokio::signal::ctrl_c();
    tokio::pin!(interrupt);
    let terminate = terminated();
    tokio::pin!(terminate);
    loop {
        tokio::select! {
            _ = tick.tick() => {
                conclude_all(control.take_ended());
                show.update(control);
            }
            _ = &mut interrupt => break "Ctrl-C",
            () = &mut terminate => break "the system asked the program to end",
            reason = control.ended() => break reason,
        }
    }
}

#[cfg(unix)]
async fn terminated() {
    match tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()) {
        Ok(mut signal) => {
            signal.recv().await;
        }
        Err(_) => std::future::pending().await,
    }
}

#[cfg(not(unix))]
async fn terminated() {
    std::future::pending().await
}

fn tell_of_last_run(job: &JobFolder, console: &Console) {
    let Some(last) = job.runs().ok().and_then(|mut runs| runs.pop()) else {
        return;
    };
    let Ok(survey) = survey_run(&last) else { return };
    if survey.closed.is_none() {
        let name = last.file_name().unwrap_or_default().to_string_lossy();
        let until = survey
            .recorded_until_utc()
            .map_or("it holds no reading".into(), |until| {
                format!("it is recorded until {until:.3}")
            });
        console.warn(&format!(
            "run {name} was cut off: {until}. This goes on in the next run."
        ));
    }
}

/// Cautions, and what is still altered, before power-up and before hours alone.
fn remind(job: &JobFolder, kind: RunKind, console: &Console) {
    let occasion = match kind {
        RunKind::PowerUp => Occasion::PowerUp,
        RunKind::Soak => Occasion::Soak,
        RunKind::Tap | RunKind::Twins | RunKind::Free => return,
    };
    // A notebook that cannot be read is no reason not to record.
    match read_alterations(job.path()) {
        Ok(alterations) => console.remark(&reminder(&alterations, occasion)),
        Err(fault) => console.warn(&fault.to_string()),
    }
}

/// Says what became of a run, and by which code the program is to end for it.
fn conclude(ended: &Ended, console: &Console) -> Exit {
    let summary = &ended.summary;
    let lost_here = summary
        .closed
        .board
        .iter()
        .any(|board| board.lost_on_this_computer > 0);
    console.result(&summary.closed, |closed| {
        let mut lines = Vec::new();
        for board in &closed.board {
            lines.push(format!(
                "board {}: {} readings, {} lost{}",
                board.serial,
                board.readings,
                board.lost_readings,
                match board.utc_bound_s {
                    Some(bound_s) => format!(", UTC within {:.1} ms", bound_s * 1e3),
                    None => ", UTC not known".into(),
                }
            ));
        }
        lines.push(format!("files: {}", summary.folder.display()));
        lines.join("\n")
    });
    if let Some(unwritten) = &summary.unwritten {
        console.warn(&format!("not everything is on the disk: {unwritten}"));
    }
    if ended.guard_tripped {
        Exit::GuardTripped
    } else if summary.unwritten.is_some() || lost_here {
        Exit::HostLosses
    } else if ended.another_board {
        Exit::AnotherBoard
    } else {
        Exit::Done
    }
}
