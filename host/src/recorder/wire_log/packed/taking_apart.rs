//! Records to steps and columns.

use steadybench_protocol::{BoardTime, Deframer, FrameBuffer, FromBoard, SlowValues};

use crate::recorder::Record;
use crate::recorder::wire_log::record::NS_PER_MS;

use super::body::Body;
use super::columns::{Columns, slow_numbers};
use super::step::{BlockHeader, Step};

/// Takes records apart, one after another.
#[derive(Debug, Default)]
pub(super) struct TakingApart {
    pub(super) steps: Vec<Step>,
    pub(super) columns: Columns,
    read_ns: Option<u64>,
    block: Option<BlockHeader>,
    slow: Option<BoardTime>,
    deframer: Deframer,
    frames: FrameBuffer,
}

impl TakingApart {
    pub(super) fn take(&mut self, record: &Record) {
        let Record::Received { at_ns, utc_ns, bytes } = record else {
            self.steps.push(Step::Record(record.clone()));
            return;
        };
        self.take_read(*at_ns, *utc_ns);
        let mut plain = Vec::new();
        for frame in bytes.split_inclusive(|byte| *byte == 0) {
            match self.frame(frame) {
                Some(step) => {
                    self.put_plain(&mut plain);
                    self.steps.push(step);
                }
                None => plain.extend_from_slice(frame),
            }
        }
        self.put_plain(&mut plain);
    }

    fn take_read(&mut self, at_ns: u64, utc_ns: Option<i64>) {
        let step = match self.read_ns {
            Some(before) if utc_ns.is_none() && at_ns.is_multiple_of(NS_PER_MS) && at_ns >= before => {
                self.columns.read_ms.push(((at_ns - before) / NS_PER_MS) as i64);
                Step::Read
            }
            _ => Step::ReadAt { at_ns, utc_ns },
        };
        // A stamped read stands between; what follows counts from the last whole millisecond.
        self.read_ns = Some(at_ns - at_ns % NS_PER_MS);
        self.steps.push(step);
    }

    fn put_plain(&mut self, plain: &mut Vec<u8>) {
        if !plain.is_empty() {
            self.steps.push(Step::Bytes(std::mem::take(plain)));
        }
    }

    /// The step that makes exactly this frame again; `None` when no other than its bytes does.
    fn frame(&mut self, frame: &[u8]) -> Option<Step> {
        self.deframer.reset();
        let body = self.deframer.next_body(&mut &*frame)?.ok()?;
        let frames = &mut self.frames;
        let mut remade = |message: &FromBoard| frames.encode(message).is_ok_and(|made| made == frame);
        match FromBoard::read(body) {
            Some(message @ (FromBoard::Readings(_) | FromBoard::Slow(_))) if remade(&message) => {
                self.in_columns(&message).or_else(|| self.body(frame))
            }
            _ => self.body(frame),
        }
    }

    /// The step that makes this frame again from its body.
    fn body(&mut self, frame: &[u8]) -> Option<Step> {
        self.deframer.reset();
        let body = self.deframer.next_body(&mut &*frame)?.ok()?;
        let made = self.frames.encode(&Body(body)).ok()?;
        (made == frame).then(|| Step::Body(body.to_vec()))
    }

    /// The step of a message whose numbers go into columns; `None` when they do not.
    fn in_columns(&mut self, message: &FromBoard) -> Option<Step> {
        match message {
            FromBoard::Slow(slow) => self.slow(slow),
            FromBoard::Readings(block) => {
                let header = BlockHeader::of(block);
                for channel in [0, 1] {
                    // What is missing is written as the code before it in the block, as on the wire.
                    let codes = block.held_codes(channel).iter();
                    self.columns.codes[channel].extend(codes.map(|code| i64::from(*code)));
                }
                let expected = self.block.replace(header).map(|before| before.next());
                Some(if expected == Some(header) {
                    Step::Block
                } else {
                    Step::BlockOf(header)
                })
            }
            _ => None,
        }
    }

    fn slow(&mut self, slow: &SlowValues) -> Option<Step> {
        let numbers = slow_numbers(slow)?;
        for (column, number) in self.columns.slow.iter_mut().zip(numbers) {
            column.push(number);
        }
        let since_us = self
            .slow
            .replace(slow.time)
            .and_then(|before| slow.time.micros_since(before))
            .and_then(|since_us| i64::try_from(since_us).ok());
        Some(match since_us {
            Some(since_us) => {
                self.columns.slow_us.push(since_us);
                Step::Slow
            }
            None => Step::SlowAt(slow.time),
        })
    }
}
