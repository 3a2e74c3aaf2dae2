//! The examination of a run while it is recorded: on a thread of its own behind a bounded queue, so that no arithmetic
//! holds up a board. What it says is published when it changes, and kept for whoever asks late.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use schemars::JsonSchema;
use serde::Serialize;
use steadybench_analysis::fuse::{FuseMarking, parse_marking};
use steadybench_analysis::power_up::{CaptureState, PowerUpExamination, PowerUpSettings};
use steadybench_analysis::sample::{Mark, Sample};
use steadybench_analysis::soak::{SoakExamination, SoakSettings};
use steadybench_analysis::tap::{TapExamination, TapSettings};
use steadybench_analysis::twins::{TwinExamination, TwinSettings};

use crate::examine::run_folder::mark_of;
use crate::recorder::{Job, RunKind};
use crate::references::{self, Reference};
use crate::stream::Output;
use crate::units::Units;

use super::hub::Hub;
use super::standing::{PowerUpView, SoakView, TapView, TwinRunView};
use super::{Detected, sample_of};

/// Batches of readings that the thread may be behind with: at 1000 readings/s a minute and more.
const QUEUE_MAX: usize = 4_096;

/// The same for boards that wait.
const QUEUE_OF_WAITING_MAX: usize = 64;

/// What becomes of readings while the thread is behind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhenBehind {
    /// The examination misses them, and says so: no board is held up.
    Miss,
    /// They wait for room: for runs in virtual time, whose boards can be held up.
    Wait,
}

/// Looks at a soak may take this share of the time.
const SOAK_SHARE: u32 = 50;

/// Faults whose kind may still be revised.
const FAULTS_MAX: usize = 10_000;

/// What each board's examination said last.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct StandingView {
    /// The run's number; `null` when no run was recorded yet.
    pub run: Option<u32>,
    /// Tap runs.
    pub standing: Vec<TapView>,
    /// Soaks.
    pub soak: Vec<SoakView>,
    /// Power-ups.
    pub power_up: Vec<PowerUpView>,
    /// Twins.
    pub twins: Vec<TwinRunView>,
    /// Readings that the examination did not see because this computer was too slow; the recording has them.
    pub readings_missed: u64,
}

/// What the examinations say now.
pub type Standing = Arc<Mutex<StandingView>>;

enum Feed {
    Samples(usize, Vec<Sample>),
    Mark(usize, Mark),
    Fault(usize, u64, bool),
    Board(usize, String, Option<[f64; 2]>),
}

/// One board's entrance to the thread.
pub struct Analyst {
    board: usize,
    sender: SyncSender<Feed>,
    samples: Vec<Sample>,
    missed: Arc<AtomicU64>,
    foot_switch_place: String,
    when_behind: WhenBehind,
}

impl std::fmt::Debug for Analyst {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Analyst")
            .field("board", &self.board)
            .finish_non_exhaustive()
    }
}

impl Analyst {
    /// Takes what the stream gave; readings wait for [`Self::give`].
    pub fn take(&mut self, output: &Output) {
        match output {
            Output::Reading(reading) => self.samples.extend(sample_of(reading)),
            Output::Mark(row) => {
                self.give();
                if let Some(mark) = mark_of(row, &mut self.foot_switch_place) {
                    self.send(Feed::Mark(self.board, mark));
                }
            }
            Output::Board { hello, units } => {
                let serial = crate::recorder::serial_digits(hello);
                self.send(Feed::Board(self.board, serial, Some(full_scale_a(units))));
            }
            _ => {}
        }
    }

    /// Takes what the detector found.
    pub fn take_event(&mut self, detected: &Detected) {
        let event = &detected.event;
        self.send(Feed::Fault(self.board, event.id, event.kind.is_fault()));
    }

    /// Gives the readings taken so far to the thread.
    pub fn give(&mut self) {
        if !self.samples.is_empty() {
            let samples = std::mem::take(&mut self.samples);
            self.send(Feed::Samples(self.board, samples));
        }
    }

    fn send(&self, feed: Feed) {
        if self.when_behind == WhenBehind::Wait {
            // A thread that has died has nothing to say.
            let _ = self.sender.send(feed);
            return;
        }
        if let Err(refused) = self.sender.try_send(feed) {
            let (std::sync::mpsc::TrySendError::Full(feed)
            | std::sync::mpsc::TrySendError::Disconnected(feed)) = refused;
            if let Feed::Samples(_, samples) = feed {
                self.missed.fetch_add(samples.len() as u64, Ordering::Relaxed);
            }
        }
    }
}

fn full_scale_a(units: &Units) -> [f64; 2] {
    units
        .channels
        .map(|scale| scale.current_a(steadybench_protocol::limits::CURRENT_CODE_MAX))
}

/// Starts the thread for a run of `boards` boards. It ends when every entrance is dropped.
///
/// # Errors
/// When the system gives no thread.
pub fn start_analyst(
    run: u32,
    kind: RunKind,
    boards: usize,
    job: &Job,
    hub: Arc<Hub>,
    standing: Standing,
    when_behind: WhenBehind,
) -> std::io::Result<Vec<Analyst>> {
    let (sender, receiver) = sync_channel(match when_behind {
        WhenBehind::Miss => QUEUE_MAX,
        WhenBehind::Wait => QUEUE_OF_WAITING_MAX,
    });
    let missed = Arc::new(AtomicU64::new(0));
    let entrances = (0..boards)
        .map(|board| Analyst {
            board,
            sender: sender.clone(),
            samples: Vec::new(),
            missed: Arc::clone(&missed),
            foot_switch_place: "foot switch".to_owned(),
            when_behind,
        })
        .collect();
    *standing.lock().unwrap_or_else(PoisonError::into_inner) = StandingView {
        run: Some(run),
        ..StandingView::default()
    };
    let mut work = Work {
        run,
        kind,
        fuse: parse_marking(&job.marked_fuse).ok(),
        // A reference that cannot be read is told by the commands that keep it.
        reference: references::store::folder()
            .and_then(|folder| references::store::find(&folder, &job.unit))
            .ok()
            .flatten(),
        seats: (0..boards).map(|_| Seat::new(kind)).collect(),
        hub,
        standing,
        missed,
    };
    std::thread::Builder::new()
        .name("analyst".into())
        .spawn(move || work.run(&receiver))?;
    Ok(entrances)
}

enum Examination {
    Tap(Box<TapExamination>),
    Soak(Box<SoakExamination>),
    PowerUp(Box<PowerUpExamination>),
    Twins(Box<TwinExamination>),
    None,
}

/// One board being examined.
struct Seat {
    examination: Examination,
    serial: String,
    elapsed_s: f64,
    faults: BTreeMap<u64, bool>,
    /// Faults before those.
    settled_faults: u64,
    dirty: bool,
    look_at: Instant,
    /// What was told last, so that only changes are.
    told: String,
    states: [CaptureState; 2],
}

impl Seat {
    fn new(kind: RunKind) -> Self {
        let examination = match kind {
            RunKind::Tap => Examination::Tap(Box::new(TapExamination::new(TapSettings::default(), &[]))),
            RunKind::Soak => {
                Examination::Soak(Box::new(SoakExamination::new(SoakSettings::while_it_lasts())))
            }
            RunKind::PowerUp => {
                Examination::PowerUp(Box::new(PowerUpExamination::new(PowerUpSettings::default())))
            }
            RunKind::Twins => Examination::Twins(Box::new(TwinExamination::new(TwinSettings::default()))),
            RunKind::Free => Examination::None,
        };
        Self {
            examination,
            serial: String::new(),
            elapsed_s: 0.0,
            faults: BTreeMap::new(),
            settled_faults: 0,
            dirty: true,
            look_at: Instant::now(),
            told: String::new(),
            states: [CaptureState::Waiting; 2],
        }
    }

    fn take(&mut self, feed: Feed) {
        match feed {
            Feed::Samples(_, samples) => {
                for sample in &samples {
                    self.elapsed_s = sample.time_s;
                    match &mut self.examination {
                        Examination::Tap(examination) => examination.push(sample),
                        Examination::Soak(examination) => examination.push(sample),
                        Examination::PowerUp(examination) => examination.push(sample),
                        Examination::Twins(examination) => examination.push(sample),
                        Examination::None => {}
                    }
                }
                // Places change with taps and events, all else with every reading.
                self.dirty |= !matches!(self.examination, Examination::Tap(_) | Examination::None);
            }
            Feed::Mark(_, mark) => {
                if let Examination::Tap(examination) = &mut self.examination {
                    examination.mark(&mark);
                    self.dirty = true;
                }
            }
            Feed::Fault(_, id, is_fault) => {
                self.faults.insert(id, is_fault);
                if self.faults.len() > FAULTS_MAX
                    && let Some((_, is_fault)) = self.faults.pop_first()
                {
                    self.settled_faults += u64::from(is_fault);
                }
                self.dirty = true;
            }
            Feed::Board(_, serial, full_scale_a) => {
                self.serial = serial;
                // The range is the board's; a capture that has begun keeps what it began with.
                if let (Examination::PowerUp(examination), Some(full_scale_a)) =
                    (&mut self.examination, full_scale_a)
                    && self.elapsed_s == 0.0
                {
                    **examination = PowerUpExamination::new(PowerUpSettings {
                        full_scale_a: full_scale_a.map(Some),
                        ..PowerUpSettings::default()
                    });
                }
            }
        }
    }
}

struct Work {
    run: u32,
    kind: RunKind,
    fuse: Option<FuseMarking>,
    reference: Option<Reference>,
    seats: Vec<Seat>,
    hub: Arc<Hub>,
    standing: Standing,
    missed: Arc<AtomicU64>,
}

impl Work {
    fn run(&mut self, receiver: &Receiver<Feed>) {
        loop {
            match receiver.recv_timeout(Duration::from_millis(100)) {
                Ok(feed) => {
                    let (Feed::Samples(board, _)
                    | Feed::Mark(board, _)
                    | Feed::Fault(board, ..)
                    | Feed::Board(board, ..)) = &feed;
                    let board = *board;
                    self.seats[board].take(feed);
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            for board in 0..self.seats.len() {
                if self.seats[board].dirty && self.seats[board].look_at <= Instant::now() {
                    self.look(board);
                }
            }
        }
        // The last word on a run that is over.
        for board in 0..self.seats.len() {
            self.look(board);
        }
    }

    fn look(&mut self, board: usize) {
        let begun = Instant::now();
        let (run, seat) = (self.run, &mut self.seats[board]);
        seat.dirty = false;
        let missed = self.missed.load(Ordering::Relaxed);
        keep(&self.standing, run, |kept| kept.readings_missed = missed);
        let serial = seat.serial.clone();
        let (hub, told) = (&self.hub, &mut seat.told);
        let period = match &seat.examination {
            Examination::None => return,
            Examination::Tap(examination) => {
                let view = TapView::of(run, &serial, &examination.standing());
                keep(&self.standing, run, |kept| {
                    put(&mut kept.standing, view.clone(), |view| view.board == serial);
                });
                tell(hub, told, "standing", &view);
                Duration::from_millis(250)
            }
            Examination::Soak(examination) => {
                let faults = seat.faults.values().filter(|is_fault| **is_fault).count() as u64;
                let faults = seat.settled_faults + faults;
                let view = SoakView::of(run, &serial, seat.elapsed_s, &examination.standing(), faults);
                keep(&self.standing, run, |kept| {
                    put(&mut kept.soak, view.clone(), |view| view.board == serial);
                });
                tell(hub, told, "soak", &view);
                (begun.elapsed() * SOAK_SHARE).max(Duration::from_secs(5))
            }
            Examination::PowerUp(examination) => {
                let states = examination.state();
                // Before the switch-on there is nothing to find, and after the figures stand they are made once.
                let waiting = states.iter().all(|state| matches!(state, CaptureState::Waiting));
                if states != seat.states || told.is_empty() || !waiting && !all_captured(&states) {
                    let findings = (!waiting).then(|| examination.findings());
                    let view = PowerUpView::of(
                        run,
                        &serial,
                        states,
                        findings.as_ref(),
                        self.fuse.as_ref(),
                        self.reference.as_ref(),
                    );
                    keep(&self.standing, run, |kept| {
                        put(&mut kept.power_up, view.clone(), |view| view.board == serial);
                    });
                    tell(hub, told, "power_up", &view);
                    seat.states = states;
                }
                (begun.elapsed() * 10).max(Duration::from_millis(200))
            }
            Examination::Twins(examination) => {
                let view = TwinRunView::of(run, &serial, &examination.standing());
                keep(&self.standing, run, |kept| {
                    put(&mut kept.twins, view.clone(), |view| view.board == serial);
                });
                tell(hub, told, "twins", &view);
                (begun.elapsed() * SOAK_SHARE).max(Duration::from_secs(1))
            }
        };
        seat.look_at = Instant::now() + period;
        debug_assert!(self.kind != RunKind::Free);
    }
}

fn all_captured(states: &[CaptureState; 2]) -> bool {
    states
        .iter()
        .all(|state| matches!(state, CaptureState::Captured { .. }))
}

/// Changes what is kept for whoever asks late, before the same is published: one who watches first and then asks misses
/// nothing. The last word of a run that is over does not get in among those of the next.
fn keep(standing: &Mutex<StandingView>, run: u32, change: impl FnOnce(&mut StandingView)) {
    let mut kept = standing.lock().unwrap_or_else(PoisonError::into_inner);
    if kept.run == Some(run) {
        change(&mut kept);
    }
}

/// Publishes what is not what was told last.
fn tell<T: Serialize>(hub: &Hub, told: &mut String, name: &'static str, view: &T) {
    let now = serde_json::to_string(view).unwrap_or_default();
    if *told != now {
        *told = now;
        hub.publish(name, view);
    }
}

fn put<T>(views: &mut Vec<T>, view: T, is_of: impl Fn(&T) -> bool) {
    match views.iter_mut().find(|view| is_of(view)) {
        Some(place) => *place = view,
        None => views.push(view),
    }
}
