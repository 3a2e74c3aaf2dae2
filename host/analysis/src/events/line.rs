//! Removal of ripple whose frequency wanders: mains ripple, commutator ripple.
//!
//! The ripple is a handful of harmonics of one oscillator. Every harmonic has a complex amplitude per channel that
//! follows the residual by least mean squares (Widrow and others, "Adaptive noise cancelling", Proc. IEEE 63, 1975), and
//! the oscillator's frequency follows the turning of those amplitudes: a second-order loop, critically damped. How fast
//! it should follow depends on how much the frequency wanders, which nobody knows beforehand, so several loops of
//! different quickness run side by side and the one that leaves the least residual is used; "none" is one of them.
//! The residual that the loops see is clipped, and held at nothing while an event lasts, so an event hardly bends them.

use std::f64::consts::TAU;

/// The highest order of a harmonic.
const ORDER_MOST: usize = 8;
/// Loops of different quickness on one oscillator.
const LOOPS: usize = 3;
/// Turns smaller than this, in radians, are made by the first terms of their series; the next is below 1e-13.
const SMALL_TURN: f64 = 1e-4;
/// The residual the loops see is clipped at this many times its mean magnitude.
const CLIP: f64 = 4.0;

#[derive(Clone, Copy, Debug, Default)]
struct Complex {
    re: f64,
    im: f64,
}

impl Complex {
    fn of_angle(angle: f64) -> Self {
        let (im, re) = angle.sin_cos();
        Self { re, im }
    }

    fn times(self, other: Self) -> Self {
        Self {
            re: self.re * other.re - self.im * other.im,
            im: self.re * other.im + self.im * other.re,
        }
    }

    /// Of length one again, when rounding has moved it off by a little: one step of Newton's.
    fn unit(self) -> Self {
        let by = 1.5 - 0.5 * (self.re * self.re + self.im * self.im);
        Self {
            re: self.re * by,
            im: self.im * by,
        }
    }
}

/// A complex number for each harmonic; real and imaginary parts apart, so that several are worked on at once.
#[derive(Clone, Copy, Debug)]
struct Harmonics<const COUNT: usize> {
    re: [f64; COUNT],
    im: [f64; COUNT],
}

impl<const COUNT: usize> Harmonics<COUNT> {
    const NONE: Self = Self {
        re: [0.0; COUNT],
        im: [0.0; COUNT],
    };
}

/// One loop: an oscillator and the amplitudes that hang on it.
#[derive(Clone, Debug)]
struct Loop<const CHANNELS: usize, const COUNT: usize> {
    /// Share of an amplitude's error that is corrected per reading.
    gain: f64,
    /// Radians per reading, and the turn by so many.
    omega: f64,
    step: Complex,
    /// Where the oscillator stands, and its powers at the harmonics.
    base: Complex,
    powers: Harmonics<COUNT>,
    amplitudes: [Harmonics<COUNT>; CHANNELS],
    predicted: [f64; CHANNELS],
    /// Running mean of the clipped residual's square.
    residual: [f64; CHANNELS],
}

impl<const CHANNELS: usize, const COUNT: usize> Loop<CHANNELS, COUNT> {
    /// Moves the oscillator on and says what it makes expect.
    fn predict(&mut self, readings: f64, orders: &[usize; COUNT]) {
        let turn = if readings == 1.0 {
            self.step
        } else {
            Complex::of_angle(self.omega * readings)
        };
        self.base = self.base.times(turn).unit();
        let mut powers = [self.base; ORDER_MOST];
        for order in 1..orders[COUNT - 1] {
            // Powers 2 to 8, each from the two about half of it.
            powers[order] = powers[order / 2].times(powers[(order - 1) / 2]);
        }
        for (place, &order) in orders.iter().enumerate() {
            self.powers.re[place] = powers[order - 1].re;
            self.powers.im[place] = powers[order - 1].im;
        }
        for (amplitude, predicted) in self.amplitudes.iter().zip(&mut self.predicted) {
            let mut terms = [0.0; COUNT];
            for (place, term) in terms.iter_mut().enumerate() {
                *term =
                    amplitude.re[place] * self.powers.re[place] - amplitude.im[place] * self.powers.im[place];
            }
            *predicted = terms.iter().sum();
        }
    }

    /// Corrects the amplitudes of `channel` by a step in proportion to the error; says by how much they turned, and their
    /// strength.
    fn correct(&mut self, channel: usize, step: f64, weights: &[f64; COUNT]) -> (f64, f64) {
        let (amplitude, at) = (&mut self.amplitudes[channel], &self.powers);
        let (mut turns, mut strengths) = ([0.0; COUNT], [0.0; COUNT]);
        for place in 0..COUNT {
            let order = weights[place];
            // Harmonics beyond half the reading rate have weight nothing, and stay nothing.
            let held = if order > 0.0 { step } else { 0.0 };
            let (re, im) = (held * at.re[place], -held * at.im[place]);
            let (was_re, was_im) = (amplitude.re[place], amplitude.im[place]);
            turns[place] = order * (was_re * im - was_im * re);
            strengths[place] = order * order * (was_re * was_re + was_im * was_im);
            amplitude.re[place] = was_re + re;
            amplitude.im[place] = was_im + im;
        }
        (turns.iter().sum(), strengths.iter().sum())
    }

    /// Follows the frequency.
    fn turn(&mut self, by: f64, limits: (f64, f64)) {
        let omega = (self.omega + by).clamp(limits.0, limits.1);
        let moved = omega - self.omega;
        self.omega = omega;
        if moved.abs() < SMALL_TURN {
            let small = Complex {
                re: 1.0 - 0.5 * moved * moved,
                im: moved,
            };
            self.step = self.step.times(small).unit();
        } else {
            self.step = Complex::of_angle(omega);
        }
    }
}

/// Several loops on one oscillator frequency, for one channel or both.
#[derive(Clone, Debug)]
pub(super) struct LineBank<const CHANNELS: usize, const COUNT: usize> {
    harmonics: [usize; COUNT],
    /// The orders of the harmonics in use, zero for the others.
    weights: [f64; COUNT],
    loops: [Loop<CHANNELS, COUNT>; LOOPS],
    /// Residual without any loop, as the loops' residual.
    bare: [f64; CHANNELS],
    /// Running mean magnitude of the winner's residual, for clipping.
    magnitude: [f64; CHANNELS],
    winner: [Option<usize>; CHANNELS],
    /// Limits of the oscillator's angular frequency, radians per reading.
    limits: (f64, f64),
    memory: f64,
    running: bool,
    since_choice: u32,
    /// Readings learned since the start, and how many of them count as the pull-in.
    learned: u32,
    pull_in: u32,
}

/// A bank as it was.
#[derive(Debug)]
pub(super) struct BankBefore<const CHANNELS: usize, const COUNT: usize> {
    magnitudes: [[f64; CHANNELS]; 2],
    /// More than the magnitudes changes only while loops run.
    whole: Option<Box<LineBank<CHANNELS, COUNT>>>,
}

impl<const CHANNELS: usize, const COUNT: usize> LineBank<CHANNELS, COUNT> {
    /// A bank for `harmonics` of a frequency yet unknown, in order and up to the eighth, with loops of the given `quickness`
    /// (time constants in s).
    pub(super) fn new(harmonics: [usize; COUNT], quickness_s: [f64; LOOPS], rate_hz: f64) -> Self {
        let loops = quickness_s.map(|seconds| Loop {
            gain: (1.0 / (seconds * rate_hz)).min(0.2),
            omega: 0.0,
            step: Complex::of_angle(0.0),
            base: Complex::of_angle(0.0),
            powers: Harmonics::NONE,
            amplitudes: [Harmonics::NONE; CHANNELS],
            predicted: [0.0; CHANNELS],
            residual: [0.0; CHANNELS],
        });
        Self {
            harmonics,
            weights: [0.0; COUNT],
            loops,
            bare: [0.0; CHANNELS],
            magnitude: [0.0; CHANNELS],
            winner: [None; CHANNELS],
            limits: (0.0, 0.0),
            memory: 1.0 / (0.7 * rate_hz),
            running: false,
            since_choice: 0,
            learned: 0,
            pull_in: (1.2 * rate_hz) as u32,
        }
    }

    /// Starts all loops at `omega` radians per reading, never to leave `limits`. Amplitudes start at nothing.
    pub(super) fn start(&mut self, omega: f64, limits: (f64, f64)) {
        self.limits = limits;
        self.weights = self.harmonics.map(|order| {
            let order = order as f64;
            let seen = order * omega < 0.9 * TAU / 2.0;
            if seen { order } else { 0.0 }
        });
        self.running = self.weights[0] > 0.0;
        self.winner = [None; CHANNELS];
        self.learned = 0;
        for one in &mut self.loops {
            one.omega = omega;
            one.step = Complex::of_angle(omega);
            one.amplitudes = [Harmonics::NONE; CHANNELS];
            one.predicted = [0.0; CHANNELS];
            one.residual = self.bare;
        }
    }

    /// Stops the loops, which have found nothing to follow.
    pub(super) const fn stop(&mut self) {
        self.running = false;
        self.winner = [None; CHANNELS];
    }

    /// Whether the loops run.
    pub(super) const fn is_running(&self) -> bool {
        self.running
    }

    /// Whether any channel is better off with a loop than without.
    pub(super) fn helps(&self) -> bool {
        self.winner.iter().any(Option::is_some)
    }

    /// Whether the loops have had time to pull in, or none run.
    pub(super) const fn is_settled(&self) -> bool {
        !self.running || self.learned >= self.pull_in
    }

    /// Root of the share of the power on `channel` that is left.
    pub(super) fn left(&self, channel: usize) -> f64 {
        match self.winner[channel] {
            Some(index) if self.bare[channel] > 0.0 => {
                (self.loops[index].residual[channel] / self.bare[channel]).sqrt()
            }
            _ => 1.0,
        }
    }

    /// Moves on by `readings` and says the ripple expected on each channel at this reading, in amperes.
    pub(super) fn predict(&mut self, readings: f64) -> [f64; CHANNELS] {
        if !self.running {
            return [0.0; CHANNELS];
        }
        for one in &mut self.loops {
            one.predict(readings, &self.harmonics);
        }
        std::array::from_fn(|channel| {
            self.winner[channel].map_or(0.0, |index| self.loops[index].predicted[channel])
        })
    }

    /// Takes over the magnitudes that another bank learned from the same readings on `channel`, while neither runs.
    pub(super) const fn adopt<const N: usize, const M: usize>(
        &mut self,
        from: &LineBank<N, M>,
        channel: usize,
    ) {
        self.bare[0] = from.bare[channel];
        self.magnitude[0] = from.magnitude[channel];
    }

    /// All that learning changes.
    pub(super) fn before(&self) -> BankBefore<CHANNELS, COUNT> {
        BankBefore {
            magnitudes: [self.bare, self.magnitude],
            whole: self.running.then(|| Box::new(self.clone())),
        }
    }

    /// Goes back.
    pub(super) fn take_back(&mut self, before: BankBefore<CHANNELS, COUNT>) {
        match before.whole {
            Some(whole) => *self = *whole,
            None => [self.bare, self.magnitude] = before.magnitudes,
        }
    }

    /// Learns from the current above its level, `None` where it must not (an event lasts, a reading is missing).
    pub(super) fn learn(&mut self, above_level: [Option<f64>; CHANNELS]) {
        for (channel, value) in above_level.iter().enumerate() {
            if let Some(value) = value {
                self.learn_magnitudes(channel, *value);
            }
        }
        if !self.running {
            return;
        }
        self.learned = self.learned.saturating_add(1);
        // While the loops pull in, what they left a moment ago says nothing of what they will leave.
        let memory = if self.learned < self.pull_in {
            3.0 * self.memory
        } else {
            self.memory
        };
        let shares = self.magnitude.map(|magnitude| {
            if magnitude > 0.0 {
                1.0 / (magnitude * magnitude)
            } else {
                0.0
            }
        });
        for one in &mut self.loops {
            let (mut turned, mut strength) = (0.0, 1.0);
            for (channel, value) in above_level.iter().enumerate() {
                let Some(value) = value else { continue };
                let error = value - one.predicted[channel];
                let near = CLIP * self.magnitude[channel];
                let error = if error.abs() <= near {
                    error
                } else {
                    // The clip is wide while the loop is still far off, or it could not pull in within reason.
                    let limit = near.max(CLIP * one.residual[channel].sqrt());
                    error.clamp(-limit, limit)
                };
                one.residual[channel] += (error * error - one.residual[channel]) * memory;
                let (turn, power) = one.correct(channel, 2.0 * one.gain * error, &self.weights);
                turned += shares[channel] * turn;
                strength += shares[channel] * power;
            }
            one.turn(0.25 * one.gain * turned / strength, self.limits);
        }
        self.since_choice += 1;
        if f64::from(self.since_choice) * self.memory > 0.4 {
            self.since_choice = 0;
            self.choose();
        }
    }

    /// Learns the magnitudes with and without the loops, of readings that are clipped.
    fn learn_magnitudes(&mut self, channel: usize, value: f64) {
        let won = self.winner[channel].map_or(value, |index| value - self.loops[index].predicted[channel]);
        let near = CLIP * self.magnitude[channel];
        let (bare, seen) = if value.abs() <= near && won.abs() <= near {
            (value, won.abs())
        } else {
            let without = self.bare[channel].sqrt();
            let limit = if without > 0.0 {
                near.max(CLIP * without)
            } else {
                value.abs()
            };
            (value.clamp(-limit, limit), won.abs().min(limit))
        };
        self.bare[channel] += (bare * bare - self.bare[channel]) * self.memory;
        self.magnitude[channel] += (seen - self.magnitude[channel]) * self.memory;
    }

    fn choose(&mut self) {
        for channel in 0..CHANNELS {
            let none = 0.97 * self.bare[channel];
            let best = (0..self.loops.len())
                .min_by(|&a, &b| self.loops[a].residual[channel].total_cmp(&self.loops[b].residual[channel]));
            let Some(best) = best else { continue };
            let best_residual = self.loops[best].residual[channel];
            let held = self.winner[channel];
            let held_residual = held.map_or(none, |index| self.loops[index].residual[channel]);
            if best_residual >= none {
                self.winner[channel] = None;
            } else if best_residual < 0.98 * held_residual {
                self.winner[channel] = Some(best);
            }
        }
    }
}
