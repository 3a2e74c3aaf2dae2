//! The conversation: greet, set up, run, stop.

use std::collections::VecDeque;
use std::time::Duration;

use steadybench_protocol::{
    Configure, GuardLimits, GuardState, Health, Hello, Refusal, TimeRequest, ToBoard,
};

use super::receiver::{Received, Receiver};

/// An answer that takes longer is asked for again. USB answers in milliseconds; a board emulated on a slow machine may
/// take 150 ms to come up.
const ANSWER_TIMEOUT: Duration = Duration::from_millis(500);

/// So many times a command is given before the board is called silent.
const ATTEMPTS: u32 = 6;

/// Time exchanges before the first reading, so that it has its UTC.
const FIRST_EXCHANGES: u32 = 8;

/// From one time exchange to the next while running.
const EXCHANGE_PERIOD: Duration = Duration::from_secs(1);

/// A guard that waits for the host hears from it this many times before it would act.
const HEARD_WITHIN_SILENCE: u32 = 4;

/// A running board sends its health every second; after this long without a good frame something is wrong.
const SILENCE: Duration = Duration::from_secs(3);

/// How the board is to measure and guard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SetUp {
    /// Rate, conversion time, range.
    pub configure: Configure,
    /// What the guard acts on; `None` leaves it as it is.
    pub guard: Option<GuardLimits>,
}

/// What became of the conversation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkEvent {
    /// The board said who it is for the first time since the port was opened or the board started. Answer with
    /// [`Link::set_up`] to have it measure.
    Greeted {
        /// As whom.
        hello: Box<Hello>,
        /// Whether it is still running as it was, within the same boot, so that nothing has to be set up.
        goes_on: bool,
    },
    /// The board measures.
    Started,
    /// The board has stopped and sent all it had.
    Stopped,
    /// A hello of another version of the protocol.
    OtherVersion(u16),
    /// Nothing that makes sense came for too long.
    Silent {
        /// Bytes that came since the port was opened.
        bytes: u64,
        /// Frames that could be read since the port was opened.
        frames: u64,
    },
    /// The board does not do what it was told.
    Refused(Refusal),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    Greeting,
    AwaitingSetUp,
    SettingUp,
    Running,
    Stopping,
    Ended,
}

#[derive(Clone, Debug)]
struct UnderWay {
    command: ToBoard,
    deadline: Duration,
    attempts: u32,
}

/// The conversation with one board. Times are on any clock that nobody sets, as durations since its zero.
#[derive(Debug)]
pub struct Link {
    receiver: Receiver,
    phase: Phase,
    commands: VecDeque<ToBoard>,
    under_way: Option<UnderWay>,
    to_send: VecDeque<ToBoard>,
    events: VecDeque<LinkEvent>,
    /// The settings asked for, by which a hello is known to be the answer to them.
    set_up: Option<SetUp>,
    time_number: u32,
    next_exchange: Duration,
    last_good: Duration,
    bytes_since_opened: u64,
    frames_since_opened: u64,
    took_key_message: bool,
}

impl Link {
    /// A conversation that begins now, by asking who is there.
    #[must_use]
    pub fn new(now: Duration) -> Self {
        let mut link = Self {
            receiver: Receiver::new(),
            phase: Phase::Ended,
            commands: VecDeque::new(),
            under_way: None,
            to_send: VecDeque::new(),
            events: VecDeque::new(),
            set_up: None,
            time_number: 0,
            next_exchange: now,
            last_good: now,
            bytes_since_opened: 0,
            frames_since_opened: 0,
            took_key_message: false,
        };
        link.opened(now);
        link
    }

    /// The port was opened (again): asks who is there. What is known of the board is kept.
    pub fn opened(&mut self, now: Duration) {
        self.receiver.reset_frame();
        self.bytes_since_opened = 0;
        self.frames_since_opened = 0;
        self.last_good = now;
        self.greet(now);
    }

    fn greet(&mut self, now: Duration) {
        self.phase = Phase::Greeting;
        self.commands.clear();
        self.to_send.clear();
        self.under_way = None;
        self.commands.push_back(ToBoard::HelloRequest);
        self.advance(now);
    }

    /// Has the board measure: stop, exchange times, configure, guard, start.
    pub fn set_up(&mut self, now: Duration, set_up: SetUp) {
        self.phase = Phase::SettingUp;
        self.set_up = Some(set_up);
        self.commands.clear();
        self.under_way = None;
        // A board that is stopped says which index comes next, and from there every loss is counted.
        self.commands.push_back(ToBoard::Stop);
        for _ in 0..FIRST_EXCHANGES {
            self.commands.push_back(time_request(&mut self.time_number));
        }
        self.commands.push_back(ToBoard::Configure(set_up.configure));
        if let Some(limits) = set_up.guard {
            self.commands.push_back(ToBoard::GuardLimits(limits));
        }
        self.commands.push_back(ToBoard::Start);
        self.advance(now);
    }

    /// Asks the board to stop; [`LinkEvent::Stopped`] or [`LinkEvent::Silent`] follows.
    pub fn stop(&mut self, now: Duration) {
        self.phase = Phase::Stopping;
        self.commands.clear();
        self.under_way = None;
        self.commands.push_back(ToBoard::Stop);
        self.advance(now);
    }

    /// Gives a command beside the conversation, such as [`ToBoard::Rearm`] or [`ToBoard::Identify`].
    pub fn command(&mut self, now: Duration, command: ToBoard) {
        self.commands.push_back(command);
        self.advance(now);
    }

    /// Whether readings are being taken as far as is known.
    #[must_use]
    pub fn is_running(&self) -> bool {
        self.phase == Phase::Running
    }

    /// Whether a hello or a time reply has come since this was last asked: its receipt must be recorded by both of the
    /// host's clocks, and may not be dropped.
    pub fn took_key_message(&mut self) -> bool {
        std::mem::take(&mut self.took_key_message)
    }

    /// The next message to write.
    pub fn next_message(&mut self) -> Option<ToBoard> {
        self.to_send.pop_front()
    }

    /// What became of the conversation.
    pub fn next_event(&mut self) -> Option<LinkEvent> {
        self.events.pop_front()
    }

    /// When [`Self::tick`] wants to be called at the latest.
    #[must_use]
    pub fn next_deadline(&self) -> Duration {
        let answer = self
            .under_way
            .as_ref()
            .map_or(Duration::MAX, |under_way| under_way.deadline);
        let running = match self.phase {
            Phase::Running => self.next_exchange.min(self.last_good + SILENCE),
            _ => Duration::MAX,
        };
        answer.min(running)
    }

    /// Takes bytes from the board.
    pub fn receive(&mut self, now: Duration, mut bytes: &[u8]) {
        self.bytes_since_opened += bytes.len() as u64;
        while let Some(received) = self.receiver.next(&mut bytes) {
            if !matches!(received, Received::Damaged(_)) {
                self.frames_since_opened += 1;
                self.last_good = now;
            }
            self.take(now, received);
        }
    }

    /// Lets time pass: repeats what was not answered, keeps the time exchanges going, notices silence.
    pub fn tick(&mut self, now: Duration) {
        if let Some(under_way) = &mut self.under_way
            && under_way.deadline <= now
        {
            if under_way.attempts >= ATTEMPTS {
                self.silent();
                return;
            }
            under_way.attempts += 1;
            under_way.deadline = now + ANSWER_TIMEOUT;
            if matches!(under_way.command, ToBoard::TimeRequest(_)) {
                // A late reply to the first request must not pass for the reply to this one.
                under_way.command = time_request(&mut self.time_number);
            }
            let command = under_way.command.clone();
            self.to_send.push_back(command);
        }
        if self.phase == Phase::Running {
            if self.last_good + SILENCE <= now {
                self.silent();
            } else if self.next_exchange <= now {
                self.next_exchange = now + self.exchange_period();
                let request = time_request(&mut self.time_number);
                self.to_send.push_back(request);
            }
        }
    }

    fn exchange_period(&self) -> Duration {
        let silent_ms = self
            .set_up
            .and_then(|set_up| set_up.guard)
            .and_then(|limits| limits.host_silent_ms);
        silent_ms.map_or(EXCHANGE_PERIOD, |silent_ms| {
            let heard = Duration::from_millis(u64::from(silent_ms)) / HEARD_WITHIN_SILENCE;
            heard.min(EXCHANGE_PERIOD)
        })
    }

    fn silent(&mut self) {
        self.phase = Phase::Ended;
        self.commands.clear();
        self.under_way = None;
        self.events.push_back(LinkEvent::Silent {
            bytes: self.bytes_since_opened,
            frames: self.frames_since_opened,
        });
    }

    fn take(&mut self, now: Duration, received: Received) {
        match received {
            Received::Hello { hello, new_boot } => self.take_hello(now, hello, new_boot),
            Received::OtherVersion(version) => {
                self.phase = Phase::Ended;
                self.under_way = None;
                self.events.push_back(LinkEvent::OtherVersion(version));
            }
            Received::Health { health, .. } => self.take_health(now, &health),
            Received::Time(reply) => {
                self.took_key_message = true;
                if self.under_way_is(
                    |command| matches!(command, ToBoard::TimeRequest(r) if r.number == reply.number),
                ) {
                    self.answered(now);
                }
            }
            Received::Refusal(refusal) => {
                if self.under_way_is(|command| command.command() == refusal.command) {
                    self.under_way = None;
                    if self.phase == Phase::SettingUp {
                        self.phase = Phase::Ended;
                        self.commands.clear();
                    }
                    self.events.push_back(LinkEvent::Refused(refusal));
                    self.advance(now);
                }
            }
            Received::Repeated => {
                // Indices that go back are those of a board that has started anew and whose hello was lost.
                if self.phase == Phase::Running && self.under_way.is_none() && self.commands.is_empty() {
                    self.commands.push_back(ToBoard::HelloRequest);
                    self.advance(now);
                }
            }
            Received::Block { .. }
            | Received::Slow(_)
            | Received::Mark(_)
            | Received::GuardTrip(_)
            | Received::Damaged(_) => {}
        }
    }

    fn take_hello(&mut self, now: Duration, hello: Box<Hello>, new_boot: bool) {
        self.took_key_message = true;
        let asked = self.under_way_is(|command| matches!(command, ToBoard::HelloRequest));
        match self.phase {
            Phase::Greeting if asked => {
                let goes_on = !new_boot && hello.running && self.has_settings_of(&hello);
                self.under_way = None;
                if goes_on {
                    self.phase = Phase::Running;
                    self.next_exchange = now;
                } else {
                    self.phase = Phase::AwaitingSetUp;
                }
                self.events.push_back(LinkEvent::Greeted { hello, goes_on });
            }
            Phase::SettingUp
                if self.under_way_is(|command| matches!(command, ToBoard::Configure(_)))
                    && self.has_settings_of(&hello) =>
            {
                self.answered(now);
            }
            // The board started anew under the conversation: everything has to be set up again.
            Phase::Running | Phase::SettingUp | Phase::Stopping if new_boot => {
                self.phase = Phase::AwaitingSetUp;
                self.commands.clear();
                self.under_way = None;
                self.events.push_back(LinkEvent::Greeted {
                    hello,
                    goes_on: false,
                });
            }
            Phase::Running if asked => self.answered(now),
            _ => {}
        }
    }

    fn has_settings_of(&self, hello: &Hello) -> bool {
        self.set_up.is_some_and(|set_up| {
            let Configure {
                reading_period_us,
                conversion_time,
                shunt_range,
            } = set_up.configure;
            hello.reading_period_us == reading_period_us
                && hello.channels.iter().all(|channel| {
                    channel.conversion_time == conversion_time && channel.shunt_range == shunt_range
                })
        })
    }

    fn take_health(&mut self, now: Duration, health: &Health) {
        let answers = self.under_way_is(|command| match command {
            ToBoard::Start => health.running,
            ToBoard::Stop => !health.running,
            ToBoard::GuardLimits(limits) => limits.acts() == (health.guard != GuardState::Off),
            ToBoard::Rearm => health.guard != GuardState::Tripped,
            ToBoard::Identify => true,
            ToBoard::HelloRequest | ToBoard::Configure(_) | ToBoard::TimeRequest(_) => false,
        });
        if answers {
            self.answered(now);
        }
    }

    fn under_way_is(&self, test: impl FnOnce(&ToBoard) -> bool) -> bool {
        self.under_way
            .as_ref()
            .is_some_and(|under_way| test(&under_way.command))
    }

    fn answered(&mut self, now: Duration) {
        let Some(done) = self.under_way.take() else {
            return;
        };
        match (self.phase, done.command) {
            (Phase::SettingUp, ToBoard::Start) => {
                self.phase = Phase::Running;
                self.next_exchange = now + self.exchange_period();
                self.events.push_back(LinkEvent::Started);
            }
            (Phase::Stopping, ToBoard::Stop) => {
                self.phase = Phase::Ended;
                self.events.push_back(LinkEvent::Stopped);
            }
            _ => {}
        }
        self.advance(now);
    }

    /// Gives the next command once the one before is answered.
    fn advance(&mut self, now: Duration) {
        if self.under_way.is_none()
            && let Some(command) = self.commands.pop_front()
        {
            self.to_send.push_back(command.clone());
            self.under_way = Some(UnderWay {
                command,
                deadline: now + ANSWER_TIMEOUT,
                attempts: 1,
            });
        }
    }
}

/// A time request with the next number; whoever writes it fills in when.
fn time_request(number: &mut u32) -> ToBoard {
    *number = number.wrapping_add(1);
    ToBoard::TimeRequest(TimeRequest {
        number: *number,
        host_send_ns: 0,
    })
}
