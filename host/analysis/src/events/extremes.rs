//! The largest values of a statistic second by second.
//!
//! What a load does every second is no event, however far it stands out of the noise: a relay of a display driver, a
//! processor waking up. Events are rare, so a quantile of the largest value per second hardly knows of them, while it
//! knows all of what happens every few seconds at the least.

/// Seconds remembered.
const KEPT: usize = 64;
/// The quantile of the seconds' largest values that is used: what happens in three seconds of ten or more is the load.
const SHARE: f64 = 0.7;

/// Largest values per second of one statistic, above and below.
#[derive(Clone, Debug)]
pub(super) struct Extremes {
    largest: [Vec<f32>; 2],
    next: usize,
    running: [f64; 2],
    left: u32,
    every: u32,
    news: bool,
}

impl Extremes {
    /// Extremes over blocks of `every` values.
    pub(super) fn new(every: u32) -> Self {
        let every = every.max(1);
        Self {
            largest: [Vec::with_capacity(KEPT), Vec::with_capacity(KEPT)],
            next: 0,
            running: [0.0; 2],
            left: every,
            every,
            news: false,
        }
    }

    /// Takes one value.
    pub(super) fn push(&mut self, value: f64) {
        if value >= 0.0 {
            self.running[0] = self.running[0].max(value);
        } else {
            self.running[1] = self.running[1].max(-value);
        }
        self.left -= 1;
        if self.left == 0 {
            self.close_block();
        }
    }

    /// Takes values one after another.
    pub(super) fn push_all(&mut self, values: &[f64]) {
        let mut rest = values;
        while !rest.is_empty() {
            let (part, after) = rest.split_at(rest.len().min(self.left as usize));
            let [mut most, mut least] = [self.running[0], -self.running[1]];
            for &value in part {
                most = if value > most { value } else { most };
                least = if value < least { value } else { least };
            }
            self.running = [most, -least];
            self.left -= part.len() as u32;
            if self.left == 0 {
                self.close_block();
            }
            rest = after;
        }
    }

    fn close_block(&mut self) {
        self.left = self.every;
        for (side, &value) in self.largest.iter_mut().zip(&self.running) {
            if side.len() < KEPT {
                side.push(value as f32);
            } else {
                side[self.next] = value as f32;
            }
        }
        self.next = (self.next + 1) % KEPT;
        self.running = [0.0; 2];
        self.news = true;
    }

    /// Whether a block has been closed since [`Self::usual`] was asked last.
    pub(super) const fn has_news(&self) -> bool {
        self.news
    }

    /// The usual largest value per block above (0) and below (1); nothing before the first block is full.
    pub(super) fn usual(&mut self, work: &mut Vec<f32>) -> [f64; 2] {
        self.news = false;
        [0, 1].map(|side: usize| {
            work.clear();
            work.extend_from_slice(&self.largest[side]);
            if work.is_empty() {
                return 0.0;
            }
            let place = ((work.len() - 1) as f64 * SHARE).round() as usize;
            // Of few seconds all but one must be below: that one may hold an event.
            let place = if work.len() < 8 {
                work.len().max(3) - 2
            } else {
                place
            };
            let place = place.min(work.len() - 1);
            let (_, value, _) = work.select_nth_unstable_by(place, f32::total_cmp);
            f64::from(*value)
        })
    }

    /// Number of blocks seen, at most as many as are remembered.
    pub(super) fn blocks(&self) -> usize {
        self.largest[0].len()
    }

    pub(super) fn clear(&mut self) {
        *self = Self::new(self.every);
    }
}

/// Standard score of [`Extremes::usual`] for Gaussian noise with `looks` independent values per block.
pub(super) fn usual_score(looks: f64) -> f64 {
    use statrs::distribution::{ContinuousCDF, Normal};
    Normal::standard().inverse_cdf(SHARE.powf(1.0 / looks.max(1.0)))
}
