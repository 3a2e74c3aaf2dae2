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
        let mean = self.kept.iter().sum::<f64>() / length as f64;
        let magnitude = self.kept.iter().map(|value| (value - mean).abs()).sum::<f64>() / length as f64;
        let limit = 5.0 * magnitude;
        for (k, slot) in self.work.iter_mut().enumerate() {
            let value = self.kept[(self.next + k) % length] - mean;
            *slot = value.clamp(-limit, limit) * self.window[k];
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
        bins.sort_by(f64::total_cmp);
        bins.get(bins.len() / 2).copied().unwrap_or(0.0)
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
