//! Soak: is it settled, does it drift, does it jump.
//!
//! # Model
//! The current of one channel is
//!
//! `y(t) = level + slope·t + Σ shift_j·[t ≥ t_j] + Σ a_i·exp(-t/τ_i) + k·T(t; λ) + k'·R(t) + noise`
//!
//! with none, one or two exponentials (settling), latched shifts of level, and the case temperature `T` seen through a
//! first-order lag `λ`. `T` is the case's thermistor as explained by the room's and by its own warming; what that
//! leaves over is `R`. The noise is white plus two processes with a memory ([`NoiseModel`]). `slope` is the drift at
//! constant room temperature after settling: what is left when everything that ends, and everything that comes from
//! outside, has been taken off.
//!
//! # Method
//! 1. Readings of any rate become cells of a second (longer in a recording of more than three days), so memory is
//!    bounded.
//! 2. A matched filter through the noise finds events of one reading to a minute and a half, with hard or soft edges;
//!    its threshold is learned from the recording. An event that the other channel shows in proportion to its current
//!    is a matter of supply or leads, not a fault.
//! 3. Means over at most 720 bins, events left out, are fitted by the model. Time constants and lag are averaged over
//!    by adaptive cells, the noise by points around its most credible values, the number of exponentials by evidence.
//!    Level shifts are added as long as they convince.
//! 4. The slope's interval is the quantiles of the whole mixture. It is called *drift* when the 95 % interval leaves
//!    out zero and the slope is further from zero than the interval is half wide, *none* when the interval holds zero
//!    and nothing that would matter
//!    ([`SoakSettings::negligible_share_per_hour`]), *unsure* otherwise.
//!
//! # Words
//! *Intermittent* when events speak against this channel; else *settling, wait N min* while more than
//! [`SoakSettings::settled_tolerance_share`] is still to go; else *drifting*, *settled*, or *not enough data*.
//!
//! # "Not enough data"
//! Below ten minutes of readings, and whenever the slope's interval makes it neither *drift* nor *none*. The minutes still
//! needed are given with it: the interval is taken to narrow with the length to the power of three halves, and at most ten
//! times the length is named.
//!
//! # Assumptions
//! Settling begins with the recording, or at switch-on within it. Temperature acts linearly. One drift rate from end to
//! end. Noise is Gaussian and the same throughout. A blank reading or a missing row is a gap and is bridged by nothing.
//! Without the case's temperature the room's is used, through a longer lag; without any, a daily round of the room is
//! allowed for: the interval widens and the notes say so.
//!
//! # Sources
//! Each part names its own, in its module. All were written from memory of the named works, none copied.
//!
//! # Validation
//! The filter against matrices written out, coverage on seeded simulations, the averaging rule of AR(1) noise: tests
//! beside the code. Events and intervals on labelled recordings: see DEVELOPERS.md, "Scoring".
//!
//! ```
//! use steadybench_analysis::sample::Sample;
//! use steadybench_analysis::soak::{SoakExamination, SoakSettings, SoakStanding};
//!
//! let mut soak = SoakExamination::new(SoakSettings::default());
//! for second in 0..120 {
//!     let time_s = f64::from(second);
//!     soak.push(&Sample { current_a: [0.25, f64::NAN], ..Sample::missing_at(time_s) });
//! }
//! let findings = soak.finish();
//! assert_eq!(findings.drift.len(), 1);
//! assert!(matches!(findings.drift[0].standing, SoakStanding::NotEnoughData { .. }));
//! ```
#![doc = include_str!("../../docs/validation/soak.md")]

mod background;
mod cells;
mod channel;
mod examine;
mod explanations;
mod findings;
mod grid;
mod intermittents;
pub(crate) mod mixture;
pub(crate) mod noise;
pub(crate) mod noise_fit;
pub(crate) mod regression;
mod regressors;
mod settling;
mod shifts;
#[cfg(test)]
mod tests;
mod verdict;
mod warming;

pub use findings::{
    ChannelSoak, DriftVerdict, SoakEvent, SoakEventKind, SoakFindings, SoakGap, SoakStanding,
};
pub use noise::{NoiseModel, Whitener};

use crate::sample::Sample;
use cells::Cells;

/// What may be set about a soak.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SoakSettings {
    /// Length of a cell in seconds: faster readings are summarised to it.
    pub cell_s: f64,
    /// Cells kept at most; past that, neighbours are joined. The default holds 72 h at one a second.
    pub cells_at_most: usize,
    /// Share of the settled current within which settling counts as over.
    pub settled_tolerance_share: f64,
    /// Share of the settled current per hour below which no drift is worth finding: an interval that holds zero and
    /// stays inside it reads *settled*.
    pub negligible_share_per_hour: f64,
}

impl Default for SoakSettings {
    fn default() -> Self {
        Self {
            cell_s: 1.0,
            cells_at_most: 1 << 18,
            settled_tolerance_share: 1e-3,
            negligible_share_per_hour: 1e-3,
        }
    }
}

impl SoakSettings {
    /// For a look at a soak while it lasts: the same, in cells of eight seconds after three days, so that the looks of a
    /// long night cost no more memory than those of its first hours.
    #[must_use]
    pub fn while_it_lasts() -> Self {
        Self {
            cells_at_most: 1 << 15,
            ..Self::default()
        }
    }
}

/// A soak being recorded or replayed.
#[derive(Clone, Debug)]
pub struct SoakExamination {
    settings: SoakSettings,
    cells: Cells,
}

impl SoakExamination {
    /// An examination that has seen nothing yet.
    #[must_use]
    pub fn new(settings: SoakSettings) -> Self {
        Self {
            cells: Cells::new(settings.cell_s, settings.cells_at_most),
            settings,
        }
    }

    /// Takes one reading in. Readings come in order of time, at any rate; missing values are NaN.
    pub fn push(&mut self, sample: &Sample) {
        self.cells.push(sample);
    }

    /// How each channel stands so far, for the live page: the forecast of the settled current with its interval, the
    /// drift and the word. Looks less closely than [`SoakExamination::finish`] and not for events; call it every few
    /// seconds, not for every reading.
    #[must_use]
    pub fn standing(&self) -> Vec<ChannelSoak> {
        examine::standing(&self.cells, &self.settings)
    }

    /// Everything the recording has to say.
    #[must_use]
    pub fn finish(self) -> SoakFindings {
        examine::examine(&self.cells, &self.settings)
    }
}
