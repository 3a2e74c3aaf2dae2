//! Removal of ripple whose frequency wanders: mains ripple, commutator ripple.
//!
//! The ripple is a handful of harmonics of one oscillator. Every harmonic has a complex amplitude per channel that
//! follows the residual by least mean squares (Widrow and others, "Adaptive noise cancelling", Proc. IEEE 63, 1975), and
//! the oscillator's frequency follows the turning of those amplitudes: a second-order loop, critically damped. How fast
//! it should follow depends on how much the frequency wanders, which nobody knows beforehand, so several loops of
//! different quickness run side by side and the one that leaves the least residual is used; "none" is one of them.
//! The residual that the loops see is clipped, and held at nothing while an event lasts, so an event hardly bends them.

use std::f64::consts::TAU;

/// Most harmonics of one oscillator.
const MOST: usize = 5;
/// The residual the loops see is clipped at this many times its mean magnitude.
const CLIP: f64 = 4.0;

#[derive(Clone, Copy, Debug, Default)]
struct Complex {
    re: f64,
    im: f64,
}

impl Complex {
    fn times(self, other: Self) -> Self {
        Self {
            re: self.re * other.re - self.im * other.im,
            im: self.re * other.im + self.im * other.re,
        }
    }
}

/// One loop: an oscillator and the amplitudes that hang on it.
#[derive(Clone, Debug)]
struct Loop {
    /// Share of an amplitude's error that is corrected per reading.
    gain: f64,
    phase: f64,
    /// Radians per reading.
    omega: f64,
    powers: [Complex; MOST],
    amplitudes: [[Complex; MOST]; 2],
    predicted: [f64; 2],
    /// Running mean of the clipped residual's square.
    residual: [f64; 2],
}

/// Several loops on one oscillator frequency, for both channels.
#[derive(Clone, Debug)]
pub(super) struct LineBank {
    harmonics: &'static [u32],
    loops: Vec<Loop>,
    /// Residual without any loop, as the loops' residual.
    bare: [f64; 2],
    /// Running mean magnitude of the winner's residual, for clipping.
    magnitude: [f64; 2],
    winner: [Option<usize>; 2],
    /// Limits of the oscillator's angular frequency, radians per reading.
    limits: (f64, f64),
    used: usize,
    memory: f64,
    running: bool,
    since_choice: u32,
    /// Readings learned since the start, and how many of them count as the pull-in.
    learned: u32,
    pull_in: u32,
}

impl LineBank {
    /// A bank for `harmonics` of a frequency yet unknown, with loops of the given `quickness` (time constants in s).
    pub(super) fn new(harmonics: &'static [u32], quickness_s: &[f64], rate_hz: f64) -> Self {
        let loops = quickness_s
            .iter()
            .map(|seconds| Loop {
                gain: (1.0 / (seconds * rate_hz)).min(0.2),
                phase: 0.0,
                omega: 0.0,
                powers: [Complex::default(); MOST],
                amplitudes: [[Complex::default(); MOST]; 2],
                predicted: [0.0; 2],
                residual: [0.0; 2],
            })
            .collect();
        Self {
            harmonics,
            loops,
            bare: [0.0; 2],
            magnitude: [0.0; 2],
            winner: [None; 2],
            limits: (0.0, 0.0),
            used: 0,
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
        self.used = self
            .harmonics
            .iter()
            .take_while(|&&n| f64::from(n) * omega < 0.9 * TAU / 2.0)
            .count();
        self.running = self.used > 0;
        self.winner = [None; 2];
        self.learned = 0;
        for one in &mut self.loops {
            one.omega = omega;
            one.amplitudes = [[Complex::default(); MOST]; 2];
            one.predicted = [0.0; 2];
            one.residual = self.bare;
        }
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
    pub(super) fn predict(&mut self, readings: f64) -> [f64; 2] {
        if !self.running {
            return [0.0; 2];
        }
        let used = self.used;
        for one in &mut self.loops {
            one.phase += one.omega * readings;
            if one.phase > TAU {
                one.phase %= TAU;
            }
            let (im, re) = one.phase.sin_cos();
            let base = Complex { re, im };
            let (mut power, mut order) = (base, 1);
            for (slot, &harmonic) in one.powers.iter_mut().zip(self.harmonics).take(used) {
                while order < harmonic {
                    power = power.times(base);
                    order += 1;
                }
                *slot = power;
            }
            for channel in 0..2 {
                let mut sum = 0.0;
                for (amplitude, turn) in one.amplitudes[channel].iter().zip(&one.powers).take(used) {
                    sum += amplitude.re * turn.re - amplitude.im * turn.im;
                }
                one.predicted[channel] = sum;
            }
        }
        [0, 1].map(|channel| self.winner[channel].map_or(0.0, |index| self.loops[index].predicted[channel]))
    }

    /// Learns from the current above its level, `None` where it must not (an event lasts, a reading is missing).
    pub(super) fn learn(&mut self, above_level: [Option<f64>; 2]) {
        for (channel, value) in above_level
            .iter()
            .enumerate()
            .filter_map(|(k, value)| value.map(|value| (k, value)))
        {
            let limit = self.clip(channel, value);
            let bare = value.clamp(-limit, limit);
            self.bare[channel] += (bare * bare - self.bare[channel]) * self.memory;
            let won =
                self.winner[channel].map_or(value, |index| value - self.loops[index].predicted[channel]);
            let seen = won.abs().min(limit);
            self.magnitude[channel] += (seen - self.magnitude[channel]) * self.memory;
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
        let used = self.used;
        let weights = [0, 1].map(|channel: usize| {
            let magnitude = self.magnitude[channel];
            if magnitude > 0.0 {
                1.0 / (magnitude * magnitude)
            } else {
                0.0
            }
        });
        let magnitude = self.magnitude;
        for one in &mut self.loops {
            let (mut turned, mut strength) = (0.0, 1.0);
            for (channel, value) in above_level
                .iter()
                .enumerate()
                .filter_map(|(k, value)| value.map(|value| (k, value)))
            {
                // The clip is wide while the loop is still far off, or it could not pull in within reason.
                let limit = CLIP * magnitude[channel].max(one.residual[channel].sqrt());
                let error = (value - one.predicted[channel]).clamp(-limit, limit);
                one.residual[channel] += (error * error - one.residual[channel]) * memory;
                let step = 2.0 * one.gain * error;
                let (mut turn, mut power) = (0.0, 0.0);
                for ((amplitude, at), &harmonic) in one.amplitudes[channel]
                    .iter_mut()
                    .zip(&one.powers)
                    .zip(self.harmonics)
                    .take(used)
                {
                    let (re, im) = (step * at.re, -step * at.im);
                    let order = f64::from(harmonic);
                    turn += order * (amplitude.re * im - amplitude.im * re);
                    power += order * order * (amplitude.re * amplitude.re + amplitude.im * amplitude.im);
                    amplitude.re += re;
                    amplitude.im += im;
                }
                turned += weights[channel] * turn;
                strength += weights[channel] * power;
            }
            one.omega = (one.omega + 0.25 * one.gain * turned / strength).clamp(self.limits.0, self.limits.1);
        }
        self.since_choice += 1;
        if f64::from(self.since_choice) * self.memory > 0.4 {
            self.since_choice = 0;
            self.choose();
        }
    }

    fn clip(&self, channel: usize, value: f64) -> f64 {
        let magnitude = self.magnitude[channel];
        let without = self.bare[channel].sqrt();
        if without > 0.0 {
            CLIP * magnitude.max(without)
        } else {
            value.abs()
        }
    }

    fn choose(&mut self) {
        for channel in 0..2 {
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
