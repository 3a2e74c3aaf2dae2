//! Where a block stands in the run: in order, after a loss, or repeated.

use crate::readings::ReadingsBlock;

/// Where a block stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Placement {
    /// It follows the block before.
    InOrder,
    /// So many reading instants are missing between the block before and this one.
    AfterLoss(u64),
    /// Its readings have been seen; they must not be taken again.
    Repeated,
}

/// Counts the reading instants that never arrived, by the index that every block bears.
///
/// The index counts reading instants since the board started, so one `Continuity` serves one boot: begin a new one when
/// the hello's boot nonce changes.
///
/// ```
/// use steadybench_protocol::{BoardTime, Continuity, Placement, ReadingsBlock};
///
/// let mut block = ReadingsBlock::new(100, BoardTime::default(), 1_000);
/// block.push([Some(1), Some(2)], false)?;
///
/// let mut continuity = Continuity::from_index(98);
/// assert_eq!(continuity.place(&block), Placement::AfterLoss(2));
/// assert_eq!(continuity.place(&block), Placement::Repeated);
/// assert_eq!(continuity.close(105), 4);
/// assert_eq!(continuity.lost(), 6);
/// # Ok::<(), steadybench_protocol::BlockFull>(())
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Continuity {
    next: u64,
    lost: u64,
}

impl Continuity {
    /// Expects `next_index` to be the first to arrive, as the health message that answered the start said.
    #[must_use]
    pub const fn from_index(next_index: u64) -> Self {
        Self {
            next: next_index,
            lost: 0,
        }
    }

    /// Places a block, and counts what is missing before it.
    pub fn place(&mut self, block: &ReadingsBlock) -> Placement {
        match block.first_index().checked_sub(self.next) {
            None => Placement::Repeated,
            Some(missing) => {
                self.next = block.next_index();
                self.lost += missing;
                if missing == 0 {
                    Placement::InOrder
                } else {
                    Placement::AfterLoss(missing)
                }
            }
        }
    }

    /// Counts what is missing at the end, by the `next_index` of a health message with `running` clear.
    pub fn close(&mut self, next_index: u64) -> u64 {
        let missing = next_index.saturating_sub(self.next);
        self.next += missing;
        self.lost += missing;
        missing
    }

    /// The index expected next.
    #[must_use]
    pub const fn next_index(&self) -> u64 {
        self.next
    }

    /// Reading instants lost so far.
    #[must_use]
    pub const fn lost(&self) -> u64 {
        self.lost
    }
}
