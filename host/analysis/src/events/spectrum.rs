//! Where in the spectrum a ripple stands: the start of a [`super::line::LineBank`].

use realfft::{RealFftPlanner, RealToComplex};
use std::f64::consts::TAU;
use std::sync::Arc;

/// The last second or so of one signal, and its spectrum on demand.
pub(super) struct LineFinder {
    transform: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    kept: Vec<f64>,
    next: usize,
    filled: bool,
    work: Vec<f64>,
    scratch: Vec<realfft::num_complex::Complex<f64>>,
    spectrum: Vec<realfft::num_complex::Complex<f64>>,
    /// Power per bin.
    pub(super) power: Vec<f64>,
}

impl LineFinder {
    /// A finder over about `seconds` of readings.
    pub(super) fn new(rate_hz: f64, seconds: f64) -> Self {
        let length = ((rate_hz * seconds) as usize)
            .clamp(64, 1 << 14)
            .next_power_of_two();
        let transform = RealFftPlanner::<f64>::new().plan_fft_forward(length);
        let window = (0..length)
            .map(|k| 0.5 - 0.5 * (TAU * k as f64 / length as f64).cos())
            .collect();
        Self {
            window,
            kept: vec![0.0; length],
            next: 0,
            filled: false,
            work: transform.make_input_vec(),
            scratch: transform.make_scratch_vec(),
            spectrum: transform.make_output_vec(),
            power: vec![0.0; length / 2 + 1],
            transform,
        }
    }

    pub(super) fn push(&mut self, value: f64) {
        self.kept[self.next] = value;
        self.next += 1;
        if self.next == self.kept.len() {
            self.next = 0;
            self.filled = true;
        }
    }

    /// Where it stands, for [`Self::take_back`].
    pub(super) const fn mark(&self) -> (usize, bool) {
        (self.next, self.filled)
    }

    /// Goes back to a mark; the same number of values must be put in anew before the spectrum is asked for.
    pub(super) const fn take_back(&mut self, (next, filled): (usize, bool)) {
        self.next = next;
        self.filled = filled;
    }

    pub(super) fn clear(&mut self) {
        self.next = 0;
        self.filled = false;
    }

    /// Works out the spectrum of what is kept; `false` until the window is full.
    pub(super) fn refresh(&mut self) -> bool {
        if !self.filled {
            return false;
        }
        let length = self.kept.len();
        let mean = sum(&self.kept, |value| value) / length as f64;
        let magnitude = sum(&self.kept, |value| (value - mean).abs()) / length as f64;
        let limit = 5.0 * magnitude;
        let (newer, older) = self.kept.split_at(self.next);
        let in_order = older.iter().chain(newer);
        for ((slot, kept), window) in self.work.iter_mut().zip(in_order).zip(&self.window) {
            *slot = (kept - mean).clamp(-limit, limit) * window;
        }
        let outcome =
            self.transform
                .process_with_scratch(&mut self.work, &mut self.spectrum, &mut self.scratch);
        if outcome.is_err() {
            return false;
        }
        for (power, value) in self.power.iter_mut().zip(&self.spectrum) {
            *power = value.norm_sqr();
        }
        true
    }

    /// Length of the window in readings.
    pub(super) fn length(&self) -> usize {
        self.kept.len()
    }
}

/// The sum of something over values whose number divides by eight; eight sums at once, since each addition waits for the
/// one before.
fn sum(values: &[f64], of: impl Fn(f64) -> f64) -> f64 {
    let mut sums = [0.0; 8];
    for eight in values.chunks_exact(sums.len()) {
        for (sum, value) in sums.iter_mut().zip(eight) {
            *sum += of(*value);
        }
    }
    sums.iter().sum()
}

/// The strongest line of `power` (from a window of `length` readings) between two angular frequencies, in radians per
/// reading, if it stands `times` above the median of the bins around it.
pub(super) fn strongest_line(power: &[f64], length: usize, from: f64, to: f64, times: f64) -> Option<f64> {
    let per_bin = TAU / length as f64;
    let first = ((from / per_bin).floor() as usize).max(2);
    let last = ((to / per_bin).ceil() as usize).min(power.len().saturating_sub(2));
    if first > last {
        return None;
    }
    let peak = (first..=last).max_by(|&a, &b| power[a].total_cmp(&power[b]))?;
    // A line stands above both its flanks; the low end of a random switching load's spectrum only above one.
    let flank = |from: usize, to: usize| {
        let mut bins: Vec<f64> = (from.max(1)..to.min(power.len())).map(|bin| power[bin]).collect();
        let middle = bins.len() / 2;
        if bins.is_empty() {
            return 0.0;
        }
        *bins.select_nth_unstable_by(middle, f64::total_cmp).1
    };
    let around = flank(peak.saturating_sub(20), peak.saturating_sub(3)).max(flank(peak + 4, peak + 21));
    if power[peak] <= times * around || power[peak] < power[peak - 1] || power[peak] < power[peak + 1] {
        return None;
    }
    // Gaussian interpolation of the Hann window's peak over the logarithm of the power.
    let (a, b, c) = (power[peak - 1].ln(), power[peak].ln(), power[peak + 1].ln());
    let curvature = a - 2.0 * b + c;
    let shift = if curvature < 0.0 {
        (0.5 * (a - c) / curvature).clamp(-0.5, 0.5)
    } else {
        0.0
    };
    Some((peak as f64 + shift) * per_bin)
}
