//! What a soak has to say, in the words and fields of the findings file.

use crate::statistics::Bounded;
use serde::{Deserialize, Serialize};

/// What kind of event was seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SoakEventKind {
    /// The current fell and came back.
    Dropout,
    /// The current rose and came back.
    Spike,
    /// The current went to another level and stayed.
    Step,
    /// Both channels changed for good in proportion: a load or the supply, not a fault of one stage.
    LoadChange,
    /// Both channels dipped in proportion, or one is the faint image of the other: the supply or the leads.
    Nuisance,
}

impl SoakEventKind {
    /// Whether events of this kind speak against the unit.
    #[must_use]
    pub fn is_fault(self) -> bool {
        matches!(self, Self::Dropout | Self::Spike | Self::Step)
    }
}

/// One event of a soak.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SoakEvent {
    /// 1 or 2.
    pub channel: u8,
    /// First reading touched, in seconds of the recording.
    pub start_s: f64,
    /// End, in seconds of the recording; for a latched step its release or the end of the recording.
    pub end_s: f64,
    /// What it was judged to be.
    pub kind: SoakEventKind,
    /// Change of current in amperes; negative is a loss.
    #[serde(rename = "size_A")]
    pub size_a: f64,
    /// How many standard deviations of the noise it stands out by, its length considered.
    pub score: f64,
}

/// Whether the current drifts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DriftVerdict {
    /// The 95 % interval of the slope leaves out zero, and the slope is further from zero than the interval is half wide.
    Drift,
    /// The 95 % interval holds zero and nothing larger than the stated share per hour.
    None,
    /// Neither can be said.
    Unsure,
}

/// The word for the person at the bench.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "word")]
pub enum SoakStanding {
    /// Nothing left to wait for and nothing amiss.
    Settled,
    /// Still on its way.
    Settling {
        /// Minutes until it is within the tolerance.
        wait_min: f64,
    },
    /// The current goes on changing.
    Drifting,
    /// The current left its level and came back, or jumped.
    Intermittent,
    /// Nothing can be said yet.
    NotEnoughData {
        /// Minutes of recording still needed, as far as can be told.
        more_min: f64,
    },
}

/// The soak of one channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelSoak {
    /// 1 or 2.
    pub channel: u8,
    /// Drift in amperes per hour at constant room temperature, after settling.
    pub slope_per_h: Option<f64>,
    /// Lower end of its 95 % interval, in amperes per hour.
    pub ci_low: Option<f64>,
    /// Upper end of its 95 % interval, in amperes per hour.
    pub ci_high: Option<f64>,
    /// Whether it drifts.
    pub verdict: DriftVerdict,
    /// Time constant of the dominant settling process, in seconds.
    pub settle_tau_s: Option<f64>,
    /// 95 % range of that time constant, in seconds; missing when it is the warming of the case.
    pub settle_tau_range_s: Option<[f64; 2]>,
    /// Current that the settling leads to, before any drift and shift, in amperes.
    #[serde(rename = "settled_A")]
    pub settled_a: Option<f64>,
    /// 95 % interval of the settled current, in amperes.
    #[serde(rename = "settled_ci_A")]
    pub settled_ci_a: Option<[f64; 2]>,
    /// What is still to go at the end of the recording, in amperes: positive when the current must still fall.
    #[serde(rename = "to_go_A")]
    pub to_go_a: Option<f64>,
    /// Current per kelvin of case (or, failing that, room) temperature, in amperes per kelvin.
    #[serde(rename = "temperature_slope_A_per_K")]
    pub temperature_slope: Option<Bounded>,
    /// How late the current follows the temperature, in seconds.
    pub temperature_lag_s: Option<f64>,
    /// Standard deviation of a single reading about the slow course, in amperes.
    #[serde(rename = "reading_sd_A")]
    pub reading_sd_a: f64,
    /// Probability that settling has none, one or two time constants.
    pub exponentials: Option<[f64; 3]>,
    /// The word.
    pub standing: SoakStanding,
    /// Why that word.
    pub reason: String,
    /// What was missing or taken for granted.
    pub notes: Vec<String>,
}

/// A stretch without readings.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SoakGap {
    /// 1 or 2.
    pub channel: u8,
    /// Beginning, in seconds of the recording.
    pub start_s: f64,
    /// End, in seconds of the recording.
    pub end_s: f64,
}

/// Everything a soak has to say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SoakFindings {
    /// Events in order of time.
    pub events: Vec<SoakEvent>,
    /// One entry per channel that carried readings.
    pub drift: Vec<ChannelSoak>,
    /// Stretches of ten readings or more without a reading.
    pub gaps: Vec<SoakGap>,
    /// Length of the recording, in seconds.
    pub duration_s: f64,
}
