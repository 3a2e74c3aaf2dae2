//! Spread **and tail** of a statistic, learned from the recording itself.
//!
//! A processor's or a display's current is telegraph noise: a threshold in multiples of a standard deviation that suits
//! an amplifier collapses on it. So the size of a value is read off a normal-score plot: the learned quantiles
//! `q(z)` that a share `1 - Φ(z)` of the values exceeds, for z = 1, 2, 2.5, 3 and 3.5 as far as there are values enough, and
//! beyond the last of them a straight line with the slope of the last stretch. For Gaussian noise that gives the
//! usual number of standard deviations; for a value that jumps between two levels it gives the jump plus the usual
//! number of standard deviations of what remains.

/// Bins per doubling of the value. Their borders are those of the mantissa's first three bits.
const BINS_PER_OCTAVE_LOG2: u32 = 3;
/// Values from 2^-30 A (about 1 nA) to 2^10 A are told apart.
const LOWEST_EXPONENT: i64 = -30;
const OCTAVES: usize = 40;
const BINS: usize = OCTAVES << BINS_PER_OCTAVE_LOG2;

/// Standard scores at which the quantiles are read, and the share of a standard normal beyond each.
const SCORES: [(f64, f64); 5] = [
    (1.0, 0.158_655_25),
    (2.0, 0.022_750_13),
    (2.5, 0.006_209_67),
    (3.0, 0.001_349_90),
    (3.5, 0.000_232_63),
];

/// How many values must lie beyond a quantile before it is believed.
const ENOUGH_BEYOND: f64 = 12.0;

/// One side (above or below) of a statistic: its plot beyond the last quantile believed.
#[derive(Clone, Debug)]
pub(super) struct Tail {
    /// Value at the last score believed, that score, and the slope beyond it (amperes per unit of score).
    anchor: f64,
    anchor_score: f64,
    slope: f64,
}

/// Both sides of a statistic, with the number of values seen.
#[derive(Clone, Debug)]
pub(super) struct Tails {
    pub(super) above: Tail,
    pub(super) below: Tail,
    /// How many values fell into each bin, above and below.
    counts: [Box<[f32; BINS]>; 2],
    /// No bin from here on holds anything.
    beyond: usize,
    values: f32,
}

/// The bin of a value; `None` for one that is too small to be told from zero.
#[inline]
fn bin(value: f64) -> Option<usize> {
    let raw = (value.abs().to_bits() >> (52 - BINS_PER_OCTAVE_LOG2)) as i64;
    let index = raw - ((1023 + LOWEST_EXPONENT) << BINS_PER_OCTAVE_LOG2);
    if index < 0 {
        None
    } else {
        Some((index as usize).min(BINS - 1))
    }
}

/// Where a bin begins: the number with these leading bits and no others.
fn lower_border(index: usize) -> f64 {
    let leading = index as u64 + ((1023 + LOWEST_EXPONENT) << BINS_PER_OCTAVE_LOG2).cast_unsigned();
    f64::from_bits(leading << (52 - BINS_PER_OCTAVE_LOG2))
}

impl Tail {
    const fn new() -> Self {
        Self {
            anchor: f64::INFINITY,
            anchor_score: 1.0,
            slope: f64::INFINITY,
        }
    }

    /// Draws the plot anew; `exceeded_by` gives the value that so many values exceed.
    fn refresh(&mut self, exceeded_by: impl Fn(f64) -> f64, values: f64, least_slope: f64) {
        let mut last = (0.0, 0.0);
        let mut slope = 0.0;
        for (score, share) in SCORES {
            let beyond = share * values;
            if score > 1.0 && beyond < ENOUGH_BEYOND {
                break;
            }
            let value = exceeded_by(beyond);
            slope = (value - last.1) / (score - last.0);
            last = (score, value);
        }
        self.anchor_score = last.0;
        self.anchor = last.1;
        self.slope = slope.max(least_slope);
    }

    /// The standard score equivalent to a value of `magnitude` amperes (beyond the anchor; smaller values are approximate).
    pub(super) fn score(&self, magnitude: f64) -> f64 {
        self.anchor_score + (magnitude - self.anchor) / self.slope
    }

    /// The magnitude in amperes whose standard score is `score`.
    pub(super) fn magnitude(&self, score: f64) -> f64 {
        self.anchor + (score - self.anchor_score) * self.slope
    }
}

impl Tails {
    pub(super) fn new() -> Self {
        Self {
            above: Tail::new(),
            below: Tail::new(),
            counts: [Box::new([0.0; BINS]), Box::new([0.0; BINS])],
            beyond: 0,
            values: 0.0,
        }
    }

    /// Learns one value.
    pub(super) fn learn(&mut self, value: f64) {
        self.learn_all(&[value]);
    }

    /// Learns values one after another.
    pub(super) fn learn_all(&mut self, values: &[f64]) {
        for &value in values {
            self.values += 1.0;
            if let Some(index) = bin(value) {
                // By the sign's bit and without a branch, which half of the values would take.
                let side = usize::from(value.is_sign_negative());
                self.counts[side][index] += 1.0;
                self.beyond = self.beyond.max(index + 1);
            }
        }
    }

    /// Number of values behind the quantiles.
    pub(super) fn values(&self) -> f64 {
        f64::from(self.values)
    }

    /// The value on a side that `beyond` values exceed, by straight interpolation inside its bin.
    fn exceeded_by(&self, side: usize, beyond: f64) -> f64 {
        let mut left = beyond;
        for (index, here) in self.counts[side][..self.beyond].iter().enumerate().rev() {
            let here = f64::from(*here);
            if here >= left && here > 0.0 {
                let (low, high) = (lower_border(index), lower_border(index + 1));
                return high - (high - low) * left / here;
            }
            left -= here;
        }
        0.0
    }

    /// Standard deviation of the bulk: half the distance between the quantiles at z = -1 and +1.
    pub(super) fn bulk(&self) -> f64 {
        let beyond = SCORES[0].1 * self.values();
        0.5 * (self.exceeded_by(0, beyond) + self.exceeded_by(1, beyond))
    }

    /// Works the quantiles out anew; gives the [bulk](Self::bulk). `floor_a` is the least slope allowed, in amperes per unit
    /// of score.
    pub(super) fn refresh(&mut self, floor_a: f64) -> f64 {
        let bulk = self.bulk();
        let least = floor_a.max(0.8 * bulk);
        let values = self.values();
        let mut above = self.above.clone();
        above.refresh(|beyond| self.exceeded_by(0, beyond), values, least);
        let mut below = self.below.clone();
        below.refresh(|beyond| self.exceeded_by(1, beyond), values, least);
        (self.above, self.below) = (above, below);
        bulk
    }

    /// Gives what was learned half its weight, so that a change of the noise is followed.
    pub(super) fn forget_half(&mut self) {
        self.values *= 0.5;
        for side in &mut self.counts {
            side.iter_mut().for_each(|count| *count *= 0.5);
        }
    }

    pub(super) fn clear(&mut self) {
        *self = Self::new();
    }
}
