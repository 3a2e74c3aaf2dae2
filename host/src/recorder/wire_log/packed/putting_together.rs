//! Steps and columns to records.

use std::vec::IntoIter;

use serde::Serialize;
use steadybench_protocol::{BoardTime, FrameBuffer, FromBoard};

use crate::recorder::Record;
use crate::recorder::wire_log::record::NS_PER_MS;

use super::body::Body;
use super::columns::{Columns, Counts, SLOW_NUMBERS, slow_values};
use super::step::{BlockHeader, Step};

/// How many numbers the steps need; `None` when they need more than `most`.
pub(super) fn counts(steps: &[Step], most: usize) -> Option<Counts> {
    let mut counts = Counts::default();
    let mut block: Option<usize> = None;
    for step in steps {
        match step {
            Step::Read => counts.read_ms += 1,
            Step::Slow => {
                counts.slow_us += 1;
                counts.slow += 1;
            }
            Step::SlowAt(_) => counts.slow += 1,
            Step::Block => counts.codes += block?,
            Step::BlockOf(header) => {
                counts.codes += header.length();
                block = Some(header.length());
            }
            Step::ReadAt { .. } | Step::Body(_) | Step::Bytes(_) | Step::Record(_) => {}
        }
        if counts.codes > most {
            return None;
        }
    }
    Some(counts)
}

/// Puts records together again.
pub(super) struct PuttingTogether {
    records: Vec<Record>,
    read: Option<(u64, Option<i64>, Vec<u8>)>,
    read_ms: IntoIter<i64>,
    slow_us: IntoIter<i64>,
    slow: [IntoIter<i64>; SLOW_NUMBERS],
    codes: [Vec<i64>; 2],
    codes_at: usize,
    before_ns: Option<u64>,
    block: Option<BlockHeader>,
    slow_time: Option<BoardTime>,
    frames: FrameBuffer,
}

impl PuttingTogether {
    pub(super) fn new(columns: Columns) -> Self {
        Self {
            records: Vec::new(),
            read: None,
            read_ms: columns.read_ms.into_iter(),
            slow_us: columns.slow_us.into_iter(),
            slow: columns.slow.map(Vec::into_iter),
            codes: columns.codes,
            codes_at: 0,
            before_ns: None,
            block: None,
            slow_time: None,
            frames: FrameBuffer::new(),
        }
    }

    /// `None` when the step does not follow from those before it.
    pub(super) fn take(&mut self, step: Step) -> Option<()> {
        match step {
            Step::Read => {
                let since_ns = u64::try_from(self.read_ms.next()?).ok()?.checked_mul(NS_PER_MS)?;
                self.begin_read(self.before_ns?.checked_add(since_ns)?, None);
            }
            Step::ReadAt { at_ns, utc_ns } => self.begin_read(at_ns, utc_ns),
            Step::Block => {
                let header = self.block?.next();
                self.put_block(header)?;
            }
            Step::BlockOf(header) => self.put_block(header)?,
            Step::Slow => {
                let since_us = u64::try_from(self.slow_us.next()?).ok()?;
                let time = self.slow_time?.plus_micros(since_us);
                self.put_slow(time)?;
            }
            Step::SlowAt(time) => self.put_slow(time)?,
            Step::Body(body) => self.put_frame(&Body(&body))?,
            Step::Bytes(bytes) => self.read.as_mut()?.2.extend(bytes),
            Step::Record(record) => {
                self.end_read();
                self.records.push(record);
            }
        }
        Some(())
    }

    fn begin_read(&mut self, at_ns: u64, utc_ns: Option<i64>) {
        self.end_read();
        self.before_ns = Some(at_ns - at_ns % NS_PER_MS);
        self.read = Some((at_ns, utc_ns, Vec::new()));
    }

    fn end_read(&mut self) {
        if let Some((at_ns, utc_ns, bytes)) = self.read.take() {
            self.records.push(Record::Received { at_ns, utc_ns, bytes });
        }
    }

    fn put_frame<M: Serialize>(&mut self, message: &M) -> Option<()> {
        let frame = self.frames.encode(message).ok()?;
        self.read.as_mut()?.2.extend_from_slice(frame);
        Some(())
    }

    fn put_block(&mut self, header: BlockHeader) -> Option<()> {
        self.block = Some(header);
        let place = self.codes_at..self.codes_at + header.length();
        self.codes_at = place.end;
        let codes = [self.codes[0].get(place.clone())?, self.codes[1].get(place)?];
        let block = header.block(codes)?;
        self.put_frame(&FromBoard::Readings(block))
    }

    fn put_slow(&mut self, time: BoardTime) -> Option<()> {
        self.slow_time = Some(time);
        let mut numbers = [0; SLOW_NUMBERS];
        for (number, column) in numbers.iter_mut().zip(&mut self.slow) {
            *number = column.next()?;
        }
        self.put_frame(&FromBoard::Slow(slow_values(time, numbers)?))
    }

    pub(super) fn finish(mut self) -> Vec<Record> {
        self.end_read();
        self.records
    }
}
