//! Readings of both channels, matched in time, as batch means of a twentieth of a second.
//!
//! A twentieth of a second holds whole periods of twice the mains frequency at 50 and at 60 Hz, so the ripple all but
//! cancels in its mean. The ripple itself is measured in each batch by correlation with the two frequencies and with
//! two neighbours, whose power is the noise to be subtracted. When there are too many batches neighbours are joined.

use crate::sample::Sample;
use crate::statistics::RunningMoments;

/// The shortest batch, in seconds.
pub(crate) const BATCH_S: f64 = 0.05;
/// Readings looked at before the rate is taken as known.
const LEARNING: usize = 64;
/// Frequencies correlated with, in hertz: twice 50 and 60 Hz, and a neighbour of each.
pub(crate) const FREQUENCIES_HZ: [f64; 4] = [100.0, 120.0, 80.0, 140.0];

#[derive(Clone, Copy, Debug, Default)]
struct Phasor {
    cos: f64,
    sin: f64,
}

/// The batch being filled: readings where both channels were present.
#[derive(Clone, Debug, Default)]
struct Open {
    index: u64,
    count: u32,
    mean: [f64; 2],
    squares: [f64; 2],
    phasors: [[Phasor; 4]; 2],
}

/// One batch.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Batch {
    /// Number of batch lengths since the first.
    pub(crate) index: u64,
    /// Readings in it.
    pub(crate) count: u32,
    /// Mean currents, in amperes.
    pub(crate) mean: [f64; 2],
}

/// Sums over whole batches that tell of ripple and fast noise.
#[derive(Clone, Debug, Default)]
pub(crate) struct Fast {
    /// Sum of squared deviations within batches, per channel, and the degrees of freedom in it.
    pub(crate) squares: [f64; 2],
    pub(crate) freedom: f64,
    /// Sum of squared amplitudes at each of [`FREQUENCIES_HZ`], per channel; the third entry is the difference.
    pub(crate) power: [[f64; 4]; 3],
    /// Sum over neighbouring batches of the turn of the phasor of the difference: cosine and sine part.
    pub(crate) turn: [[f64; 2]; 2],
    pub(crate) batches: u64,
    /// Half the logarithm of the ratio of the channels' variances within a batch.
    pub(crate) log_sd_ratio: RunningMoments,
}

/// Both channels so far.
#[derive(Clone, Debug)]
pub(crate) struct Batches {
    limit: usize,
    waiting: Vec<Sample>,
    start_s: f64,
    reading_s: f64,
    /// Length of a batch as measured, in seconds.
    pub(crate) batch_s: f64,
    /// Length of a kept batch in measured batches.
    pub(crate) joined: u64,
    open: Open,
    previous: Option<(u64, [Phasor; 2])>,
    pub(crate) done: Vec<Batch>,
    pub(crate) fast: Fast,
    /// Readings in which both channels were present, and those in which one was missing.
    pub(crate) matched: u64,
    pub(crate) unmatched: u64,
    pub(crate) rail_v: [RunningMoments; 2],
    pub(crate) temperature_c: [RunningMoments; 2],
    resolution_a: [f64; 2],
    last_a: [f64; 2],
    pub(crate) last_s: f64,
}

impl Batches {
    pub(crate) fn new(limit: usize) -> Self {
        Self {
            limit: limit.max(64),
            waiting: Vec::with_capacity(LEARNING),
            start_s: f64::NAN,
            reading_s: 0.0,
            batch_s: 0.0,
            joined: 1,
            open: Open::default(),
            previous: None,
            done: Vec::new(),
            fast: Fast::default(),
            matched: 0,
            unmatched: 0,
            rail_v: [RunningMoments::new(), RunningMoments::new()],
            temperature_c: [RunningMoments::new(), RunningMoments::new()],
            resolution_a: [f64::INFINITY; 2],
            last_a: [f64::NAN; 2],
            last_s: f64::NAN,
        }
    }

    pub(crate) fn push(&mut self, sample: &Sample) {
        if self.batch_s > 0.0 {
            self.take(sample);
            return;
        }
        self.waiting.push(*sample);
        if self.waiting.len() >= LEARNING {
            self.learn_rate();
        }
    }

    /// Fixes the batch length and takes in what was waiting.
    fn learn_rate(&mut self) {
        let mut intervals: Vec<f64> = self
            .waiting
            .windows(2)
            .map(|pair| pair[1].time_s - pair[0].time_s)
            .filter(|gap| *gap > 0.0)
            .collect();
        if intervals.is_empty() {
            return;
        }
        intervals.sort_by(f64::total_cmp);
        self.reading_s = intervals[intervals.len() / 2];
        self.batch_s = batch_length_s(self.reading_s);
        self.start_s = self.waiting[0].time_s;
        for sample in std::mem::take(&mut self.waiting) {
            self.take(&sample);
        }
    }

    /// Whether batches are short enough, and readings many enough in each, to see the ripple.
    pub(crate) fn sees_ripple(&self) -> bool {
        self.reading_s > 0.0 && self.reading_s <= 1.0 / 300.0
    }

    fn take(&mut self, sample: &Sample) {
        self.last_s = sample.time_s;
        for channel in 0..2 {
            self.rail_v[channel].push(sample.rail_v[channel]);
            self.temperature_c[channel].push(sample.temperature_c[channel]);
        }
        if sample.current_a.iter().any(|current| !current.is_finite()) {
            self.unmatched += u64::from(sample.current_a.iter().any(|current| current.is_finite()));
            return;
        }
        self.matched += 1;
        let since = sample.time_s - self.start_s;
        // A tenth of a reading of slack keeps rounded time stamps in their batch.
        let index = ((since + 0.1 * self.reading_s).max(0.0) / self.batch_s) as u64;
        if index != self.open.index {
            self.close();
            self.open = Open {
                index,
                ..Open::default()
            };
        }
        self.open.count += 1;
        let turns = self.sees_ripple().then(|| {
            FREQUENCIES_HZ.map(|frequency| (std::f64::consts::TAU * (frequency * since).fract()).sin_cos())
        });
        for channel in 0..2 {
            let value = sample.current_a[channel];
            let step = (value - self.last_a[channel]).abs();
            if step > 1e-9 * value.abs() && step < self.resolution_a[channel] {
                self.resolution_a[channel] = step;
            }
            self.last_a[channel] = value;
            let before = if self.open.count == 1 {
                value
            } else {
                self.open.mean[channel]
            };
            let after = before + (value - before) / f64::from(self.open.count);
            self.open.mean[channel] = after;
            self.open.squares[channel] += (value - before) * (value - after);
            if let Some(turns) = &turns {
                for (phasor, (sin, cos)) in self.open.phasors[channel].iter_mut().zip(turns) {
                    phasor.cos += value * cos;
                    phasor.sin += value * sin;
                }
            }
        }
    }

    fn close(&mut self) {
        let open = std::mem::take(&mut self.open);
        if open.count == 0 {
            return;
        }
        let whole = f64::from(open.count) >= 0.95 * self.batch_s / self.reading_s;
        if whole {
            self.add_fast(&open);
        } else {
            self.previous = None;
        }
        let batch = Batch {
            index: open.index / self.joined,
            count: open.count,
            mean: open.mean,
        };
        match self.done.last_mut() {
            Some(last) if last.index == batch.index => *last = join(*last, batch),
            _ => self.done.push(batch),
        }
        while self.done.len() > self.limit {
            self.joined *= 2;
            let mut kept: Vec<Batch> = Vec::with_capacity(self.done.len() / 2 + 1);
            for batch in self.done.drain(..) {
                let batch = Batch {
                    index: batch.index / 2,
                    ..batch
                };
                match kept.last_mut() {
                    Some(last) if last.index == batch.index => *last = join(*last, batch),
                    _ => kept.push(batch),
                }
            }
            self.done = kept;
        }
    }

    fn add_fast(&mut self, open: &Open) {
        if open.count < 2 {
            return;
        }
        let count = f64::from(open.count);
        let fast = &mut self.fast;
        fast.batches += 1;
        fast.freedom += count - 1.0;
        fast.squares[0] += open.squares[0];
        fast.squares[1] += open.squares[1];
        if open.squares.iter().all(|square| *square > 0.0) {
            fast.log_sd_ratio
                .push(0.5 * (open.squares[0] / open.squares[1]).ln());
        }
        if !(self.reading_s > 0.0 && self.reading_s <= 1.0 / 300.0) {
            return;
        }
        let mut difference = [Phasor::default(); 2];
        for frequency in 0..4 {
            let [one, two] = [open.phasors[0][frequency], open.phasors[1][frequency]];
            let apart = Phasor {
                cos: one.cos - two.cos,
                sin: one.sin - two.sin,
            };
            for (sum, phasor) in fast.power.iter_mut().zip([one, two, apart]) {
                sum[frequency] += 4.0 * (phasor.cos * phasor.cos + phasor.sin * phasor.sin) / (count * count);
            }
            if frequency < 2 {
                difference[frequency] = apart;
            }
        }
        if let Some((index, before)) = self.previous
            && index + 1 == open.index
        {
            for ((turn, old), new) in fast.turn.iter_mut().zip(before).zip(difference) {
                turn[0] += old.cos * new.cos + old.sin * new.sin;
                turn[1] += old.sin * new.cos - old.cos * new.sin;
            }
        }
        self.previous = Some((open.index, difference));
    }

    /// Closes what is open. Call once, at the end.
    pub(crate) fn finish(&mut self) {
        if self.batch_s == 0.0 {
            self.learn_rate();
        }
        self.close();
    }

    /// The smallest step seen between readings, in amperes; zero when there was none.
    pub(crate) fn resolution_a(&self, channel: usize) -> f64 {
        if self.resolution_a[channel].is_finite() {
            self.resolution_a[channel]
        } else {
            0.0
        }
    }
}

fn join(left: Batch, right: Batch) -> Batch {
    let (here, there) = (f64::from(left.count), f64::from(right.count));
    let mean = [0, 1].map(|k| (left.mean[k] * here + right.mean[k] * there) / (here + there));
    Batch {
        index: left.index,
        count: left.count + right.count,
        mean,
    }
}

/// The shortest multiple of a twentieth of a second that holds a whole number of readings; one reading when they are
/// slower than that.
fn batch_length_s(reading_s: f64) -> f64 {
    if reading_s > 0.5 * BATCH_S {
        return reading_s.max(BATCH_S);
    }
    (1..=4)
        .map(|k| f64::from(k) * BATCH_S)
        .find(|length| {
            let readings = length / reading_s;
            (readings - readings.round()).abs() < 0.02
        })
        .unwrap_or(2.0 * BATCH_S)
}
