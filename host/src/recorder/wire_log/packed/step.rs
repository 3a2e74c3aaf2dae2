//! What is left of records when the numbers in them are taken out.

use serde::{Deserialize, Serialize};
use steadybench_protocol::limits::{CURRENT_CODE_MAX, CURRENT_CODE_MIN};
use steadybench_protocol::{BoardTime, ReadingsBlock};

use crate::recorder::Record;

/// The codes there are.
const CODES: std::ops::RangeInclusive<i32> = CURRENT_CODE_MIN..=CURRENT_CODE_MAX;

/// One step of putting records together again. The order of the variants and of their fields is the file's: never
/// reorder, append only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum Step {
    /// A read of the port that is stamped in whole milliseconds; how many since the read before is in a column.
    Read,
    /// A read of the port.
    ReadAt { at_ns: u64, utc_ns: Option<i64> },
    /// A frame in that read: the block that was to be expected.
    Block,
    /// A frame in that read: any other block.
    BlockOf(BlockHeader),
    /// A frame in that read: slow values with nothing missing, some time after the ones before.
    Slow,
    /// The same, with the time of these.
    SlowAt(BoardTime),
    /// A frame in that read: any other body.
    Body(Vec<u8>),
    /// Bytes in that read that are no frame, or not one as this program would make it.
    Bytes(Vec<u8>),
    /// Any other record.
    Record(Record),
}

/// A block without its codes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct BlockHeader {
    first_index: u64,
    first_time: BoardTime,
    period_us: u32,
    length: u8,
    late: u32,
    missing: [u32; 2],
}

impl BlockHeader {
    pub(super) fn of(block: &ReadingsBlock) -> Self {
        Self {
            first_index: block.first_index(),
            first_time: block.time(0),
            period_us: block.period_us(),
            length: block.len() as u8,
            late: block.late_mask(),
            missing: [0, 1].map(|channel| block.missing_mask(channel)),
        }
    }

    /// The header that is expected behind this one.
    pub(super) fn next(&self) -> Self {
        let length = u64::from(self.length);
        Self {
            first_index: self.first_index.saturating_add(length),
            first_time: self
                .first_time
                .plus_micros(u64::from(self.period_us).saturating_mul(length)),
            late: 0,
            missing: [0; 2],
            ..*self
        }
    }

    pub(super) const fn length(&self) -> usize {
        self.length as usize
    }

    /// The block with these codes, one for each position whether missing or not; `None` when there are too many.
    pub(super) fn block(&self, codes: [&[i64]; 2]) -> Option<ReadingsBlock> {
        let mut block = ReadingsBlock::new(self.first_index, self.first_time, self.period_us);
        for position in 0..self.length() {
            let bit = |mask: u32| mask.checked_shr(position as u32).unwrap_or(0) & 1 == 1;
            let mut pair = [None; 2];
            for channel in [0, 1] {
                let code = *codes[channel].get(position)?;
                let code = i32::try_from(code).ok().filter(|code| CODES.contains(code))?;
                pair[channel] = (!bit(self.missing[channel])).then_some(code);
            }
            block.push(pair, bit(self.late)).ok()?;
        }
        Some(block)
    }
}
