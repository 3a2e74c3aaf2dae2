//! The bytes of one board to placed messages. It asks for nothing and waits for nothing, so it serves a live line and a
//! recording alike.

use serde::Serialize;
use steadybench_protocol::deframer::protocol_version_of_hello;
use steadybench_protocol::{
    Continuity, Deframer, FrameFault, FromBoard, GuardTrip, Health, Hello, Mark, PROTOCOL_VERSION, Placement,
    ReadingsBlock, Refusal, SlowValues, TimeReply,
};

/// One message of the board, or one damaged frame.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Received {
    /// The board introduced itself.
    Hello {
        /// As whom.
        hello: Box<Hello>,
        /// Whether the board has started anew since its last hello: board time and index begin again.
        new_boot: bool,
    },
    /// A hello of another version of the protocol; nothing else of that board can be understood.
    OtherVersion(u16),
    /// Readings that have not been seen before.
    Block {
        /// The readings.
        block: Box<ReadingsBlock>,
        /// Reading instants missing before it.
        lost_before: u64,
    },
    /// A block whose readings have been seen.
    Repeated,
    /// Slow values.
    Slow(SlowValues),
    /// An edge of the foot switch.
    Mark(Mark),
    /// The board's counts.
    Health {
        /// The counts.
        health: Health,
        /// Reading instants now known to be missing at the end of the stream.
        lost_at_end: u64,
    },
    /// The reply to a time request.
    Time(TimeReply),
    /// The guard opened the relay.
    GuardTrip(GuardTrip),
    /// The board did not do something.
    Refusal(Refusal),
    /// A frame that could not be read.
    Damaged(FrameFault),
}

/// What happened to the bytes so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct LineCounts {
    /// Frames read.
    pub frames: u64,
    /// Frames that could not be read.
    pub damaged: u64,
    /// Blocks that came twice.
    pub repeated: u64,
    /// Reading instants taken.
    pub instants: u64,
    /// Reading instants that never arrived, over all boots.
    pub lost: u64,
}

/// Reads the stream of one board over all its boots.
#[derive(Clone, Debug, Default)]
pub struct Receiver {
    deframer: Deframer,
    boot_nonce: Option<u32>,
    continuity: Option<Continuity>,
    counts: LineCounts,
}

impl Receiver {
    /// A receiver that has heard nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The port was opened anew, or bytes were dropped: the frame that had begun is not going to end.
    pub fn reset_frame(&mut self) {
        self.deframer.reset();
    }

    /// What happened to the bytes so far.
    #[must_use]
    pub const fn counts(&self) -> LineCounts {
        self.counts
    }

    /// Takes bytes from the front of `input` until something is complete; `None` when `input` is used up.
    pub fn next(&mut self, input: &mut &[u8]) -> Option<Received> {
        let body = match self.deframer.next_body(input)? {
            Ok(body) => body,
            Err(fault) => {
                self.counts.damaged += 1;
                return Some(Received::Damaged(fault));
            }
        };
        if let Some(version) = protocol_version_of_hello(body)
            && version != PROTOCOL_VERSION
        {
            self.counts.frames += 1;
            return Some(Received::OtherVersion(version));
        }
        let Some(message) = FromBoard::read(body) else {
            self.counts.damaged += 1;
            return Some(Received::Damaged(FrameFault::Body));
        };
        self.counts.frames += 1;
        Some(self.place(message))
    }

    fn place(&mut self, message: FromBoard) -> Received {
        match message {
            FromBoard::Hello(hello) => {
                let new_boot = self.boot_nonce != Some(hello.boot_nonce);
                if new_boot {
                    self.boot_nonce = Some(hello.boot_nonce);
                    self.continuity = None;
                }
                Received::Hello {
                    hello: Box::new(hello),
                    new_boot,
                }
            }
            FromBoard::Readings(block) => self.place_block(block),
            FromBoard::Health(health) => {
                // Only a board that has stopped has sent all it has; while it runs, readings before `next_index` may
                // still be under way.
                let lost_at_end = if health.running {
                    0
                } else {
                    self.continuity
                        .get_or_insert(Continuity::from_index(health.next_index))
                        .close(health.next_index)
                };
                self.counts.lost += lost_at_end;
                Received::Health { health, lost_at_end }
            }
            FromBoard::Slow(slow) => Received::Slow(slow),
            FromBoard::Mark(mark) => Received::Mark(mark),
            FromBoard::Time(reply) => Received::Time(reply),
            FromBoard::GuardTrip(trip) => Received::GuardTrip(trip),
            FromBoard::Refusal(refusal) => Received::Refusal(refusal),
        }
    }

    fn place_block(&mut self, block: ReadingsBlock) -> Received {
        // Without a health message before it, nobody knows what came before: this block is the first.
        let continuity = self
            .continuity
            .get_or_insert(Continuity::from_index(block.first_index()));
        let lost_before = match continuity.place(&block) {
            Placement::InOrder => 0,
            Placement::AfterLoss(lost) => lost,
            Placement::Repeated => {
                self.counts.repeated += 1;
                return Received::Repeated;
            }
        };
        self.counts.lost += lost_before;
        self.counts.instants += block.len() as u64;
        Received::Block {
            block: Box::new(block),
            lost_before,
        }
    }
}
