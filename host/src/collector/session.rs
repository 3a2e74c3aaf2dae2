//! A session: boards on their ports, and one run after another recorded from them, without the ports being let go.
//!
//! Between two runs it stands by: the boards measure and are shown, and nothing is written. The job folder stays locked
//! for as long as the session lasts.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinHandle;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::live::{Hub, Standing};
use crate::port::PortAddress;
use crate::recorder::{JobFolder, RunKind, RunPlan, RunSummary};

use super::bring_up::bring_up_all;
use super::control::{Order, RunNow, SessionControl, Shared};
use super::station::{BoardSettings, Command, Station};
use super::work::Work;

/// Commands of the operator that a station may be behind with.
const COMMANDS_MAX: usize = 64;

/// Orders that may wait.
const ORDERS_MAX: usize = 16;

/// What is to be recorded where.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The boards' ports.
    pub ports: Vec<PortAddress>,
    /// The first run, and what later ones have of it unless they are asked for otherwise.
    pub run: RunPlan,
    /// How every board measures and guards.
    pub settings: BoardSettings,
    /// How long the first run lasts; the session ends with it.
    pub duration: Option<Duration>,
    /// Begin in standby, with no run.
    pub standby: bool,
}

/// A run that is over.
#[derive(Clone, Debug)]
pub struct Ended {
    /// What became of it.
    pub summary: RunSummary,
    /// Whether the guard opened the relay at any time in it.
    pub guard_tripped: bool,
    /// Whether another board stood where one of the run's was, at its end.
    pub another_board: bool,
}

/// Boards being served.
#[derive(Debug)]
pub struct Session {
    control: SessionControl,
    task: JoinHandle<()>,
}

impl Session {
    /// Brings the boards up and begins the first run, or stands by.
    ///
    /// When anything is wrong with a port or a board, nothing has been written.
    ///
    /// # Errors
    /// The first fault of a port, a board or the job folder.
    pub async fn start(
        plan: &Plan,
        open_job: impl FnOnce() -> Result<JobFolder, Fault>,
    ) -> Result<Self, Fault> {
        let start = Instant::now();
        let begun_ms = u64::try_from(Timestamp::now().as_millisecond()).unwrap_or_default();
        let hub = Arc::new(Hub::new(begun_ms));
        let stations = bring_up_all(plan, start, &hub).await?;
        let job = match open_job() {
            Ok(job) => job,
            Err(fault) => {
                for station in stations {
                    station.dismiss().await;
                }
                return Err(fault);
            }
        };
        let introductions = stations
            .iter()
            .filter_map(Station::introduction)
            .cloned()
            .collect();
        let mut commands = Vec::new();
        let mut boards = Vec::new();
        let mut tasks = Vec::new();
        for station in stations {
            let (sender, receiver) = mpsc::channel(COMMANDS_MAX);
            commands.push(sender);
            boards.push(station.live());
            tasks.push(tokio::spawn(station.run(receiver)));
        }
        let shared = Arc::new(Shared {
            start,
            commands,
            boards,
            job: job.path().to_owned(),
            hub,
            standing: Standing::default(),
            now: Mutex::default(),
            end: watch::Sender::new(None),
        });
        let (orders, receiver) = mpsc::channel(ORDERS_MAX);
        let mut work = Work::new(Arc::clone(&shared), plan.clone(), job);
        let begun = if plan.standby {
            work.stand_by().await;
            Ok(())
        } else {
            work.begin_first(introductions).await
        };
        if let Err(fault) = begun {
            work.stop_stations(tasks).await;
            return Err(fault);
        }
        let task = tokio::spawn(work.run(receiver, tasks));
        Ok(Self {
            control: SessionControl::new(shared, orders),
            task,
        })
    }

    /// Controls this session.
    #[must_use]
    pub fn control(&self) -> SessionControl {
        self.control.clone()
    }

    /// Ends the run there is, stops the boards and closes the ports; gives the runs that are over and were not taken by
    /// [`SessionControl::take_ended`].
    ///
    /// # Errors
    /// When the session's task has died.
    pub async fn close(self, reason: &str) -> Result<Vec<Ended>, Fault> {
        let died = || Fault::new(Exit::Failed, "the session", "it ended before it was closed");
        let (reply, done) = oneshot::channel();
        let order = Order::End {
            reason: reason.to_owned(),
            reply,
        };
        self.control.orders().send(order).await.map_err(|_| died())?;
        let outcome = done.await.map_err(|_| died())?;
        self.task.await.map_err(|_| died())?;
        outcome?;
        Ok(self.control.take_ended())
    }
}

/// What a new run is to be.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RunRequest {
    /// What for.
    pub kind: RunKind,
    /// How long; until it is stopped when not given.
    pub duration: Option<Duration>,
    /// Readings per second; as the session was started with, and 4000 for a power-up, when not given.
    pub rate_hz: Option<u32>,
}

/// Where the session's run is, for whoever shows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RunFacts {
    /// Its number within the job.
    pub number: u32,
    /// What for.
    pub kind: RunKind,
    /// Its folder.
    pub folder: PathBuf,
    /// When it began.
    pub started: Timestamp,
    /// How long is left of it; `None` when its length was not given.
    pub left: Option<Duration>,
}

impl RunNow {
    pub(super) fn facts(&self) -> RunFacts {
        RunFacts {
            number: self.number,
            kind: self.kind,
            folder: self.folder.clone(),
            started: self.started,
            left: self
                .duration
                .map(|duration| duration.saturating_sub(self.begun.elapsed())),
        }
    }
}

/// Asks a station for something and waits until it has done it; nothing when the station has ended.
pub(super) async fn ask<T>(
    commands: &mpsc::Sender<Command>,
    command: impl FnOnce(oneshot::Sender<T>) -> Command,
) -> Option<T> {
    let (reply, answer) = oneshot::channel();
    commands.send(command(reply)).await.ok()?;
    answer.await.ok()
}

pub(super) fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
