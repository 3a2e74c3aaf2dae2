//! A run in virtual time: the real firmware, the real conversation, the real recorder, and a clock that runs as fast as
//! they do. An overnight soak of a virtual bench takes seconds.

use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use jiff::Timestamp;
use steadybench_protocol::{FrameBuffer, ToBoard};
use steadybench_virtual::VirtualBoard;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::link::{Link, LinkEvent, SetUp};
use crate::live::{Hub, Standing, WhenBehind, start_analyst};
use crate::recorder::wire_log::{HostMarkKind, Record, Stamp};
use crate::recorder::{BoardIntroduction, JobFolder, RecordSink, Recorder, RunPlan, RunSummary, read_job};

use super::control::{Present, RunNow, SessionControl, Shared};
use super::frames::FrameCutter;
use super::showing::Showing;
use super::station::with_settings;

/// The bench goes forward by this much at a time; a message of the host waits for the next.
const STEP: Duration = Duration::from_millis(20);

/// And by this much when the host has said something, so that answers are stamped as finely as on a line.
const ANSWER_STEP: Duration = Duration::from_millis(1);

/// What is to be rehearsed.
#[derive(Clone, Debug)]
pub struct Rehearsal {
    /// The run.
    pub run: RunPlan,
    /// How long it lasts, in the bench's time.
    pub length: Duration,
    /// UTC of its beginning, in nanoseconds since 1970.
    pub begun_utc_ns: i64,
    /// The name its port is to have in the record.
    pub port: String,
    /// What the operator marks meanwhile, in order of time; times count from the run's beginning.
    pub marks: Vec<(Duration, HostMarkKind, String)>,
}

impl Rehearsal {
    /// Runs `board` and records it. `progress` is told the bench's time every so often.
    ///
    /// # Errors
    /// When the board refuses, or the job folder cannot be used.
    pub fn record(
        &self,
        board: &mut VirtualBoard,
        open_job: impl FnOnce() -> Result<JobFolder, Fault>,
        progress: impl FnMut(Duration),
    ) -> Result<RunSummary, Fault> {
        self.run(board, open_job, None, progress)
    }

    /// As [`Self::record`], and shown and examined as the collector does it: `show` is given the control of what looks
    /// like a session, which the page can be served from. Nobody obeys it.
    ///
    /// # Errors
    /// When the board refuses, or the job folder cannot be used.
    pub fn record_shown(
        &self,
        board: &mut VirtualBoard,
        open_job: impl FnOnce() -> Result<JobFolder, Fault>,
        show: impl FnOnce(SessionControl),
        progress: impl FnMut(Duration),
    ) -> Result<RunSummary, Fault> {
        self.run(board, open_job, Some(Box::new(show)), progress)
    }

    fn run(
        &self,
        board: &mut VirtualBoard,
        open_job: impl FnOnce() -> Result<JobFolder, Fault>,
        show: Option<Box<dyn FnOnce(SessionControl) + '_>>,
        mut progress: impl FnMut(Duration),
    ) -> Result<RunSummary, Fault> {
        let hub = Arc::new(Hub::new(0));
        let mut hall = Hall {
            rehearsal: self,
            began: board.now(),
            link: Link::new(Duration::ZERO),
            cutter: FrameCutter::default(),
            frames: FrameBuffer::new(),
            held: vec![],
            sink: None,
            showing: show
                .is_some()
                .then(|| Showing::new(self.port.clone(), None, Arc::clone(&hub))),
        };
        board.set_port_open(true);
        hall.record_one(Record::Opened {
            at: hall.stamp(board),
            port: self.port.clone(),
        });
        let introduction = hall.bring_up(board)?;
        let job = open_job()?;
        let (recorder, sinks) = Recorder::start(job.clone(), &self.run, vec![introduction])?;
        if let Some(show) = show {
            show(hall.show_as(&job, &recorder, hub)?);
        }
        hall.give_to(sinks);
        let begun = board.now();
        let mut marks = self.marks.iter().peekable();
        while board.now() - begun < self.length {
            while let Some((_, kind, label)) = marks.next_if(|(then, ..)| *then <= board.now() - begun) {
                hall.record_one(Record::HostMark {
                    at: hall.stamp(board),
                    kind: *kind,
                    label: label.clone(),
                });
            }
            hall.step(board);
            while hall.link.next_event().is_some() {}
            progress(board.now() - begun);
        }
        let now = hall.now(board);
        hall.link.stop(now);
        hall.until(board, |event| matches!(event, LinkEvent::Stopped))?;
        board.set_port_open(false);
        drop(hall);
        recorder.close("the time given is over")
    }
}

struct Hall<'a> {
    rehearsal: &'a Rehearsal,
    began: Duration,
    link: Link,
    cutter: FrameCutter,
    frames: FrameBuffer,
    held: Vec<Record>,
    sink: Option<RecordSink>,
    showing: Option<Showing>,
}

impl Hall<'_> {
    /// Begins the examination, and gives the control of it all.
    fn show_as(
        &mut self,
        job: &JobFolder,
        recorder: &Recorder,
        hub: Arc<Hub>,
    ) -> Result<SessionControl, Fault> {
        let kind = self.rehearsal.run.kind;
        let standing = Standing::default();
        let known = read_job(job.path()).unwrap_or_default();
        let (told, shown) = (Arc::clone(&hub), Arc::clone(&standing));
        let entrances = start_analyst(recorder.number(), kind, 1, &known, told, shown, WhenBehind::Wait)
            .map_err(|error| Fault::new(Exit::Failed, "the examination's thread", error.to_string()))?;
        let entrance = entrances.into_iter().next();
        let mut boards = Vec::new();
        if let Some(showing) = &mut self.showing {
            showing.examine_by(entrance.map(Box::new));
            showing.lock_live().measuring = true;
            boards.push(showing.live());
        }
        let run = RunNow {
            number: recorder.number(),
            kind,
            folder: recorder.folder().to_owned(),
            started: Timestamp::now(),
            begun: Instant::now(),
            duration: None,
            ends_session: false,
            recorder: recorder.status(),
        };
        let shared = Shared {
            start: Instant::now(),
            commands: Vec::new(),
            boards,
            job: job.path().to_owned(),
            hub,
            standing,
            now: Mutex::new(Present {
                run: Some(run),
                ..Present::default()
            }),
            end: tokio::sync::watch::Sender::new(None),
        };
        // Nobody takes orders: whoever gives one is told that the session is over.
        let (orders, _) = tokio::sync::mpsc::channel(1);
        Ok(SessionControl::new(Arc::new(shared), orders))
    }

    fn now(&self, board: &VirtualBoard) -> Duration {
        board.now() - self.began
    }

    fn stamp(&self, board: &VirtualBoard) -> Stamp {
        let since_ns = u64::try_from(self.now(board).as_nanos()).unwrap_or(u64::MAX);
        Stamp {
            monotonic_ns: since_ns,
            utc_ns: self.rehearsal.begun_utc_ns.saturating_add_unsigned(since_ns),
        }
    }

    fn record_one(&mut self, record: Record) {
        if self.sink.is_some()
            && let Some(showing) = &mut self.showing
        {
            let found = showing.take(&record);
            showing.tell(found, None);
        }
        match &mut self.sink {
            Some(sink) => sink.push_and_wait(record),
            None => self.held.push(record),
        }
    }

    fn give_to(&mut self, sinks: Vec<RecordSink>) {
        self.sink = sinks.into_iter().next();
        for record in std::mem::take(&mut self.held) {
            self.record_one(record);
        }
    }

    fn bring_up(&mut self, board: &mut VirtualBoard) -> Result<BoardIntroduction, Fault> {
        let configure = self.rehearsal.run.configure;
        let mut introduction = None;
        self.link.opened(Duration::ZERO);
        loop {
            self.step(board);
            match self.link.next_event() {
                Some(LinkEvent::Greeted { hello, .. }) => {
                    let now = self.now(board);
                    self.link.set_up(
                        now,
                        SetUp {
                            configure,
                            guard: None,
                        },
                    );
                    introduction = Some(BoardIntroduction {
                        port: self.rehearsal.port.clone(),
                        hello: with_settings(&hello, &configure),
                        guard: None,
                    });
                }
                Some(LinkEvent::Started) => {
                    if let Some(introduction) = introduction.take() {
                        return Ok(introduction);
                    }
                }
                Some(other) => return Err(unexpected(&other)),
                None => {}
            }
        }
    }

    fn until(&mut self, board: &mut VirtualBoard, reached: impl Fn(&LinkEvent) -> bool) -> Result<(), Fault> {
        loop {
            self.step(board);
            match self.link.next_event() {
                Some(event) if reached(&event) => return Ok(()),
                Some(other) => return Err(unexpected(&other)),
                None => {}
            }
        }
    }

    /// One step: what the host has to say, what the board makes of it, and what comes back.
    fn step(&mut self, board: &mut VirtualBoard) {
        let mut sent = Vec::new();
        let before = self.stamp(board);
        while let Some(message) = self.link.next_message() {
            let message = match message {
                ToBoard::TimeRequest(mut request) => {
                    request.host_send_ns = before.monotonic_ns;
                    self.record_one(Record::TimeSent {
                        number: request.number,
                        at: before,
                    });
                    ToBoard::TimeRequest(request)
                }
                other => {
                    let body = postcard::to_stdvec(&other).unwrap_or_default();
                    self.record_one(Record::Sent {
                        at_ns: before.monotonic_ns,
                        body,
                    });
                    other
                }
            };
            sent.extend_from_slice(self.frames.encode(&message).unwrap_or_default());
        }
        // The host's bytes arrive at the end of the interval handed to the board, so a message goes in with no time
        // passing and the board's answer comes out of the step behind it.
        let now = board.now();
        let mut bytes = board.advance(now, &sent);
        let step = if sent.is_empty() { STEP } else { ANSWER_STEP };
        bytes.extend(board.advance(now + step, &[]));
        let after = self.stamp(board);
        let frames = self.cutter.take(&bytes);
        self.link
            .receive(Duration::from_nanos(after.monotonic_ns), &bytes);
        let key = self.link.took_key_message();
        if !frames.is_empty() {
            self.record_one(Record::received(after.into(), frames, key));
        }
        self.link.tick(Duration::from_nanos(after.monotonic_ns));
    }
}

fn unexpected(event: &LinkEvent) -> Fault {
    Fault::new(
        Exit::Refused,
        "the virtual board",
        format!("it answered {event:?}"),
    )
}
