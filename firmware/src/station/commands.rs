//! What a host may ask for, and what it gets.

use steadybench_protocol::limits::{READING_PERIOD_MAX_US, READING_PERIOD_MIN_US};
use steadybench_protocol::{
    BoardTime, Configure, GuardLimits, MonitorState, Refusal, RefusalReason, TimeRequest, ToBoard,
};

use super::Station;

/// How long [`ToBoard::Identify`] blinks, in microseconds.
const IDENTIFY_US: u64 = 5_000_000;

/// An answer that a command has earned, made into a message when it is sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Answer {
    Hello,
    Health,
    /// Health with the index of the first reading behind it; goes out after the blocks that waited then.
    Started {
        next_index: u64,
        blocks_before: u16,
    },
    /// Health that goes out after the last block.
    Stopped,
    Time {
        request: TimeRequest,
        received: BoardTime,
    },
    Refusal(Refusal),
}

impl Answer {
    /// Whether readings go out before it.
    pub(crate) const fn waits_for_readings(&self) -> bool {
        matches!(self, Self::Started { .. } | Self::Stopped)
    }
}

impl Station {
    /// A frame arrived whole.
    pub(crate) fn host_heard(&mut self, now: BoardTime) {
        self.guard.host_heard(now);
    }

    /// A frame arrived damaged.
    pub(crate) fn frame_rejected(&mut self) {
        self.frames_rejected = self.frames_rejected.saturating_add(1);
    }

    /// Carries out a command that arrived at `received`. Each command earns exactly one answer.
    pub(crate) fn command(&mut self, command: &ToBoard, received: BoardTime) -> Answer {
        let outcome = match command {
            ToBoard::HelloRequest => Ok(Answer::Hello),
            ToBoard::Configure(settings) => self.configure(*settings),
            ToBoard::Start => self.start(),
            ToBoard::Stop => Ok(self.stop()),
            ToBoard::TimeRequest(request) => Ok(Answer::Time {
                request: *request,
                received,
            }),
            ToBoard::GuardLimits(limits) => self.set_limits(*limits, received),
            ToBoard::Rearm => self.guard.rearm(received).map(|()| Answer::Health),
            ToBoard::Identify => {
                self.identify_until = received.plus_micros(IDENTIFY_US);
                Ok(Answer::Health)
            }
        };
        outcome.unwrap_or_else(|reason| {
            Answer::Refusal(Refusal {
                command: command.command(),
                reason,
            })
        })
    }

    fn configure(&mut self, settings: Configure) -> Result<Answer, RefusalReason> {
        if self.running {
            return Err(RefusalReason::WhileRunning);
        }
        if !(READING_PERIOD_MIN_US..=READING_PERIOD_MAX_US).contains(&settings.reading_period_us) {
            return Err(RefusalReason::ReadingPeriodOutOfRange);
        }
        if !settings.is_legal() {
            return Err(RefusalReason::ConversionTooLong);
        }
        self.settings = settings;
        Ok(Answer::Hello)
    }

    fn start(&mut self) -> Result<Answer, RefusalReason> {
        if !self.running && !self.monitors.contains(&MonitorState::Ready) {
            return Err(RefusalReason::NoMonitor);
        }
        self.running = true;
        // A host that joins a run gets what waited before the answer and what comes after it on its other side.
        self.close_block();
        Ok(Answer::Started {
            next_index: self.next_index,
            blocks_before: self.buffer.waiting(),
        })
    }

    fn stop(&mut self) -> Answer {
        self.running = false;
        self.in_run = false;
        self.close_block();
        Answer::Stopped
    }

    fn set_limits(&mut self, limits: GuardLimits, now: BoardTime) -> Result<Answer, RefusalReason> {
        if !limits.is_legal() {
            return Err(RefusalReason::LimitOutOfRange);
        }
        self.guard.set_limits(limits, now);
        Ok(Answer::Health)
    }
}
