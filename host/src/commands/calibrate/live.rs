//! Points taken now from a board on its port, the person led from step to step.
//!
//! Each point is a run of its own in a job folder, so that a calibration can be made again from what was recorded.

use std::io::BufRead;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use steadybench_analysis::uncertainty::engineering;
use steadybench_protocol::{Configure, ShuntRange};

use super::points::{Point, Value, value};
use super::settling::Settling;
use crate::calibrations;
use crate::cautions;
use crate::collector::{BoardSettings, GuardOptions, Plan, RunRequest, Session, SessionControl};
use crate::console::Console;
use crate::exit::Exit;
use crate::fault::{Fault, plain_reason};
use crate::live::LiveBoard;
use crate::port::PortAddress;
use crate::quantity::parse_duration;
use crate::recorder::{FullRate, JobFolder, RunKind, RunPlan};

/// Time from one look at the board to the next: its shown figures are means over half a second.
const LOOK: Duration = Duration::from_millis(500);

/// A current or a voltage has to stand still over so many seconds, a temperature over so many (common practice, no
/// source: a bead in a stirred bath follows within some ten seconds).
const STILL_S: f64 = 5.0;
const STILL_TEMPERATURE_S: f64 = 20.0;

/// Standing still: a current within this share, and never asked to within fewer than so many amperes.
const STILL_SHARE: f64 = 5e-3;
const STILL_A: f64 = 5e-5;
const STILL_V: f64 = 5e-3;
const STILL_K: f64 = 0.05;

/// Where points come from when not from runs.
#[derive(Clone, Debug, clap::Args)]
#[command(next_help_heading = "From a board on its port")]
pub(super) struct Live {
    /// Take the points now from the board on this port, step by step, in place of recorded runs.
    #[arg(long)]
    port: Option<PortAddress>,
    /// The job folder that the points are recorded in.
    #[arg(long, default_value = "calibration")]
    job: PathBuf,
    /// Record each point so long once it stands still.
    #[arg(long = "for", value_parser = parse_duration, default_value = "20s")]
    length: Duration,
    /// Wait so long at most until a point stands still.
    #[arg(long, value_parser = parse_duration, default_value = "5min")]
    patience: Duration,
}

/// What is compared with a reference.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Quantity {
    Gain,
    Temperature,
}

/// What is watched until it stands still.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Watched {
    Current,
    Rail,
    Temperature,
}

impl Watched {
    fn of(self, board: &LiveBoard, at: usize) -> Option<f64> {
        match self {
            Self::Current => board.current_a[at],
            Self::Rail => board.rail_v[at],
            Self::Temperature => board.temperature_c[at],
        }
    }

    const fn window_s(self) -> f64 {
        match self {
            Self::Current | Self::Rail => STILL_S,
            Self::Temperature => STILL_TEMPERATURE_S,
        }
    }

    fn tolerance(self, value: f64) -> f64 {
        match self {
            Self::Current => (STILL_SHARE * value.abs()).max(STILL_A),
            Self::Rail => (STILL_SHARE * value.abs()).max(STILL_V),
            Self::Temperature => STILL_K,
        }
    }

    fn shown(self, value: f64) -> String {
        match self {
            Self::Current => engineering(value, "A", 4),
            Self::Rail => engineering(value, "V", 5),
            Self::Temperature => format!("{value:.2} °C"),
        }
    }
}

impl From<Value> for Watched {
    fn from(value: Value) -> Self {
        match value {
            Value::Amperes(_) => Self::Current,
            Value::Volts(_) => Self::Rail,
            Value::Celsius(_) => Self::Temperature,
        }
    }
}

impl Live {
    /// Whether points are to be taken now.
    pub(super) const fn is_asked(&self) -> bool {
        self.port.is_some()
    }

    /// Records a zero; gives the run and from when on it stood still.
    pub(super) fn zero(&self, channel: Option<u8>, console: &Console) -> Result<(PathBuf, Duration), Fault> {
        self.at_the_board(console, async |desk| {
            let which = channel.map_or("both channels".to_owned(), |number| format!("channel {number}"));
            desk.tell(&format!(
                "Zero of {which}: load off, both sense leads on one end of the shunt, rail on at its working voltage."
            ));
            desk.wait_for_enter("Press Enter when it is so.")?;
            let point = desk.begin().await?;
            let at = usize::from(channel.unwrap_or(1) - 1);
            let (from, _) = desk.until_still(Watched::Current, at).await?;
            desk.end(from).await?;
            Ok((point, from))
        })
    }

    /// Records points against a reference, those of `at` or as many as the person wants.
    pub(super) fn points(
        &self,
        channel: u8,
        quantity: Quantity,
        at: &[Value],
        console: &Console,
    ) -> Result<Vec<Point>, Fault> {
        let example = match quantity {
            Quantity::Gain => "0.1043A or 24.02V",
            Quantity::Temperature => "25.0C",
        };
        self.at_the_board(console, async |desk| {
            if quantity == Quantity::Gain {
                desk.tell("Load resistors get hot: wire-wound, on metal, a few seconds each, fuse in.");
            }
            let mut points = Vec::new();
            for number in 1.. {
                let about = at.get(number - 1).copied();
                if about.is_none() && !at.is_empty() {
                    break;
                }
                let Some(about) = desk.lead_to(number, channel, quantity, about, example)? else {
                    break;
                };
                points.push(desk.point(channel, about, example).await?);
            }
            Ok(points)
        })
    }

    /// Opens the port and the job folder, stands by, and closes them when `work` is done.
    fn at_the_board<T>(
        &self,
        console: &Console,
        work: impl AsyncFnOnce(&Desk) -> Result<T, Fault>,
    ) -> Result<T, Fault> {
        let Some(port) = &self.port else {
            return Err(Fault::usage("--port", "no board is named"));
        };
        let reading_period_us = 1000;
        let configure = Configure {
            reading_period_us,
            conversion_time: Configure::quietest_conversion(reading_period_us),
            shunt_range: ShuntRange::Millivolts164,
        };
        let plan = Plan {
            ports: vec![port.clone()],
            run: RunPlan {
                kind: RunKind::Free,
                configure,
                full_rate: FullRate::Never,
                interval_us: 10_000_000,
            },
            settings: BoardSettings {
                configure,
                guard: GuardOptions::default(),
            },
            duration: None,
            standby: true,
        };
        crate::commands::runtime()?.block_on(async {
            let session = Session::start(&plan, || JobFolder::open_or_create(&self.job)).await?;
            let desk = Desk {
                live: self,
                console,
                control: session.control(),
            };
            desk.tell(&cautions::lines(&[cautions::ALWAYS]));
            for board in desk.control.boards() {
                for remark in calibrations::remarks(&board.serial) {
                    console.remark(&remark);
                }
            }
            let done = work(&desk).await;
            session.close("the calibration is over").await?;
            done
        })
    }
}

struct Desk<'a> {
    live: &'a Live,
    console: &'a Console,
    control: SessionControl,
}

impl Desk<'_> {
    /// A person has to act on it, so it is said to programs as well.
    fn tell(&self, words: &str) {
        self.console.warn(words);
    }

    /// A line from standard input; `None` at its end.
    fn ask(&self, words: &str) -> Result<Option<String>, Fault> {
        self.tell(words);
        let mut line = String::new();
        let read = std::io::stdin()
            .lock()
            .read_line(&mut line)
            .map_err(|error| Fault::new(Exit::Failed, "standard input", plain_reason(&error)))?;
        Ok((read > 0).then(|| line.trim().to_owned()))
    }

    fn wait_for_enter(&self, words: &str) -> Result<(), Fault> {
        self.ask(words).map(|_| ())
    }

    /// Says what to set up for a point; gives about what it is, or `None` when the person has no more.
    fn lead_to(
        &self,
        number: usize,
        channel: u8,
        quantity: Quantity,
        about: Option<Value>,
        example: &str,
    ) -> Result<Option<Value>, Fault> {
        let set_up = match quantity {
            Quantity::Gain => format!("the reference in the path of channel {channel}, or across its rail"),
            Quantity::Temperature => {
                format!("bead {channel} beside the thermometer, both covered or in the bath")
            }
        };
        if let Some(about) = about {
            self.wait_for_enter(&format!(
                "Point {number}, about {} {}: {set_up}. Press Enter when it is so.",
                about.number(),
                about.unit()
            ))?;
            return Ok(Some(about));
        }
        self.tell(&format!("Point {number}: {set_up}."));
        loop {
            match self.ask(&format!(
                "About what will it read? Such as {example}; Enter when there is no further point."
            ))? {
                None => return Ok(None),
                Some(text) if text.is_empty() => return Ok(None),
                Some(text) => match value(&text) {
                    Ok(about) => return Ok(Some(about)),
                    Err(words) => self.tell(&words),
                },
            }
        }
    }

    async fn point(&self, channel: u8, about: Value, example: &str) -> Result<Point, Fault> {
        let run = self.begin().await?;
        let watched = Watched::from(about);
        let (from, stands_at) = self.until_still(watched, usize::from(channel - 1)).await?;
        self.tell(&format!("It stands at {}.", watched.shown(stands_at)));
        let read = loop {
            let words = format!(
                "What does the reference read now? Such as {example}; Enter for {} {}.",
                about.number(),
                about.unit()
            );
            match self.ask(&words)? {
                None => break about,
                Some(text) if text.is_empty() => break about,
                Some(text) => match value(&text) {
                    Ok(read) if Watched::from(read) == watched => break read,
                    Ok(_) => self.tell("That is another quantity."),
                    Err(words) => self.tell(&words),
                },
            }
        };
        self.end(from).await?;
        Ok(Point {
            run,
            value: read,
            from,
        })
    }

    async fn begin(&self) -> Result<PathBuf, Fault> {
        Ok(self.control.begin_run(RunRequest::default()).await?.folder)
    }

    fn board(&self) -> Result<LiveBoard, Fault> {
        self.control.boards().into_iter().next().ok_or_else(|| {
            Fault::new(Exit::Failed, "the board", "it is gone").remedy("look to its cable and begin again")
        })
    }

    /// Waits until the figure stands still; gives since when in the run, and where.
    async fn until_still(&self, watched: Watched, at: usize) -> Result<(Duration, f64), Fault> {
        let mut settling = Settling::new(watched.window_s());
        let bar = self.console.progress(None, "waiting until it stands still");
        let began = Instant::now();
        loop {
            tokio::time::sleep(LOOK).await;
            let board = self.board()?;
            settling.take(board.elapsed_s, watched.of(&board, at));
            bar.tick();
            if let (Some(moved), Some(latest)) = (settling.moved(), settling.latest())
                && moved <= watched.tolerance(latest)
            {
                bar.finish_and_clear();
                let since_s = (board.elapsed_s - watched.window_s()).max(0.0);
                return Ok((Duration::from_secs_f64(since_s), latest));
            }
            if began.elapsed() > self.live.patience {
                bar.finish_and_clear();
                return Err(not_still(watched, at, &settling, self.live.patience));
            }
        }
    }

    /// Goes on recording until the point is long enough, and ends its run.
    async fn end(&self, from: Duration) -> Result<(), Fault> {
        let until_s = (from + self.live.length).as_secs_f64();
        while self.board()?.elapsed_s < until_s {
            tokio::time::sleep(LOOK).await;
        }
        self.control.stop_run().await
    }
}

fn not_still(watched: Watched, at: usize, settling: &Settling, patience: Duration) -> Fault {
    let how = match (settling.moved(), settling.latest()) {
        (Some(moved), Some(latest)) => format!(
            "it stands at {} and still moves by {} in {:.0} s",
            watched.shown(latest),
            watched.shown(moved),
            watched.window_s() / 2.0
        ),
        _ => "there are not enough readings of it".to_owned(),
    };
    Fault::new(
        Exit::BadInput,
        format!("channel {} after {:.0} s", at + 1, patience.as_secs_f64()),
        how,
    )
    .remedy("nothing is kept; let everything warm up for 20 minutes, look for a loose lead, or give more --patience")
}
