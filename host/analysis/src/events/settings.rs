//! What the detector may be told beforehand. Everything has a default that suits the bench.

use statrs::distribution::{ContinuousCDF, Normal};

/// Settings of [`super::EventDetector`]; all but the bounds may be left to be learned.
#[derive(Clone, Debug, PartialEq)]
pub struct EventSettings {
    /// Readings per second; `None`: taken from the time stamps of the first readings.
    pub rate_hz: Option<f64>,
    /// Nominal mains frequency (50 or 60); the true one is looked for within 1.5 %. `None`: anywhere from 45 to 65 Hz.
    pub mains_hz: Option<f64>,
    /// Events that noise alone may bring per hour, both channels together. Default 0.5.
    pub false_alarms_per_hour: f64,
    /// The longest window, in seconds. Default 0.25.
    pub longest_scale_s: f64,
    /// How long after the reading that gave an event away it is first reported. At most 0.05 s, the default.
    pub look_ahead_s: f64,
    /// An excursion longer than this is a latched step. Default 0.4 s.
    pub latch_s: f64,
    /// Converter step in amperes; `None`: the smallest difference between successive readings.
    pub step_a: Option<f64>,
    /// Full scale of either channel in amperes, where known: a reading at it is clipped, and said to be.
    pub full_scale_a: [Option<f64>; 2],
    /// Largest share of its own relative size with which a fault on one rail may show on the other. Default 0.31: an
    /// image on the twin is at most about a quarter (common practice, no source), a load on both rails more.
    pub image_share: f64,
    /// How far an operator's mark of a switched load may be off, in seconds. Default 0.12.
    pub command_tolerance_s: f64,
}

impl Default for EventSettings {
    fn default() -> Self {
        Self {
            rate_hz: None,
            mains_hz: None,
            false_alarms_per_hour: 0.5,
            longest_scale_s: 0.25,
            look_ahead_s: 0.05,
            latch_s: 0.4,
            step_a: None,
            full_scale_a: [None; 2],
            image_share: 0.31,
            command_tolerance_s: 0.12,
        }
    }
}

impl EventSettings {
    /// Independent looks per hour at a window of `window` readings: two channels, two signs, all scales.
    pub(super) fn looks_per_hour(rate_hz: f64, window: u64, scales: u32) -> f64 {
        4.0 * f64::from(scales) * 3600.0 * rate_hz / window as f64
    }

    /// Standard score that noise passes so seldom that all scales together keep to `false_alarms_per_hour`.
    pub(super) fn threshold_score(&self, rate_hz: f64, window: u64, scales: u32) -> f64 {
        let share = self.false_alarms_per_hour / Self::looks_per_hour(rate_hz, window, scales);
        -Normal::standard().inverse_cdf(share.clamp(1e-15, 0.01))
    }
}
