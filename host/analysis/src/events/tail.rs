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

/// One side (above or below) of a statistic.
#[derive(Clone, Debug)]
pub(super) struct Tail {
    counts: Vec<f32>,
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
    values: f32,
    zeros: f32,
}

fn bin(magnitude: f64) -> Option<usize> {
    let raw = (magnitude.to_bits() >> (52 - BINS_PER_OCTAVE_LOG2)) as i64;
    let index = raw - ((1023 + LOWEST_EXPONENT) << BINS_PER_OCTAVE_LOG2);
    if index < 0 {
        None
    } else {
        Some((index as usize).min(BINS - 1))
    }
}

fn lower_border(index: usize) -> f64 {
    let steps = 1_u32 << BINS_PER_OCTAVE_LOG2;
    let octave = (index as i64 >> BINS_PER_OCTAVE_LOG2) + LOWEST_EXPONENT;
    let part = f64::from(index as u32 % steps) / f64::from(steps);
    (1.0 + part) * (octave as f64).exp2()
}

impl Tail {
    fn new() -> Self {
        Self {
            counts: vec![0.0; BINS],
            anchor: f64::INFINITY,
            anchor_score: 1.0,
            slope: f64::INFINITY,
        }
    }

    /// The value that `beyond` values exceed, by straight interpolation inside its bin.
    fn exceeded_by(&self, beyond: f64) -> f64 {
        let mut left = beyond;
        for index in (0..BINS).rev() {
            let here = f64::from(self.counts[index]);
            if here >= left && here > 0.0 {
                let (low, high) = (lower_border(index), lower_border(index + 1));
                return high - (high - low) * left / here;
            }
            left -= here;
        }
        0.0
    }

    fn refresh(&mut self, values: f64, least_slope: f64) {
        let mut last = (0.0, 0.0);
        let mut slope = 0.0;
        for (score, share) in SCORES {
            let beyond = share * values;
            if score > 1.0 && beyond < ENOUGH_BEYOND {
                break;
            }
            let value = self.exceeded_by(beyond);
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
            values: 0.0,
            zeros: 0.0,
        }
    }

    /// Learns one value.
    pub(super) fn learn(&mut self, value: f64) {
        self.values += 1.0;
        let side = if value >= 0.0 {
            &mut self.above
        } else {
            &mut self.below
        };
        match bin(value.abs()) {
            Some(index) => side.counts[index] += 1.0,
            None => self.zeros += 1.0,
        }
    }

    /// Number of values behind the quantiles.
    pub(super) fn values(&self) -> f64 {
        f64::from(self.values)
    }

    /// Standard deviation of the bulk: half the distance between the quantiles at z = -1 and +1.
    pub(super) fn bulk(&self) -> f64 {
        let beyond = SCORES[0].1 * self.values();
        0.5 * (self.above.exceeded_by(beyond) + self.below.exceeded_by(beyond))
    }

    /// Works the quantiles out anew. `floor_a` is the least slope allowed, in amperes per unit of score.
    pub(super) fn refresh(&mut self, floor_a: f64) {
        let least = floor_a.max(0.8 * self.bulk());
        let values = self.values();
        self.above.refresh(values, least);
        self.below.refresh(values, least);
    }

    /// Gives what was learned half its weight, so that a change of the noise is followed.
    pub(super) fn forget_half(&mut self) {
        self.values *= 0.5;
        self.zeros *= 0.5;
        for side in [&mut self.above, &mut self.below] {
            side.counts.iter_mut().for_each(|count| *count *= 0.5);
        }
    }

    pub(super) fn clear(&mut self) {
        *self = Self::new();
    }
}
