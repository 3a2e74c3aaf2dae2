//! The blocks that wait for the host.

use heapless::Deque;
use steadybench_protocol::ReadingsBlock;

/// Blocks that the buffer holds: 2.56 s at 1000 readings a second, 1.02 s at 4000.
pub const BLOCKS: usize = 128;

/// A queue of blocks. When it is full the newest block is dropped whole and its readings are counted: what waits is
/// the beginning of the stall, so the host gets one gap with a known length, never a torn record.
///
/// ```
/// use steadybench_firmware::buffer::{BLOCKS, BlockBuffer};
/// use steadybench_protocol::{BoardTime, ReadingsBlock};
///
/// let mut buffer = BlockBuffer::new();
/// for index in 0..=BLOCKS as u64 {
///     let mut block = ReadingsBlock::new(index, BoardTime::from_micros(1_000 * index), 1_000);
///     block.push([Some(1), Some(2)], false)?;
///     buffer.push(block);
/// }
/// assert_eq!(buffer.dropped(), 1);
/// assert_eq!(buffer.pop().map(|block| block.first_index()), Some(0));
/// # Ok::<(), steadybench_protocol::BlockFull>(())
/// ```
#[derive(Clone, Debug)]
pub struct BlockBuffer {
    blocks: Deque<ReadingsBlock, BLOCKS>,
    dropped: u64,
    high_water: u16,
}

// What the buffer costs in memory, 296 bytes a block, on a board with 32-bit pointers.
#[cfg(target_pointer_width = "32")]
const _: () = assert!(size_of::<BlockBuffer>() <= BLOCKS * 296 + 32);

impl Default for BlockBuffer {
    fn default() -> Self {
        Self::new()
    }
}

impl BlockBuffer {
    /// An empty buffer.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            blocks: Deque::new(),
            dropped: 0,
            high_water: 0,
        }
    }

    /// Takes a block, or drops and counts it when the buffer is full. An empty block is nothing to take.
    pub fn push(&mut self, block: ReadingsBlock) {
        if block.is_empty() {
            return;
        }
        match self.blocks.push_back(block) {
            Ok(()) => self.high_water = self.high_water.max(self.waiting()),
            Err(block) => self.count_dropped(block.len() as u64),
        }
    }

    /// Counts reading instants that were never made into blocks.
    pub fn count_dropped(&mut self, readings: u64) {
        self.dropped = self.dropped.saturating_add(readings);
    }

    /// Gives the oldest block.
    pub fn pop(&mut self) -> Option<ReadingsBlock> {
        self.blocks.pop_front()
    }

    /// Blocks that wait.
    #[must_use]
    pub fn waiting(&self) -> u16 {
        self.blocks.len() as u16
    }

    /// Reading instants dropped so far.
    #[must_use]
    pub const fn dropped(&self) -> u64 {
        self.dropped
    }

    /// Most blocks that ever waited.
    #[must_use]
    pub const fn high_water(&self) -> u16 {
        self.high_water
    }
}
