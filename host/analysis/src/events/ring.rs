//! The last stretch of a channel as running sums, so that the mean over any window costs two look-ups.

/// Running sums of the last readings. Positions count readings from the start of the recording.
#[derive(Clone, Debug)]
pub(super) struct SumRing {
    /// Twice as long as the ring and filled twice, so that any stretch of it lies in one piece.
    sums: Vec<f64>,
    mask: u64,
    /// How far back can be looked. Half of the ring stays free for readings that may have to be taken back.
    reach: u64,
    /// Number of readings taken so far.
    taken: u64,
    total: f64,
    /// Subtracted before summing, so that the sums stay small and exact.
    reference: Option<f64>,
}

/// Where a ring stood.
#[derive(Clone, Copy, Debug)]
pub(super) struct RingMark {
    taken: u64,
    total: f64,
}

impl SumRing {
    /// A ring that can look back over at least `readings` readings.
    pub(super) fn new(readings: usize) -> Self {
        let reach = (readings + 2).next_power_of_two();
        let capacity = 2 * reach;
        Self {
            sums: vec![0.0; 2 * capacity],
            mask: capacity as u64 - 1,
            reach: reach as u64 - 1,
            taken: 0,
            total: 0.0,
            reference: None,
        }
    }

    /// Takes the next reading; the running sum is stored under its end position.
    pub(super) fn push(&mut self, value: f64) {
        let reference = *self.reference.get_or_insert(value);
        self.total += value - reference;
        self.taken += 1;
        let slot = (self.taken & self.mask) as usize;
        let capacity = self.sums.len() / 2;
        self.sums[slot] = self.total;
        self.sums[slot + capacity] = self.total;
    }

    /// Where it stands, for [`Self::take_back`].
    pub(super) const fn mark(&self) -> RingMark {
        RingMark {
            taken: self.taken,
            total: self.total,
        }
    }

    /// Forgets the readings since a mark, which are no more than can be looked back on.
    pub(super) const fn take_back(&mut self, mark: RingMark) {
        self.taken = mark.taken;
        self.total = mark.total;
    }

    /// Number of readings taken: one past the position of the newest.
    pub(super) const fn end(&self) -> u64 {
        self.taken
    }

    /// The oldest position whose window sums are still held.
    pub(super) const fn oldest(&self) -> u64 {
        self.taken.saturating_sub(self.reach)
    }

    /// Mean of the readings at positions `from..to`. The caller keeps both within the ring and `from < to`.
    pub(super) fn mean(&self, from: u64, to: u64) -> f64 {
        debug_assert!(from < to && to <= self.taken && from >= self.oldest());
        self.sum(from, to) / (to - from) as f64 + self.reference()
    }

    /// The reading at `position`.
    pub(super) fn at(&self, position: u64) -> f64 {
        self.sum(position, position + 1) + self.reference()
    }

    fn sum(&self, from: u64, to: u64) -> f64 {
        self.sums[(to & self.mask) as usize] - self.sums[(from & self.mask) as usize]
    }

    /// The running sums at `count` positions in a row from `from` on, all within the ring.
    pub(super) fn sums(&self, from: u64, count: usize) -> &[f64] {
        &self.sums[(from & self.mask) as usize..][..count]
    }

    /// What was subtracted from every reading before summing.
    pub(super) fn reference(&self) -> f64 {
        self.reference.unwrap_or(0.0)
    }
}
