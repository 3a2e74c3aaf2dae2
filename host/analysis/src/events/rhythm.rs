//! Loads that switch themselves: the rhythm of like changes, confirmed by looking where it says the next must be.
//!
//! A controller that looks at its sensors every other second, a display that is refreshed, a fan that is pulsed: each
//! change alone looks like a fault. Two like changes suggest a period; whether there is something at the instants it
//! foretells is asked of the readings themselves, so that a change too small to be an event counts too. Two changes and
//! two foretold ones in a row make a rhythm.
//!
//! **Why a tapping hand makes none.** A clock keeps its period to far better than [`TOLERANCE`]; a person's taps scatter
//! by about four per cent of the interval even when they try to keep time (Wing and Kristofferson 1973, *Perception &
//! Psychophysics* 14:5; from memory), so two of them land within the tolerance of the foretold instant less than once in
//! a hundred times, and the contact would have to open alike each time, too.

use super::ring::SumRing;

/// Changes remembered, and periods under trial or known.
const KEPT: usize = 16;
/// Periods looked for, in seconds.
const SHORTEST_S: f64 = 0.5;
const LONGEST_S: f64 = 60.0;
/// How far a change may be off the instant foretold, as a share of the period.
const TOLERANCE: f64 = 0.004;
/// Changes in a row that make a rhythm.
const CONFIRMED: u32 = 4;
/// Foretold changes in a row that may be missing before a known rhythm is given up.
const MISSES: u32 = 3;

/// A change of current that may be one of many.
#[derive(Clone, Copy, Debug)]
pub(super) struct Beat {
    /// Position of its first reading.
    pub(super) at: u64,
    /// Readings it lasted; `None` for a step to a new level.
    pub(super) length: Option<u64>,
    /// Departure in amperes.
    pub(super) size_a: f64,
}

impl Beat {
    fn is_like(&self, other: &Self) -> bool {
        let long = match (self.length, other.length) {
            (Some(a), Some(b)) => a.abs_diff(b) <= (2 * a.min(b) / 5).max(3),
            (None, None) => true,
            _ => false,
        };
        long && (self.size_a - other.size_a).abs() < 0.3 * self.size_a.abs().max(other.size_a.abs())
    }

    /// Readings behind its beginning that are needed to look at it.
    fn extent(&self, around: u64) -> u64 {
        self.length.map_or(around, |length| length + around)
    }

    /// What the readings show of a change like this one that begins at `at`, in amperes.
    fn departure(&self, ring: &SumRing, at: u64, around: u64) -> f64 {
        let before = ring.mean(at - around, at);
        match self.length {
            Some(length) => {
                let after = ring.mean(at + length, at + length + around);
                ring.mean(at, at + length) - 0.5 * (before + after)
            }
            None => ring.mean(at, at + around) - before,
        }
    }
}

/// A period under trial, or known.
#[derive(Clone, Copy, Debug)]
struct Rhythm {
    /// The latest change that belongs to it.
    last: Beat,
    /// Period in readings.
    period: f64,
    seen: u32,
    misses: u32,
}

impl Rhythm {
    fn tolerance(&self) -> u64 {
        ((TOLERANCE * self.period) as u64).max(2)
    }

    /// Where the next change is foretold.
    fn next(&self) -> u64 {
        (self.last.at as f64 + self.period).round() as u64
    }

    /// Readings needed to look there.
    fn complete_at(&self, around: u64) -> u64 {
        self.next() + self.tolerance() + self.last.extent(around)
    }

    /// Whether `beat` is one of the rhythm's, some periods before or after the latest.
    fn holds(&self, beat: &Beat) -> bool {
        let apart = beat.at.abs_diff(self.last.at) as f64;
        let periods = (apart / self.period).round();
        let tolerance = self.tolerance() as f64 * (1.0 + 0.25 * periods);
        (apart - periods * self.period).abs() <= tolerance && beat.is_like(&self.last)
    }
}

/// The rhythms of one channel.
#[derive(Clone, Debug)]
pub(super) struct Rhythms {
    rate_hz: f64,
    /// Readings on either side of a change that are its surroundings.
    around: u64,
    beats: Vec<Beat>,
    trials: Vec<Rhythm>,
}

impl Rhythms {
    pub(super) fn new(rate_hz: f64) -> Self {
        Self {
            rate_hz,
            around: ((0.02 * rate_hz) as u64).max(4),
            beats: Vec::with_capacity(KEPT),
            trials: Vec::with_capacity(KEPT),
        }
    }

    /// Readings were lost: nothing can be foretold across the gap.
    pub(super) fn clear(&mut self) {
        self.beats.clear();
        self.trials.clear();
    }

    /// Remembers a change, and puts every period that it makes with an earlier like one to the test.
    pub(super) fn learn(&mut self, beat: Beat) {
        for earlier in self.beats.iter().filter(|earlier| earlier.is_like(&beat)) {
            let period = beat.at.abs_diff(earlier.at) as f64;
            let known = self.trials.iter().any(|trial| {
                let times = (period / trial.period).round();
                times >= 1.0 && (period - times * trial.period).abs() <= trial.tolerance() as f64 * times
            });
            let in_range = (SHORTEST_S..=LONGEST_S).contains(&(period / self.rate_hz));
            if in_range && !known && self.trials.len() < KEPT {
                self.trials.push(Rhythm {
                    last: beat,
                    period,
                    seen: 2,
                    misses: 0,
                });
            }
        }
        if self.beats.len() == KEPT {
            self.beats.remove(0);
        }
        self.beats.push(beat);
    }

    /// Whether no reading up to `end` completes an instant foretold.
    pub(super) fn are_silent_until(&self, end: u64) -> bool {
        self.trials
            .iter()
            .all(|trial| end < trial.complete_at(self.around))
    }

    /// Looks at the instants foretold that the newest reading completes; says whether a rhythm has just become known.
    pub(super) fn listen(&mut self, ring: &SumRing) -> bool {
        let (around, end) = (self.around, ring.end());
        let mut confirmed = false;
        self.trials.retain_mut(|trial| {
            let tolerance = trial.tolerance();
            let next = trial.next();
            if end < trial.complete_at(around) {
                return true;
            }
            let from = (next - tolerance).max(ring.oldest() + around);
            let sign = trial.last.size_a.signum();
            let best = (from..=next + tolerance)
                .map(|at| (at, sign * trial.last.departure(ring, at, around)))
                .max_by(|a, b| a.1.total_cmp(&b.1));
            let share = best.map_or(0.0, |(_, departure)| departure / trial.last.size_a.abs());
            if let Some((at, _)) = best
                && (0.65..1.5).contains(&share)
            {
                trial.seen += 1;
                trial.misses = 0;
                let off = at as f64 - (trial.last.at as f64 + trial.period);
                trial.period += off / f64::from(trial.seen);
                trial.last.at = at;
                confirmed |= trial.seen == CONFIRMED;
                true
            } else {
                trial.misses += 1;
                trial.last.at = next;
                trial.seen >= CONFIRMED && trial.misses < MISSES
            }
        });
        confirmed
    }

    /// The period in seconds of a known rhythm that `beat` belongs to.
    pub(super) fn period_s(&self, beat: &Beat) -> Option<f64> {
        self.trials
            .iter()
            .find(|trial| trial.seen >= CONFIRMED && trial.holds(beat))
            .map(|trial| trial.period / self.rate_hz)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn beat(at: u64) -> Beat {
        Beat {
            at,
            length: Some(20),
            size_a: 0.004,
        }
    }

    /// Readings with pulses of 20 readings and 4 mA at `at`.
    fn listened(rhythms: &mut Rhythms, at: &[u64], readings: u64) -> Option<u64> {
        let mut ring = SumRing::new(2000);
        let mut known = None;
        for position in 0..readings {
            let on = at.iter().any(|&from| (from..from + 20).contains(&position));
            ring.push(if on { 0.104 } else { 0.1 });
            for &from in at.iter().take(2) {
                if position == from + 80 {
                    rhythms.learn(beat(from));
                }
            }
            if rhythms.listen(&ring) {
                known.get_or_insert(position);
            }
        }
        known
    }

    #[test]
    fn four_in_a_row_make_a_rhythm_though_only_two_were_events() {
        let mut rhythms = Rhythms::new(1000.0);
        let at: Vec<u64> = (1..8).map(|k| 1998 * k).collect();
        let known = listened(&mut rhythms, &at, 16_000);
        assert!(
            known.is_some_and(|position| position < 4 * 1998 + 100),
            "{known:?}"
        );
        assert!(
            rhythms
                .period_s(&beat(1998))
                .is_some_and(|period_s| (period_s - 1.998).abs() < 0.002)
        );
        assert!(rhythms.period_s(&beat(2500)).is_none());
        let taller = Beat {
            size_a: 0.008,
            ..beat(1998)
        };
        assert!(rhythms.period_s(&taller).is_none());
    }

    /// Taps every 700 ms with a scatter of a few hundredths: a hand, not a clock.
    #[test]
    fn a_hand_is_no_clock() {
        let mut rhythms = Rhythms::new(1000.0);
        let at = [1000, 1718, 2380, 3109, 3781, 4502, 5230, 5895];
        assert_eq!(listened(&mut rhythms, &at, 7000), None);
        assert!(rhythms.trials.is_empty());
    }
}
