//! The last stretch of a channel as running sums, so that the mean over any window costs two look-ups.

/// Running sums of the last readings. Positions count readings from the start of the recording.
#[derive(Clone, Debug)]
pub(super) struct SumRing {
    sums: Vec<f64>,
    mask: u64,
    /// Number of readings taken so far.
    taken: u64,
    total: f64,
    /// Subtracted before summing, so that the sums stay small and exact.
    reference: Option<f64>,
}

impl SumRing {
    /// A ring that can look back over at least `readings` readings.
    pub(super) fn new(readings: usize) -> Self {
        let capacity = (readings + 2).next_power_of_two();
        Self {
            sums: vec![0.0; capacity],
            mask: capacity as u64 - 1,
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
        self.sums[slot] = self.total;
    }

    /// Number of readings taken: one past the position of the newest.
    pub(super) const fn end(&self) -> u64 {
        self.taken
    }

    /// The oldest position whose window sums are still held.
    pub(super) const fn oldest(&self) -> u64 {
        self.taken.saturating_sub(self.mask)
    }

    /// Mean of the readings at positions `from..to`. The caller keeps both within the ring and `from < to`.
    pub(super) fn mean(&self, from: u64, to: u64) -> f64 {
        debug_assert!(from < to && to <= self.taken && from >= self.oldest());
        let sum = self.sums[(to & self.mask) as usize] - self.sums[(from & self.mask) as usize];
        sum / (to - from) as f64 + self.reference.unwrap_or(0.0)
    }

    /// The reading at `position`.
    pub(super) fn at(&self, position: u64) -> f64 {
        self.mean(position, position + 1)
    }
}
