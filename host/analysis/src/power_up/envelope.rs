//! The long view of a power-up: one block per mains cycle, made coarser as the recording grows.

/// The most blocks kept; past it neighbours are merged, two by two.
const MOST_BLOCKS: usize = 4096;

/// The readings of one stretch of time, summed up.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Block {
    pub(crate) start_s: f64,
    pub(crate) count: u64,
    sum: f64,
    sum_of_squares: f64,
    pub(crate) min: f64,
    pub(crate) max: f64,
    rail_sum: f64,
    rail_count: u64,
    pub(crate) rail_min: f64,
}

impl Block {
    fn new(start_s: f64) -> Self {
        Self {
            start_s,
            count: 0,
            sum: 0.0,
            sum_of_squares: 0.0,
            min: f64::INFINITY,
            max: f64::NEG_INFINITY,
            rail_sum: 0.0,
            rail_count: 0,
            rail_min: f64::INFINITY,
        }
    }

    fn add(&mut self, current_a: f64, rail_v: f64) {
        if current_a.is_finite() {
            self.count += 1;
            self.sum += current_a;
            self.sum_of_squares += current_a * current_a;
            self.min = self.min.min(current_a);
            self.max = self.max.max(current_a);
        }
        if rail_v.is_finite() {
            self.rail_count += 1;
            self.rail_sum += rail_v;
            self.rail_min = self.rail_min.min(rail_v);
        }
    }

    fn merge(&mut self, other: &Self) {
        self.count += other.count;
        self.sum += other.sum;
        self.sum_of_squares += other.sum_of_squares;
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        self.rail_sum += other.rail_sum;
        self.rail_count += other.rail_count;
        self.rail_min = self.rail_min.min(other.rail_min);
    }

    pub(crate) fn mean(&self) -> f64 {
        self.sum / self.count as f64
    }

    pub(crate) fn mean_square(&self) -> f64 {
        self.sum_of_squares / self.count as f64
    }

    /// Mean rail voltage, if the rail was read in this block.
    pub(crate) fn rail_mean(&self) -> Option<f64> {
        (self.rail_count > 0).then(|| self.rail_sum / self.rail_count as f64)
    }
}

/// Blocks of equal length since the capture began.
#[derive(Clone, Debug)]
pub(crate) struct Envelope {
    block_s: f64,
    blocks: Vec<Block>,
}

impl Envelope {
    pub(crate) fn new(block_s: f64) -> Self {
        Self {
            block_s,
            blocks: Vec::new(),
        }
    }

    pub(crate) fn clear(&mut self, block_s: f64) {
        self.block_s = block_s;
        self.blocks.clear();
    }

    pub(crate) fn block_s(&self) -> f64 {
        self.block_s
    }

    pub(crate) fn blocks(&self) -> &[Block] {
        &self.blocks
    }

    pub(crate) fn push(&mut self, time_s: f64, current_a: f64, rail_v: f64) {
        let origin = self.blocks.first().map_or(time_s, |block| block.start_s);
        let number = ((time_s - origin) / self.block_s + 1e-6).floor().max(0.0);
        let start_s = origin + number * self.block_s;
        match self.blocks.last_mut() {
            Some(last) if start_s <= last.start_s + 0.5 * self.block_s => last.add(current_a, rail_v),
            _ => {
                let mut block = Block::new(start_s);
                block.add(current_a, rail_v);
                self.blocks.push(block);
                if self.blocks.len() > MOST_BLOCKS {
                    self.coarsen();
                }
            }
        }
    }

    fn coarsen(&mut self) {
        self.block_s *= 2.0;
        let origin = self.blocks[0].start_s;
        let mut merged: Vec<Block> = Vec::with_capacity(MOST_BLOCKS);
        for block in &self.blocks {
            let number = ((block.start_s - origin) / self.block_s + 1e-6).floor();
            let start_s = origin + number * self.block_s;
            match merged.last_mut() {
                Some(last) if start_s <= last.start_s + 0.5 * self.block_s => last.merge(block),
                _ => {
                    let mut first = *block;
                    first.start_s = start_s;
                    merged.push(first);
                }
            }
        }
        self.blocks = merged;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_recording_stays_bounded_and_keeps_every_reading_and_extreme() {
        let mut envelope = Envelope::new(0.02);
        for index in 0..3_000_000_u32 {
            let time_s = f64::from(index) * 1e-3;
            let current_a = if index == 2_345_678 { 9.0 } else { 1.0 };
            envelope.push(time_s, current_a, f64::NAN);
        }
        assert!(envelope.blocks().len() <= MOST_BLOCKS);
        assert_eq!(
            envelope.blocks().iter().map(|block| block.count).sum::<u64>(),
            3_000_000
        );
        assert_eq!(
            envelope
                .blocks()
                .iter()
                .map(|block| block.max)
                .fold(0.0, f64::max),
            9.0
        );
    }

    #[test]
    fn a_gap_makes_no_blocks() {
        let mut envelope = Envelope::new(0.02);
        envelope.push(0.0, 1.0, 12.0);
        envelope.push(1e6, 2.0, f64::NAN);
        assert_eq!(envelope.blocks().len(), 2);
        assert_eq!(envelope.blocks()[0].rail_mean(), Some(12.0));
        assert_eq!(envelope.blocks()[1].rail_mean(), None);
    }
}
