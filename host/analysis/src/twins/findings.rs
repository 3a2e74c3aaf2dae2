//! What a comparison of twins has to say, in the words and fields of the findings file.

use serde::{Deserialize, Serialize};

use crate::statistics::Bounded;

/// Whether there is a difference at all, by the interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DifferenceVerdict {
    /// The 95 % interval holds zero.
    Equal,
    /// The 99 % interval leaves zero out.
    Different,
    /// Zero lies between the two intervals, or there were too few readings.
    Unsure,
}

/// Whether the difference matters, the word for the person at the bench.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "word")]
pub enum TwinStanding {
    /// Within the margin, by two one-sided tests at 5 % each.
    Alike,
    /// Beyond the margin, the whole 95 % interval.
    Differs,
    /// Neither can be said.
    CannotSayYet {
        /// Seconds of recording still needed, as far as can be told.
        more_s: f64,
    },
}

/// The figures that the findings file calls `compare`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// Mean of channel 1 minus mean of channel 2, in amperes; missing when there were too few readings.
    #[serde(rename = "difference_A")]
    pub difference_a: Option<f64>,
    /// Lower end of its 95 % interval, in amperes.
    pub ci_low: Option<f64>,
    /// Upper end of its 95 % interval, in amperes.
    pub ci_high: Option<f64>,
    /// Whether there is a difference.
    pub verdict: DifferenceVerdict,
    /// Mean of channel 1 over mean of channel 2, with its 95 % interval; missing when channel 2 carries next to nothing.
    pub ratio: Option<Bounded>,
    /// Largest difference that counts as alike, in amperes.
    #[serde(rename = "margin_A")]
    pub margin_a: f64,
    /// Whether the difference matters.
    pub standing: TwinStanding,
    /// Why.
    pub reason: String,
}

/// One thing beside the mean current, on both channels.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SideBySide {
    /// What it is, with its unit.
    pub what: String,
    /// On channel 1 and channel 2.
    pub value: [f64; 2],
    /// Whether the two differ by more than the rule in `reason`.
    pub differs: bool,
    /// The rule and how it came out.
    pub reason: String,
}

/// Everything a comparison of twins has to say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TwinFindings {
    /// The mean currents.
    pub compare: Comparison,
    /// Mean currents of channel 1 and 2, in amperes.
    #[serde(rename = "mean_A")]
    pub mean_a: [f64; 2],
    /// Noise, ripple, temperature, rail, events: what was measured of them.
    pub beside: Vec<SideBySide>,
    /// Frequency of the ripple found, in hertz.
    #[serde(rename = "ripple_Hz")]
    pub ripple_hz: Option<f64>,
    /// Readings in which both channels were there.
    pub matched_readings: u64,
    /// Readings left out because one channel was missing.
    pub unmatched_readings: u64,
    /// Length of the recording, in seconds.
    pub duration_s: f64,
}
