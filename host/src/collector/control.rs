//! Who controls a session: the page, the commands, the terminal.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use tokio::sync::{mpsc, oneshot, watch};

use crate::clock::HostTime;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::live::{Hub, LiveBoard, Standing, StandingView};
use crate::recorder::{HostMarkKind, RecorderStatus, RunKind, Stamp};

use super::session::{Ended, RunFacts, RunRequest, lock};
use super::station::Command;

/// Longest label of a mark, in characters.
const LABEL_MAX: usize = 200;

/// What the session's task is told.
#[derive(Debug)]
pub(super) enum Order {
    Begin {
        request: RunRequest,
        reply: oneshot::Sender<Result<RunFacts, Fault>>,
    },
    Stop {
        reply: oneshot::Sender<Result<(), Fault>>,
    },
    End {
        reason: String,
        reply: oneshot::Sender<Result<(), Fault>>,
    },
}

/// The run being recorded.
#[derive(Clone, Debug)]
pub(super) struct RunNow {
    pub(super) number: u32,
    pub(super) kind: RunKind,
    pub(super) folder: PathBuf,
    pub(super) started: Timestamp,
    pub(super) begun: Instant,
    pub(super) duration: Option<Duration>,
    /// Whether the session ends when its time is over.
    pub(super) ends_session: bool,
    pub(super) recorder: Arc<Mutex<RecorderStatus>>,
}

/// What changes while a session lasts.
#[derive(Debug, Default)]
pub(super) struct Present {
    pub(super) run: Option<RunNow>,
    pub(super) place: String,
    pub(super) ended: Vec<Ended>,
}

/// What everybody who controls a session sees.
#[derive(Debug)]
pub(super) struct Shared {
    pub(super) start: Instant,
    pub(super) commands: Vec<mpsc::Sender<Command>>,
    pub(super) boards: Vec<Arc<Mutex<LiveBoard>>>,
    pub(super) job: PathBuf,
    pub(super) hub: Arc<Hub>,
    pub(super) standing: Standing,
    pub(super) now: Mutex<Present>,
    pub(super) end: watch::Sender<Option<&'static str>>,
}

/// Controls a session; cheap to clone, as every request of the page does.
#[derive(Clone, Debug)]
pub struct SessionControl {
    shared: Arc<Shared>,
    orders: mpsc::Sender<Order>,
}

impl SessionControl {
    pub(super) const fn new(shared: Arc<Shared>, orders: mpsc::Sender<Order>) -> Self {
        Self { shared, orders }
    }

    pub(super) const fn orders(&self) -> &mpsc::Sender<Order> {
        &self.orders
    }

    /// Ends the run there is and begins the next; gives it once it records.
    ///
    /// # Errors
    /// The first fault of a port, a board or the job folder; then the session stands by.
    pub async fn begin_run(&self, request: RunRequest) -> Result<RunFacts, Fault> {
        let (reply, answer) = oneshot::channel();
        self.orders
            .send(Order::Begin { request, reply })
            .await
            .map_err(|_| over())?;
        answer.await.map_err(|_| over())?
    }

    /// Ends the run there is; the session stands by.
    ///
    /// # Errors
    /// [`Exit::Usage`] when no run is being recorded, [`Exit::NoCollector`] when the session is over.
    pub async fn stop_run(&self) -> Result<(), Fault> {
        let (reply, answer) = oneshot::channel();
        self.orders
            .send(Order::Stop { reply })
            .await
            .map_err(|_| over())?;
        answer.await.map_err(|_| over())?
    }

    /// Asks the session to end, and with it the program.
    pub fn end(&self, reason: &'static str) {
        self.shared.end.send_if_modified(|end| {
            let first = end.is_none();
            end.get_or_insert(reason);
            first
        });
    }

    /// Returns when somebody has asked the session to end, or its time is over; gives why.
    pub async fn ended(&self) -> &'static str {
        let mut receiver = self.shared.end.subscribe();
        let reason = receiver.wait_for(Option::is_some).await;
        reason
            .ok()
            .and_then(|reason| *reason)
            .unwrap_or("the session is over")
    }

    /// Runs that are over since this was last asked.
    #[must_use]
    pub fn take_ended(&self) -> Vec<Ended> {
        std::mem::take(&mut self.now().ended)
    }

    /// Marks this instant on every board's time line. A tap without a label is at the place chosen last.
    ///
    /// # Errors
    /// [`Exit::Usage`] when the label is longer than 200 characters or holds control characters, when a tap has neither
    /// label nor place, or when no run is being recorded.
    pub fn mark(&self, kind: HostMarkKind, label: &str) -> Result<Stamp, Fault> {
        let at: Stamp = HostTime::now(self.shared.start).into();
        let place;
        let label = if label.is_empty() && kind == HostMarkKind::Tap {
            place = self.place();
            if place.is_empty() {
                return Err(Fault::usage("the tap", "it names no place, and none was chosen")
                    .remedy("choose the place that is being tapped first"));
            }
            &place
        } else {
            label
        };
        check_label(label)?;
        if self.now().run.is_none() {
            return Err(Fault::usage("the mark", "no run is being recorded").remedy("begin a run first"));
        }
        self.mark_all(at, kind, label)?;
        Ok(at)
    }

    /// Chooses the place that is being tapped: taps of the foot switch, and taps without a label, are at it from now on,
    /// also in later runs.
    ///
    /// # Errors
    /// [`Exit::Usage`] when the place is longer than 200 characters or holds control characters.
    pub fn choose_place(&self, place: &str) -> Result<(), Fault> {
        check_label(place)?;
        let at: Stamp = HostTime::now(self.shared.start).into();
        let recording = {
            let mut now = self.now();
            place.clone_into(&mut now.place);
            now.run.is_some()
        };
        if recording && !place.is_empty() {
            self.mark_all(at, HostMarkKind::Place, place)?;
        }
        Ok(())
    }

    /// The place that is being tapped; empty when none was chosen.
    #[must_use]
    pub fn place(&self) -> String {
        self.now().place.clone()
    }

    fn mark_all(&self, at: Stamp, kind: HostMarkKind, label: &str) -> Result<(), Fault> {
        let mut given = false;
        for commands in &self.shared.commands {
            let label = label.to_owned();
            given |= commands.try_send(Command::Mark { at, kind, label }).is_ok();
        }
        if given { Ok(()) } else { Err(over()) }
    }

    /// Has every board's guard close the supply relay again.
    ///
    /// # Errors
    /// [`Exit::NoCollector`] when the session is over.
    pub fn rearm(&self) -> Result<(), Fault> {
        let given = self
            .shared
            .commands
            .iter()
            .filter(|commands| commands.try_send(Command::Rearm).is_ok());
        if given.count() > 0 { Ok(()) } else { Err(over()) }
    }

    /// The boards' present states.
    #[must_use]
    pub fn boards(&self) -> Vec<LiveBoard> {
        self.each_board(|board| board.clone())
    }

    /// What `look` says of each board, one at a time.
    pub fn each_board<T>(&self, mut look: impl FnMut(&mut LiveBoard) -> T) -> Vec<T> {
        self.shared
            .boards
            .iter()
            .map(|board| look(&mut lock(board)))
            .collect()
    }

    /// How the recorder is doing; as one that has nothing to do in standby.
    #[must_use]
    pub fn recorder(&self) -> RecorderStatus {
        let recorder = self.now().run.as_ref().map(|run| Arc::clone(&run.recorder));
        recorder.map_or_else(RecorderStatus::default, |status| lock(&status).clone())
    }

    /// The run being recorded; `None` in standby.
    #[must_use]
    pub fn run(&self) -> Option<RunFacts> {
        self.now().run.as_ref().map(RunNow::facts)
    }

    /// The job folder.
    #[must_use]
    pub fn job(&self) -> &Path {
        &self.shared.job
    }

    /// Where what happens is told.
    #[must_use]
    pub fn hub(&self) -> &Arc<Hub> {
        &self.shared.hub
    }

    /// What the examination of the present run, or of the last, says.
    #[must_use]
    pub fn standing(&self) -> StandingView {
        lock(&self.shared.standing).clone()
    }

    fn now(&self) -> MutexGuard<'_, Present> {
        lock(&self.shared.now)
    }
}

fn check_label(label: &str) -> Result<(), Fault> {
    if label.chars().count() > LABEL_MAX || label.chars().any(char::is_control) {
        return Err(Fault::usage(
            "the mark's label",
            format!("it has more than {LABEL_MAX} characters, or some that cannot be printed"),
        ));
    }
    Ok(())
}

pub(super) fn over() -> Fault {
    Fault::new(Exit::NoCollector, "the session", "it is over")
}
