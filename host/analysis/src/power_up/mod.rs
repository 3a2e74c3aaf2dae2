//! Power-up: what a unit draws from the instant its switch closes.
//!
//! # What is found
//!
//! | figure | definition |
//! |---|---|
//! | switch-on | first reading whose magnitude is above *standby + 5 % of (peak − standby)*, noise apart |
//! | peak | largest magnitude of a reading, noise apart |
//! | charge, I²t | `Σ i·Δt` and `Σ i²·Δt` over the window from the switch-on |
//! | settled current | mean, or root mean square on an ac channel, over the last ten mains cycles of the recording |
//! | settling time | from the switch-on until the current stays within 5 % of the settled current |
//!
//! and besides: standby current, restarting, jamming, contact bounce, clipping, rail sag.
//!
//! # Model
//!
//! A reading is the mean of the current over one reading interval plus noise, rounded to the converter's step. Noise
//! and step are learnt from the readings before the switch-on. As `E[y²] = i² + σ²`, the noise variance is taken out
//! of I²t and of a root mean square. The largest of many noisy readings is too high, and the first reading above a
//! threshold too early; where a parabola or a straight line through the readings around leaves nothing over but
//! noise, the curve takes the readings' place (least squares over a window as wide as the curve
//! holds, after Savitzky and Golay, Analytical Chemistry 36 (1964) 1627; from memory).
//!
//! A mean before the switch-on of less than half a converter step can't be told from the converter's zero and is taken
//! for it; any larger one is a standby current and stays in.
//!
//! The I²t of a window that a melting fuse sees is compared in [`crate::fuse`].
//!
//! # Assumptions and limits
//!
//! - Readings come evenly; a gap inside the I²t window is bridged by its ends' mean square and widens the bound.
//! - A pulse much shorter than one reading is averaged: peak and I²t are then lower bounds, and said to be.
//! - The standby current is in the settled current, the peak and the charge: it is not subtracted.
//! - Without a given full scale a flat top is judged by its shape; a top of fewer than five readings can't be.
//! - Restarts closer together than about five mains cycles are not told apart from mains ripple.
//!
//! # Not enough data
//!
//! No rise in the recording; fewer than ten mains cycles after the switch-on; no expected current and a shape that
//! accuses nothing; a settled current whose interval straddles the edge of the expected range. The reason says which.
//!
//! # Memory
//!
//! Per channel two seconds (at most 40 000 readings) before the switch-on, from then on full rate up to
//! [`PowerUpSettings::capture_readings`] (400 000, 40 s at 10 000 readings/s), the last second, and at most 4096 blocks
//! of one mains cycle that grow coarser as the recording grows. A rise to more than twice the captured peak after a
//! full capture starts a new capture.
//!
//! # Validated
//!
//! Closed forms of the RC circuit and a rectifier supply from a circuit simulator in `tests/power_up.rs`; labelled
//! recordings: See DEVELOPERS.md, "Scoring".
//!
//! # Example
//!
//! ```
//! use steadybench_analysis::power_up::{PowerUpExamination, PowerUpSettings, PowerUpVerdict};
//! use steadybench_analysis::sample::Sample;
//!
//! let settings = PowerUpSettings {
//!     mains_hz: Some(50.0),
//!     expected_settled_a: [Some((0.4, 0.6)), None],
//!     ..PowerUpSettings::default()
//! };
//! let mut examination = PowerUpExamination::new(settings);
//! for index in 0..10_000 {
//!     let time_s = f64::from(index) * 1e-3;
//!     // 24 V through 2 Ω into 1000 µF, with a load of 0.5 A, switched on after one second.
//!     let current = if time_s < 1.0 { 0.0 } else { 0.5 + 12.0 * (-(time_s - 1.0) / 2e-3_f64).exp() };
//!     examination.push(&Sample { current_a: [current, f64::NAN], ..Sample::missing_at(time_s) });
//! }
//! let findings = examination.finish();
//! let first = findings.channel(1).unwrap();
//! assert_eq!(first.onset_s, Some(1.0));
//! assert_eq!(first.verdict, PowerUpVerdict::Normal);
//! assert!(findings.channel(2).is_none());
//! ```
#![doc = include_str!("../../docs/validation/power_up.md")]

mod capture;
mod channel;
mod clipping;
mod course;
mod energy;
mod envelope;
mod findings;
mod likeness;
mod onset;
mod pattern;
mod rail;
mod reference;
mod settings;
mod settled;
mod standby;
mod trace;
mod verdict;

pub use clipping::ClippingReason;
pub use course::CoursePoint;
pub use findings::{ChannelPowerUp, PowerUpFindings, PowerUpVerdict};
pub use likeness::{
    ChannelLikeness, CourseDifference, FigureLikeness, LikenessVerdict, PowerUpLikeness, ReferenceTolerance,
};
pub use pattern::{Hiccup, Jam};
pub use rail::RailSag;
pub use reference::{ChannelReference, CourseSpan, PowerUpReference, ReferenceError, Span};
pub use settings::{ChannelType, PowerUpSettings};

use serde::{Deserialize, Serialize};

use crate::sample::Sample;
use capture::Capture;

/// How far the live capture of a channel is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "state")]
pub enum CaptureState {
    /// Armed: no switch-on yet.
    Waiting,
    /// The switch-on was seen; what follows is being taken.
    Capturing {
        /// When the rise was noticed, in seconds of the recording.
        since_s: f64,
    },
    /// The I²t window and ten mains cycles after it are in: the findings can be read.
    Captured {
        /// When the rise was noticed, in seconds of the recording.
        since_s: f64,
    },
}

/// Takes the readings of a power-up as they come and ends in [`PowerUpFindings`].
///
/// See the [module page](self) for model, assumptions and memory.
#[derive(Clone, Debug)]
pub struct PowerUpExamination {
    settings: PowerUpSettings,
    captures: [Capture; 2],
}

impl PowerUpExamination {
    /// An examination waiting for the switch to close.
    #[must_use]
    pub fn new(settings: PowerUpSettings) -> Self {
        let capture = Capture::new(settings.cycle_s(), settings.capture_readings);
        Self {
            settings,
            captures: [capture.clone(), capture],
        }
    }

    /// Takes the next reading. A reading earlier than the one before it is counted as missing.
    pub fn push(&mut self, sample: &Sample) {
        for (index, capture) in self.captures.iter_mut().enumerate() {
            capture.push(sample.time_s, sample.current_a[index], sample.rail_v[index]);
        }
    }

    /// How far the capture of each channel is.
    #[must_use]
    pub fn state(&self) -> [CaptureState; 2] {
        let enough_s = self.settings.channel(0).i2t_window_s + 10.0 * self.settings.cycle_s();
        self.captures.each_ref().map(|capture| match capture.trigger_s() {
            None => CaptureState::Waiting,
            Some(since_s) if capture.complete() || capture.last_time_s() - since_s > enough_s => {
                CaptureState::Captured { since_s }
            }
            Some(since_s) => CaptureState::Capturing { since_s },
        })
    }

    /// The findings so far; the examination can go on.
    #[must_use]
    pub fn findings(&self) -> PowerUpFindings {
        let inrush = self
            .captures
            .iter()
            .enumerate()
            .filter_map(|(index, capture)| {
                channel::examine(index as u8 + 1, capture, &self.settings.channel(index))
            })
            .collect();
        PowerUpFindings { inrush }
    }

    /// The findings of the whole recording.
    #[must_use]
    pub fn finish(self) -> PowerUpFindings {
        self.findings()
    }
}
