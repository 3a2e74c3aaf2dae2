//! A steady state against runs kept from good units of the same model.
//!
//! # Question
//! Does a channel's settled current lie where good units of the model had theirs, widened by what does not matter?
//!
//! # Model and method
//! Each run gives a mean current with the standard uncertainty of the mean, and with that of the instrument it was
//! measured by. What counts as good reaches from the lowest to the highest good run, widened by the margin: a tenth of the
//! largest, but never less than 2 mA (common practice, no source; the same as between twins, see [`crate::twins`]). With
//! one good run the margin stands for how good units differ; further runs show it.
//!
//! *As good* by a one-sided t test at 5 % at either edge (Schuirmann 1987, see [`mod@crate::statistics::equivalence`]);
//! *differs* when the 95 % interval of the difference lies beyond the margin whole; otherwise *not enough data*.
//!
//! # Instruments
//! What one board with one calibration is off by, it is off by in both runs, and it cancels. Between two boards, or after a
//! new calibration, both instruments' uncertainties count.
//!
//! # Assumptions and "not enough data"
//! The unit does the same work on the same rail: rails that differ by more than 2 % (common practice, no source) make no
//! verdict. Channels are compared by their number.
//!
//! # Validation
//! Error rates on seeded simulations: tests beside the code.
//!
//! ```
//! use steadybench_analysis::power_up::LikenessVerdict;
//! use steadybench_analysis::steady::{SteadyLevel, SteadyReference, SteadyRun, SteadyTolerance};
//!
//! let run = |mean_a: f64| SteadyRun {
//!     instrument: "board 1, 2026-03-01".into(),
//!     channels: vec![SteadyLevel {
//!         channel: 1,
//!         mean_a,
//!         standard_uncertainty_a: 0.000_1,
//!         degrees_of_freedom: Some(40.0),
//!         instrument_uncertainty_a: Some(0.000_5),
//!         rail_v: Some(24.0),
//!     }],
//! };
//! let good = SteadyReference { runs: vec![run(0.085), run(0.088)] };
//! let word = |mean_a| good.compare(&run(mean_a), &SteadyTolerance::default()).unwrap().channels[0].verdict;
//! assert_eq!(word(0.089), LikenessVerdict::AsGood);
//! assert_eq!(word(0.120), LikenessVerdict::Differs);
//! assert_eq!(word(0.096_8), LikenessVerdict::NotEnoughData);
//! ```

mod compare;
#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};

use crate::power_up::{LikenessVerdict, Span};
use crate::statistics::{Bounded, StatisticsError};

/// What one channel settled at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SteadyLevel {
    /// 1 or 2.
    pub channel: u8,
    /// Mean current, in amperes.
    #[serde(rename = "mean_A")]
    pub mean_a: f64,
    /// Standard uncertainty of the mean within the run, in amperes.
    #[serde(rename = "standard_uncertainty_A")]
    pub standard_uncertainty_a: f64,
    /// Degrees of freedom of that; none when it is taken as known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
    /// Standard uncertainty of the instrument at this current, in amperes; none when nobody says it.
    #[serde(
        default,
        rename = "instrument_uncertainty_A",
        skip_serializing_if = "Option::is_none"
    )]
    pub instrument_uncertainty_a: Option<f64>,
    /// Mean rail voltage, in volts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rail_v: Option<f64>,
}

/// What one run settled at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SteadyRun {
    /// The board and its calibration, in words that are the same for the same two.
    pub instrument: String,
    /// Its channels.
    pub channels: Vec<SteadyLevel>,
}

/// Good runs of one model of unit. One will do.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SteadyReference {
    /// The runs.
    pub runs: Vec<SteadyRun>,
}

/// What still counts as good.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SteadyTolerance {
    /// Share of the largest good current that does not matter.
    pub share: f64,
    /// Amperes that do not matter whatever the current.
    #[serde(rename = "floor_A")]
    pub floor_a: f64,
    /// Share by which rails may differ and the currents still be compared.
    pub rail_share: f64,
}

impl Default for SteadyTolerance {
    fn default() -> Self {
        Self {
            share: 0.10,
            floor_a: 0.002,
            rail_share: 0.02,
        }
    }
}

/// One channel beside the good runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelSteadyLikeness {
    /// 1 or 2.
    pub channel: u8,
    /// Mean current of this run, in amperes.
    #[serde(rename = "found_A")]
    pub found_a: Option<f64>,
    /// Mean currents of the good runs, in amperes.
    #[serde(rename = "reference_A")]
    pub reference_a: Span,
    /// What counts as good, in amperes.
    #[serde(rename = "accepted_A")]
    pub accepted_a: Span,
    /// From the nearest good run, in amperes, with its 95 % interval; zero between two of them.
    #[serde(rename = "difference_A")]
    pub difference_a: Option<Bounded>,
    /// The word.
    pub verdict: LikenessVerdict,
    /// Why that word.
    pub reason: String,
}

/// A steady state beside the good runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SteadyLikeness {
    /// Good runs compared with.
    pub runs: usize,
    /// One entry per channel of the reference.
    pub channels: Vec<ChannelSteadyLikeness>,
}

impl SteadyReference {
    /// Compares a run with the good runs.
    ///
    /// # Errors
    /// When a figure is not finite or an uncertainty not above 0.
    pub fn compare(
        &self,
        run: &SteadyRun,
        tolerance: &SteadyTolerance,
    ) -> Result<SteadyLikeness, StatisticsError> {
        let mut numbers: Vec<u8> = self
            .runs
            .iter()
            .flat_map(|kept| kept.channels.iter().map(|level| level.channel))
            .collect();
        numbers.sort_unstable();
        numbers.dedup();
        let channels = numbers
            .into_iter()
            .map(|number| compare::channel(self, run, number, tolerance))
            .collect::<Result<_, _>>()?;
        Ok(SteadyLikeness {
            runs: self.runs.len(),
            channels,
        })
    }
}
