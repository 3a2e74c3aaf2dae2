//! One run: its boards, its recorder, and who controls it.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

use crate::clock::HostTime;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::live::LiveBoard;
use crate::port::PortAddress;
use crate::recorder::{
    FileLayer, HostMarkKind, JobFolder, RecordSink, Recorder, RecorderStatus, RunPlan, RunSummary, Stamp,
};

use super::station::{BoardSettings, Command, Station};

/// Commands of the operator that a station may be behind with.
const COMMANDS_MAX: usize = 64;

/// Longest label of a mark, in characters.
const LABEL_MAX: usize = 200;

/// What is to be recorded where.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The boards' ports.
    pub ports: Vec<PortAddress>,
    /// The run.
    pub run: RunPlan,
    /// How every board measures and guards.
    pub settings: BoardSettings,
}

/// Controls a run; cheap to clone, as every request of the page does.
#[derive(Clone, Debug)]
pub struct RunControl {
    start: Instant,
    commands: Vec<mpsc::Sender<Command>>,
    boards: Vec<Arc<Mutex<LiveBoard>>>,
    recorder: Arc<Mutex<RecorderStatus>>,
    stop: watch::Sender<bool>,
    folder: PathBuf,
    number: u32,
}

/// A run being recorded.
#[derive(Debug)]
pub struct Collector {
    control: RunControl,
    stations: Vec<JoinHandle<()>>,
    recorder: Recorder,
}

impl Collector {
    /// Brings the boards up, makes the run's folder, and records from the first reading on.
    ///
    /// When anything is wrong with a port or a board, nothing has been written.
    ///
    /// # Errors
    /// The first fault of a port, a board or the job folder.
    pub async fn start(
        plan: &Plan,
        layer: Box<dyn FileLayer>,
        open_job: impl FnOnce() -> Result<JobFolder, Fault>,
    ) -> Result<Self, Fault> {
        let start = Instant::now();
        let mut stations = bring_up_all(plan, start).await?;
        let made = open_job().and_then(|job| make_recorder(plan, layer, job, &stations));
        let (recorder, sinks) = match made {
            Ok(made) => made,
            Err(fault) => {
                for station in stations {
                    station.dismiss().await;
                }
                return Err(fault);
            }
        };
        let mut commands = Vec::new();
        let mut boards = Vec::new();
        let mut tasks = Vec::new();
        for (mut station, sink) in stations.drain(..).zip(sinks) {
            let (sender, receiver) = mpsc::channel(COMMANDS_MAX);
            station.record_to(sink);
            commands.push(sender);
            boards.push(station.live());
            tasks.push(tokio::spawn(station.run(receiver)));
        }
        let control = RunControl {
            start,
            commands,
            boards,
            recorder: recorder.status(),
            stop: watch::Sender::new(false),
            folder: recorder.folder().to_owned(),
            number: recorder.number(),
        };
        Ok(Self {
            control,
            stations: tasks,
            recorder,
        })
    }

    /// Controls this run.
    #[must_use]
    pub fn control(&self) -> RunControl {
        self.control.clone()
    }

    /// Stops the boards and closes the run.
    ///
    /// # Errors
    /// When the recorder has died.
    pub async fn close(self, reason: &str) -> Result<RunSummary, Fault> {
        for commands in &self.control.commands {
            // A station that has ended needs no telling.
            let _ = commands.send(Command::Stop).await;
        }
        for station in self.stations {
            let _ = station.await;
        }
        let reason = reason.to_owned();
        let recorder = self.recorder;
        tokio::task::spawn_blocking(move || recorder.close(&reason))
            .await
            .map_err(|error| Fault::new(Exit::Failed, "the recorder", error.to_string()))?
    }
}

async fn bring_up_all(plan: &Plan, start: Instant) -> Result<Vec<Station>, Fault> {
    let tasks: Vec<_> = plan
        .ports
        .iter()
        .map(|address| tokio::spawn(Station::bring_up(address.clone(), plan.settings, start)))
        .collect();
    let mut stations: Vec<Station> = Vec::new();
    let mut first_fault = None;
    for task in tasks {
        let outcome = task
            .await
            .unwrap_or_else(|error| Err(Fault::new(Exit::Failed, "a board's task", error.to_string())));
        match outcome {
            Ok(station) => stations.push(station),
            Err(fault) => {
                first_fault.get_or_insert(fault);
            }
        }
    }
    if first_fault.is_none() {
        first_fault = met_twice(&stations);
    }
    match first_fault {
        None => Ok(stations),
        Some(fault) => {
            for station in stations {
                station.dismiss().await;
            }
            Err(fault)
        }
    }
}

fn met_twice(stations: &[Station]) -> Option<Fault> {
    let known: Vec<_> = stations.iter().filter_map(Station::introduction).collect();
    known.iter().enumerate().find_map(|(position, one)| {
        let other = known[..position]
            .iter()
            .find(|other| other.hello.board_serial == one.hello.board_serial)?;
        Some(
            Fault::usage(
                format!("ports {} and {}", other.port, one.port),
                "the same board answers on both",
            )
            .remedy("give each board once to --port"),
        )
    })
}

fn make_recorder(
    plan: &Plan,
    layer: Box<dyn FileLayer>,
    job: JobFolder,
    stations: &[Station],
) -> Result<(Recorder, Vec<RecordSink>), Fault> {
    let boards = stations
        .iter()
        .filter_map(Station::introduction)
        .cloned()
        .collect();
    Recorder::start(layer, job, &plan.run, boards)
}

impl RunControl {
    /// Marks this instant on every board's time line.
    ///
    /// # Errors
    /// [`Exit::Usage`] when the label is longer than 200 characters or holds control characters;
    /// [`Exit::NoCollector`] when the run is over.
    pub fn mark(&self, kind: HostMarkKind, label: &str) -> Result<Stamp, Fault> {
        let at: Stamp = HostTime::now(self.start).into();
        if label.chars().count() > LABEL_MAX || label.chars().any(char::is_control) {
            return Err(Fault::usage(
                "the mark's label",
                format!("it has more than {LABEL_MAX} characters, or some that cannot be printed"),
            ));
        }
        let mut given = false;
        for commands in &self.commands {
            let mark = Command::Mark {
                at,
                kind,
                label: label.to_owned(),
            };
            given |= commands.try_send(mark).is_ok();
        }
        if given { Ok(at) } else { Err(over()) }
    }

    /// Has every board's guard close the supply relay again.
    ///
    /// # Errors
    /// [`Exit::NoCollector`] when the run is over.
    pub fn rearm(&self) -> Result<(), Fault> {
        let given = self
            .commands
            .iter()
            .filter(|commands| commands.try_send(Command::Rearm).is_ok());
        if given.count() > 0 { Ok(()) } else { Err(over()) }
    }

    /// Asks the run to end.
    pub fn stop(&self) {
        self.stop.send_replace(true);
    }

    /// Returns when somebody has asked the run to end.
    pub async fn stopped(&self) {
        let mut receiver = self.stop.subscribe();
        let _ = receiver.wait_for(|stop| *stop).await;
    }

    /// The boards' present states.
    #[must_use]
    pub fn boards(&self) -> Vec<LiveBoard> {
        self.boards
            .iter()
            .map(|board| board.lock().unwrap_or_else(PoisonError::into_inner).clone())
            .collect()
    }

    /// How the recorder is doing.
    #[must_use]
    pub fn recorder(&self) -> RecorderStatus {
        self.recorder
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Where the run's files are.
    #[must_use]
    pub fn folder(&self) -> &std::path::Path {
        &self.folder
    }

    /// The run's number within the job.
    #[must_use]
    pub const fn number(&self) -> u32 {
        self.number
    }
}

fn over() -> Fault {
    Fault::new(Exit::NoCollector, "the run", "it is over")
}
