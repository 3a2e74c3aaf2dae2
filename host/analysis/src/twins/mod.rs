//! Twins: do two like stages draw the same, and does it matter.
//!
//! # Two questions
//! *Is there a difference?* Mean of channel 1 minus mean of channel 2 over readings matched in time, with a 95 %
//! interval. With enough readings any two stages differ.
//! *Does it matter?* A margin, stated; two one-sided tests at 5 % each (Schuirmann 1987, see
//! [`mod@crate::statistics::equivalence`]) for *alike*, the whole 95 % interval beyond the margin for *differs*,
//! otherwise *cannot say yet* with the seconds still needed (the half width falls as the root of the length).
//!
//! # The margin
//! A tenth of the larger current, but never less than 2 mA. Common practice, no source: parts of one type number and
//! resistors of 5 % put like stages a tenth apart without a fault; and at a few milliamperes such a share is less than
//! what a trimmer's touch or a warm finger does, so that 8 mA against 7 mA are alike for the bench although the interval
//! leaves out zero, while 200 mA against 13 mA at the idle of a 12 V amplifier differ. Set both for the unit at hand.
//!
//! # Model and method
//! The difference cancels whatever both channels share. Means over a twentieth of a second cancel all but a trace of the
//! ripple at twice the mains frequency, and that trace is fitted at the frequency found. The rest is a mean plus white
//! noise plus two processes with a memory; generalised least squares gives the mean for each of many credible noise
//! models, and their mixture the interval. A channel so quiet that its converter keeps to a few codes cannot be averaged
//! beyond them: the interval is widened by what may be stuck between codes. The ratio is found in the same way, from
//! `ch1 - r·ch2`.
//!
//! # Beside the mean
//! Noise, ripple, temperature, rail, and event rates where they were counted. Like power devices at work should be as
//! warm as each other, within 5 K (common practice, no source; the rules are named in each entry).
//!
//! # Assumptions and "not enough data"
//! Both stages do the same work throughout; no trend of one against the other; nothing that wanders more slowly than
//! about a tenth of the record, for that cannot be told from a difference (the table below has such a case). Fewer than
//! eight batches with both channels present give no interval, and the word says how many more seconds are needed.
//!
//! # Sources
//! Averaging under autocorrelation: `n_eff = n (1 - ρ)/(1 + ρ)` for AR(1), which the method reproduces. Stuck codes:
//! Widrow and Kollár 2008, *Quantization Noise*, chapter 4 (from memory).
//!
//! # Validation
//! Coverage on seeded simulations and the bench rules above: tests beside the code. On labelled recordings: see
//! DEVELOPERS.md, "Scoring".
//!
//! ```
//! use steadybench_analysis::sample::Sample;
//! use steadybench_analysis::twins::{TwinExamination, TwinSettings, TwinStanding};
//!
//! let mut twins = TwinExamination::new(TwinSettings::default());
//! for k in 0..10_000_u32 {
//!     let wobble = 1e-4 * f64::from(k * 7919 % 101) / 101.0;
//!     let current_a = [0.200 + wobble, 0.013 + wobble];
//!     twins.push(&Sample { current_a, ..Sample::missing_at(f64::from(k) * 1e-3) });
//! }
//! assert_eq!(twins.finish().compare.standing, TwinStanding::Differs);
//! ```
#![doc = include_str!("../../docs/validation/twins.md")]

mod batches;
mod beside;
mod examine;
mod findings;
mod mean;
#[cfg(test)]
mod tests;

pub use findings::{Comparison, DifferenceVerdict, SideBySide, TwinFindings, TwinStanding};

use crate::sample::Sample;
use batches::Batches;

/// What may be set about a comparison.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TwinSettings {
    /// Mains frequency in hertz, if known; found among 50 and 60 Hz otherwise.
    pub mains_hz: Option<f64>,
    /// Share of the larger current by which twins may differ and still be alike.
    pub margin_share: f64,
    /// Difference below which twins are alike whatever their current, in amperes.
    pub margin_floor_a: f64,
    /// Kelvin by which like parts may differ; `None` when the thermistors do not sit on like parts.
    pub temperature_margin_k: Option<f64>,
    /// Batches kept at most; past that, neighbours are joined.
    pub batches_at_most: usize,
}

impl Default for TwinSettings {
    fn default() -> Self {
        Self {
            mains_hz: None,
            margin_share: 0.10,
            margin_floor_a: 0.002,
            temperature_margin_k: Some(5.0),
            batches_at_most: 2400,
        }
    }
}

impl TwinSettings {
    /// The largest difference that counts as alike for the mean currents `mean_a`, in amperes.
    #[must_use]
    pub fn margin_a(&self, mean_a: [f64; 2]) -> f64 {
        let larger = mean_a.iter().map(|mean| mean.abs()).fold(0.0, f64::max);
        (self.margin_share * larger).max(self.margin_floor_a)
    }
}

/// Events counted on channel 1 and 2 over the recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EventCounts(pub [u64; 2]);

/// A comparison being recorded or replayed.
#[derive(Clone, Debug)]
pub struct TwinExamination {
    settings: TwinSettings,
    batches: Batches,
}

impl TwinExamination {
    /// A comparison that has seen nothing yet.
    #[must_use]
    pub fn new(settings: TwinSettings) -> Self {
        Self {
            batches: Batches::new(settings.batches_at_most),
            settings,
        }
    }

    /// Takes one reading in. Readings come in order of time; a reading in which a channel is NaN is left out of the
    /// comparison on both.
    pub fn push(&mut self, sample: &Sample) {
        self.batches.push(sample);
    }

    /// How it stands so far, for the live page.
    #[must_use]
    pub fn standing(&self) -> TwinFindings {
        self.clone().finish()
    }

    /// Everything the recording has to say.
    #[must_use]
    pub fn finish(self) -> TwinFindings {
        self.finish_with_events(None)
    }

    /// As [`TwinExamination::finish`], with the events that a detector counted on each channel.
    #[must_use]
    pub fn finish_with_events(mut self, events: Option<EventCounts>) -> TwinFindings {
        self.batches.finish();
        examine::examine(&self.batches, events, &self.settings)
    }
}
