//! The conversation against a board on a line that loses what it is told to lose. Time is the test's.

use std::time::Duration;

use steadybench_protocol::{
    Command, FrameBuffer, FromBoard, GuardLimits, GuardState, Refusal, RefusalReason, TimeReply, ToBoard,
};

use super::{Link, LinkEvent, SetUp};
use crate::recorder::testing::{RecordedBoard, configure, health, hello};

const STEP: Duration = Duration::from_millis(10);

/// A board that answers at once, and forgets the commands that `loses` names by their number.
struct Bench {
    now: Duration,
    link: Link,
    board_boot: u32,
    running: bool,
    guarded: bool,
    next_index: u64,
    commands: u32,
    loses: fn(u32) -> bool,
    frames: FrameBuffer,
    log: Vec<String>,
}

impl Bench {
    fn new(loses: fn(u32) -> bool) -> Self {
        Self {
            now: Duration::ZERO,
            link: Link::new(Duration::ZERO),
            board_boot: 1,
            running: false,
            guarded: false,
            next_index: 0,
            commands: 0,
            loses,
            frames: FrameBuffer::new(),
            log: Vec::new(),
        }
    }

    fn receive(&mut self, message: &FromBoard) {
        let bytes = self.frames.encode(message).unwrap().to_vec();
        self.link.receive(self.now, &bytes);
    }

    fn answer(&mut self, message: &ToBoard) {
        let mut state = health(self.next_index, self.running);
        if self.guarded {
            state.guard = GuardState::Armed;
        }
        let answer = match message {
            ToBoard::HelloRequest | ToBoard::Configure(_) => {
                let mut hello = hello(self.board_boot);
                hello.running = self.running;
                FromBoard::Hello(hello)
            }
            ToBoard::Start => {
                self.running = true;
                state.running = true;
                FromBoard::Health(state)
            }
            ToBoard::Stop => {
                self.running = false;
                state.running = false;
                FromBoard::Health(state)
            }
            ToBoard::TimeRequest(request) => FromBoard::Time(TimeReply {
                number: request.number,
                host_send_ns: request.host_send_ns,
                board_receive: state.time,
                board_send: state.time,
            }),
            ToBoard::GuardLimits(limits) => {
                self.guarded = limits.acts();
                state.guard = if self.guarded {
                    GuardState::Armed
                } else {
                    GuardState::Off
                };
                FromBoard::Health(state)
            }
            ToBoard::Rearm => FromBoard::Refusal(Refusal {
                command: Command::Rearm,
                reason: RefusalReason::NotTripped,
            }),
            ToBoard::Identify => FromBoard::Health(state),
        };
        self.receive(&answer);
    }

    /// Lets `steps` times 10 ms pass; gives the events.
    fn run(&mut self, steps: u32) -> Vec<LinkEvent> {
        let mut events = Vec::new();
        for _ in 0..steps {
            self.link.tick(self.now);
            while let Some(message) = self.link.next_message() {
                self.log.push(format!("{:?}", message.command()));
                let lost = (self.loses)(self.commands);
                self.commands += 1;
                if !lost {
                    self.answer(&message);
                }
            }
            while let Some(event) = self.link.next_event() {
                events.push(event);
            }
            assert!(
                self.link.next_deadline() >= self.now,
                "a deadline that has passed was not acted on"
            );
            self.now += STEP;
        }
        events
    }

    /// As [`Self::run`], but no further than the first event.
    fn run_to_event(&mut self, steps: u32) -> Vec<LinkEvent> {
        (0..steps)
            .map(|_| self.run(1))
            .find(|events| !events.is_empty())
            .unwrap_or_default()
    }

    fn greet_and_start(&mut self, steps: u32) {
        let events = self.run_to_event(steps);
        assert!(
            matches!(&events[..], [LinkEvent::Greeted { goes_on: false, .. }]),
            "{events:?}"
        );
        self.link.set_up(self.now, set_up());
        assert_eq!(self.run_to_event(steps), [LinkEvent::Started]);
        assert!(self.link.is_running());
    }
}

fn set_up() -> SetUp {
    SetUp {
        configure: configure(),
        guard: None,
    }
}

#[test]
fn a_board_is_greeted_stopped_timed_configured_and_started() {
    let mut bench = Bench::new(|_| false);
    bench.greet_and_start(5);
    let times = ["TimeRequest"; 8];
    let expected = [&["HelloRequest", "Stop"][..], &times, &["Configure", "Start"]].concat();
    assert_eq!(bench.log, expected);
}

#[test]
fn every_command_is_repeated_until_it_is_answered() {
    // Of each three messages two are lost.
    let mut bench = Bench::new(|number| number % 3 != 2);
    bench.greet_and_start(2000);
}

#[test]
fn a_board_that_never_answers_is_silent_after_three_seconds() {
    let mut bench = Bench::new(|_| true);
    assert_eq!(bench.run(299), []);
    assert_eq!(bench.run(5), [LinkEvent::Silent { bytes: 0, frames: 0 }]);
    assert_eq!(bench.log.len(), 6);
    assert_eq!(bench.run(1000), [], "it is said once");
}

#[test]
fn bytes_that_are_no_frames_are_counted_and_answer_nothing() {
    let mut bench = Bench::new(|_| true);
    bench.link.receive(Duration::ZERO, b"login: ");
    bench.link.receive(Duration::ZERO, &[0, 1, 2, 3, 0]);
    assert_eq!(bench.run(310), [LinkEvent::Silent { bytes: 12, frames: 0 }]);
}

#[test]
fn another_version_is_told_whatever_follows_it_in_its_hello() {
    let mut bench = Bench::new(|_| true);
    // Variant 0, version 9 as varints, and a rest that this version has no name for.
    let body = [0_u8, 9, 0xde, 0xad, 0xbe, 0xef];
    let crc = crc32fast::hash(&body);
    let mut frame = cobs_of(&[&body[..], &crc.to_le_bytes()].concat());
    frame.push(0);
    bench.link.receive(Duration::ZERO, &frame);
    assert_eq!(bench.run(1), [LinkEvent::OtherVersion(9)]);
}

/// COBS of fewer than 254 bytes, by its definition (Cheshire and Baker 1999): each zero becomes the distance to the
/// next.
fn cobs_of(bytes: &[u8]) -> Vec<u8> {
    let mut out = Vec::new();
    for piece in bytes.split(|byte| *byte == 0) {
        out.push(piece.len() as u8 + 1);
        out.extend_from_slice(piece);
    }
    out
}

#[test]
fn while_running_time_is_asked_each_second_and_silence_is_told() {
    let mut bench = Bench::new(|_| false);
    bench.greet_and_start(5);
    let before = bench.log.len();
    assert_eq!(bench.run(1000), []);
    assert_eq!(bench.log.len() - before, 10);
    bench.loses = |_| true;
    let events = bench.run(400);
    assert!(matches!(&events[..], [LinkEvent::Silent { .. }]), "{events:?}");
}

#[test]
fn a_guard_that_waits_for_the_host_hears_from_it_in_time() {
    let mut bench = Bench::new(|_| false);
    bench.run_to_event(5);
    let guard = GuardLimits {
        host_silent_ms: Some(500),
        over_current_readings: 1,
        ..GuardLimits::default()
    };
    bench.link.set_up(
        bench.now,
        SetUp {
            guard: Some(guard),
            ..set_up()
        },
    );
    assert_eq!(bench.run_to_event(100), [LinkEvent::Started]);
    let before = bench.log.len();
    bench.run(100);
    assert!(bench.log.len() - before >= 7, "{:?}", &bench.log[before..]);
}

#[test]
fn after_a_replug_a_board_that_still_runs_goes_on_and_one_that_started_anew_is_set_up_again() {
    let mut bench = Bench::new(|_| false);
    bench.greet_and_start(5);
    bench.link.opened(bench.now);
    let events = bench.run(5);
    assert!(
        matches!(&events[..], [LinkEvent::Greeted { goes_on: true, .. }]),
        "{events:?}"
    );
    assert!(bench.link.is_running());

    bench.board_boot = 2;
    bench.running = false;
    bench.link.opened(bench.now);
    bench.greet_and_start(5);

    // It starts anew under the conversation, and says so itself.
    bench.board_boot = 3;
    bench.running = false;
    bench.receive(&FromBoard::Hello(hello(3)));
    bench.greet_and_start(5);
}

#[test]
fn indices_that_go_back_have_the_board_asked_who_it_is() {
    let mut bench = Bench::new(|_| false);
    bench.greet_and_start(5);
    let mut recorded = RecordedBoard::new();
    for _ in 0..2 {
        let records = recorded.block();
        let crate::recorder::Record::Received { bytes, .. } = &records[0] else {
            panic!("{records:?}")
        };
        bench.link.receive(bench.now, bytes);
        if recorded.next_index == 20 {
            // The same block once more, as a board that began at zero again would send it.
            bench.link.receive(bench.now, bytes);
        }
    }
    let before = bench.log.len();
    bench.run(1);
    assert_eq!(bench.log[before..], ["HelloRequest"]);
}

#[test]
fn stopping_waits_for_the_last_block_and_then_says_so() {
    let mut bench = Bench::new(|_| false);
    bench.greet_and_start(5);
    bench.link.stop(bench.now);
    assert_eq!(bench.run(2), [LinkEvent::Stopped]);
    bench.loses = |_| true;
    bench.link.stop(bench.now);
    let events = bench.run(400);
    assert!(matches!(&events[..], [LinkEvent::Silent { .. }]), "{events:?}");
}

#[test]
fn a_refusal_ends_the_setting_up_and_beside_it_only_tells() {
    let mut bench = Bench::new(|_| false);
    bench.greet_and_start(5);
    bench.link.command(bench.now, ToBoard::Rearm);
    let events = bench.run(2);
    assert!(matches!(&events[..], [LinkEvent::Refused(_)]), "{events:?}");
    assert!(bench.link.is_running());

    let mut bench = Bench::new(|number| number > 0);
    bench.run(2);
    bench.link.set_up(
        bench.now,
        SetUp {
            guard: Some(GuardLimits::default()),
            ..set_up()
        },
    );
    bench.run(1);
    bench.receive(&FromBoard::Refusal(Refusal {
        command: Command::Stop,
        reason: RefusalReason::NoMonitor,
    }));
    let events = bench.run(1000);
    assert!(matches!(&events[..], [LinkEvent::Refused(_)]), "{events:?}");
}
