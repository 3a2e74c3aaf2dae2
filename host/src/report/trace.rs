//! The least and the greatest of stretches of time, in bounded memory.
//!
//! A stretch begins as one reading long. When there are too many of them, neighbours are made one; so nothing a reading
//! showed is ever smoothed away, however long the recording.

use crate::stream::Reading;

/// Most stretches kept.
const STRETCHES_MAX: usize = 4096;

/// Least, greatest and mean of what was read in a stretch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extremes {
    /// The least.
    pub min: f64,
    /// The greatest.
    pub max: f64,
    sum: f64,
    count: u64,
}

impl Default for Extremes {
    fn default() -> Self {
        Self {
            min: f64::INFINITY,
            max: f64::NEG_INFINITY,
            sum: 0.0,
            count: 0,
        }
    }
}

impl Extremes {
    /// Takes a value in.
    pub fn take(&mut self, value: f64) {
        self.take_between(value, value, value);
    }

    fn take_between(&mut self, low: f64, value: f64, high: f64) {
        self.min = self.min.min(low);
        self.max = self.max.max(high);
        self.sum += value;
        self.count += 1;
    }

    /// Whether nothing was read.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// The mean; `None` when nothing was read.
    #[must_use]
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / self.count as f64)
    }

    /// The same with the mean for its least and greatest.
    #[must_use]
    pub fn at_mean(self) -> Self {
        match self.mean() {
            None => self,
            Some(mean) => Self {
                min: mean,
                max: mean,
                ..self
            },
        }
    }

    /// Values taken in.
    #[must_use]
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// Both together.
    #[must_use]
    pub fn with(self, other: Self) -> Self {
        Self {
            min: self.min.min(other.min),
            max: self.max.max(other.max),
            sum: self.sum + other.sum,
            count: self.count + other.count,
        }
    }
}

/// One stretch of time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Stretch {
    /// Currents in amperes.
    pub current_a: [Extremes; 2],
    /// Rail voltages in volts.
    pub rail_v: [Extremes; 2],
    /// Temperatures in degrees Celsius.
    pub temperature_c: [Extremes; 2],
}

impl Stretch {
    fn with(self, other: Self) -> Self {
        let both = |a: [Extremes; 2], b: [Extremes; 2]| [a[0].with(b[0]), a[1].with(b[1])];
        Self {
            current_a: both(self.current_a, other.current_a),
            rail_v: both(self.rail_v, other.rail_v),
            temperature_c: both(self.temperature_c, other.temperature_c),
        }
    }
}

/// A recording, or a window of one, as stretches of equal length.
#[derive(Clone, Debug)]
pub struct Trace {
    from_us: i64,
    to_us: i64,
    stretch_us: i64,
    stretches: Vec<Stretch>,
    ended_us: i64,
}

impl Trace {
    /// Readings from `from_us` up to, and without, `to_us` since the run's first reading; `reading_period_us` apart.
    #[must_use]
    pub fn between(from_us: i64, to_us: i64, reading_period_us: u32) -> Self {
        Self {
            from_us,
            to_us,
            stretch_us: i64::from(reading_period_us.max(1)),
            stretches: Vec::new(),
            ended_us: from_us,
        }
    }

    /// A whole recording.
    #[must_use]
    pub fn whole(reading_period_us: u32) -> Self {
        Self::between(0, i64::MAX, reading_period_us)
    }

    /// Takes a reading, if it lies within.
    pub fn take(&mut self, reading: &Reading) {
        let Some(at_us) = reading.when.elapsed_us else {
            return;
        };
        if at_us < self.from_us || at_us >= self.to_us {
            return;
        }
        self.ended_us = self.ended_us.max(at_us);
        let stretch = self.stretch_at(at_us);
        for channel in [0, 1] {
            if let Some(current_a) = reading.current_a[channel] {
                stretch.current_a[channel].take(current_a);
            }
            let Some(slow) = &reading.slow else { continue };
            if let Some([latest, lowest, highest]) = slow.rail_v[channel] {
                stretch.rail_v[channel].take_between(lowest, latest, highest);
            }
            if let Some(celsius) = slow.temperature_c[channel] {
                stretch.temperature_c[channel].take(celsius);
            }
        }
    }

    fn stretch_at(&mut self, at_us: i64) -> &mut Stretch {
        loop {
            let at = usize::try_from((at_us - self.from_us) / self.stretch_us).unwrap_or(usize::MAX);
            if at < STRETCHES_MAX {
                if at >= self.stretches.len() {
                    self.stretches.resize(at + 1, Stretch::default());
                }
                return &mut self.stretches[at];
            }
            self.stretches = halved(&self.stretches);
            self.stretch_us *= 2;
        }
    }

    /// Beginning, in seconds since the run's first reading.
    #[must_use]
    pub fn from_s(&self) -> f64 {
        self.from_us as f64 * 1e-6
    }

    /// Instant of the last reading, in seconds since the run's first.
    #[must_use]
    pub fn ended_s(&self) -> f64 {
        self.ended_us as f64 * 1e-6
    }

    /// At most `most` stretches with the instant each begins at, in seconds since the run's first reading, and the length
    /// of each.
    #[must_use]
    pub fn stretches(&self, most: usize) -> (Vec<(f64, Stretch)>, f64) {
        let mut stretches = self.stretches.clone();
        let mut stretch_us = self.stretch_us;
        while stretches.len() > most.max(2) {
            stretches = halved(&stretches);
            stretch_us *= 2;
        }
        let start_s = |at: usize| (self.from_us as f64 + at as f64 * stretch_us as f64) * 1e-6;
        let timed = stretches.into_iter().enumerate();
        (
            timed.map(|(at, stretch)| (start_s(at), stretch)).collect(),
            stretch_us as f64 * 1e-6,
        )
    }

    /// The recording from `from_s` on, to a whole stretch.
    #[must_use]
    pub fn later_than(&self, from_s: f64) -> Self {
        let skipped = ((from_s * 1e6) as i64 - self.from_us).max(0) / self.stretch_us;
        let at = usize::try_from(skipped)
            .unwrap_or(usize::MAX)
            .min(self.stretches.len());
        Self {
            from_us: self.from_us + at as i64 * self.stretch_us,
            stretches: self.stretches[at..].to_vec(),
            ..*self
        }
    }

    /// Everything in one.
    #[must_use]
    pub fn all(&self) -> Stretch {
        self.stretches
            .iter()
            .fold(Stretch::default(), |all, stretch| all.with(*stretch))
    }
}

fn halved(stretches: &[Stretch]) -> Vec<Stretch> {
    let one = |pair: &[Stretch]| pair.iter().fold(Stretch::default(), |all, one| all.with(*one));
    stretches.chunks(2).map(one).collect()
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::stream::When;

    /// A reading of channel 1 alone.
    pub(in crate::report) fn reading(at_us: i64, current_a: f64) -> Reading {
        Reading {
            index: 0,
            board: steadybench_protocol::BoardTime::from_micros(0),
            when: When {
                elapsed_us: Some(at_us),
                utc: None,
            },
            codes: [None; 2],
            current_a: [Some(current_a), None],
            late: false,
            slow: None,
        }
    }

    /// One millisecond of 0 A in twelve hours: the extremes hold it at whatever width, memory is bounded.
    #[test]
    fn a_millisecond_in_twelve_hours_is_there_at_every_scale() {
        let mut trace = Trace::whole(1000);
        for index in 0..2_160_000_i64 {
            trace.take(&reading(index * 20_000, 0.25));
            if index == 1_570_796 {
                trace.take(&reading(31_415_926_000, 0.0));
            }
        }
        for most in [10, 100, 1000, 4096] {
            let (stretches, length_s) = trace.stretches(most);
            assert!(
                stretches.len() <= most && stretches.len() > most / 4,
                "{}",
                stretches.len()
            );
            let seen: Vec<f64> = stretches
                .iter()
                .filter(|(_, stretch)| stretch.current_a[0].min < 0.1)
                .map(|(start_s, _)| *start_s)
                .collect();
            assert_eq!(seen.len(), 1);
            assert!((31_415.926 - seen[0]) >= 0.0 && (31_415.926 - seen[0]) < length_s);
        }
        assert!(trace.all().current_a[1].is_empty());
        assert_eq!(trace.all().current_a[0].count(), 2_160_001);
        let late = trace.later_than(40_000.0);
        assert!((late.from_s() - 40_000.0).abs() < 20.0, "{}", late.from_s());
        assert!((late.all().current_a[0].min - 0.25).abs() < 1e-12);
    }

    #[test]
    fn a_window_holds_what_lies_in_it() {
        let mut trace = Trace::between(1_000_000, 1_010_000, 1000);
        for index in 0..2000 {
            trace.take(&reading(index * 1000, index as f64));
        }
        let (stretches, length_s) = trace.stretches(100);
        assert_eq!(stretches.len(), 10);
        assert!((length_s - 0.001).abs() < 1e-12);
        assert_eq!(stretches[0].1.current_a[0].mean(), Some(1000.0));
        assert!((trace.from_s() - 1.0).abs() < 1e-12 && (trace.ended_s() - 1.009).abs() < 1e-12);
    }
}
