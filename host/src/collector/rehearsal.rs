//! A run in virtual time: the real firmware, the real conversation, the real recorder, and a clock that runs as fast as
//! they do. An overnight soak of a virtual bench takes seconds.

use std::time::Duration;

use steadybench_protocol::{FrameBuffer, ToBoard};
use steadybench_virtual::VirtualBoard;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::link::{Link, LinkEvent, SetUp};
use crate::recorder::wire_log::{Record, Stamp};
use crate::recorder::{BoardIntroduction, JobFolder, RecordSink, Recorder, RunPlan, RunSummary};

use super::frames::FrameCutter;
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
        mut progress: impl FnMut(Duration),
    ) -> Result<RunSummary, Fault> {
        let mut hall = Hall {
            rehearsal: self,
            began: board.now(),
            link: Link::new(Duration::ZERO),
            cutter: FrameCutter::default(),
            frames: FrameBuffer::new(),
            held: vec![],
            sink: None,
        };
        board.set_port_open(true);
        hall.record_one(Record::Opened {
            at: hall.stamp(board),
            port: self.port.clone(),
        });
        let introduction = hall.bring_up(board)?;
        let (recorder, sinks) = Recorder::start(open_job()?, &self.run, vec![introduction])?;
        hall.give_to(sinks);
        let begun = board.now();
        while board.now() - begun < self.length {
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
}

impl Hall<'_> {
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
