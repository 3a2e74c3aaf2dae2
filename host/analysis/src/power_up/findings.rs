//! What a power-up examination ends in.

use serde::{Deserialize, Serialize};

use super::clipping::ClippingReason;
use super::course::CoursePoint;
use super::pattern::{Hiccup, Jam};
use super::rail::RailSag;

/// The word for a channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum PowerUpVerdict {
    /// The settled current is inside the expected range and nothing in the shape points at a fault.
    #[serde(rename = "normal")]
    Normal,
    /// Outside the expected range, restarting, jammed, or never settling.
    #[serde(rename = "fault")]
    Fault,
    /// No word either way; the reason says what is missing.
    #[serde(rename = "not enough data")]
    NotEnoughData,
}

/// The power-up of one channel. Intervals are for 95 %; a value that couldn't be had is `None`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelPowerUp {
    /// 1 or 2.
    pub channel: u8,
    /// First reading above standby plus a twentieth of the way to the peak, noise apart; seconds of the recording.
    pub onset_s: Option<f64>,
    /// Standard uncertainty of that instant from the reading interval and the noise, in seconds.
    pub onset_uncertainty_s: Option<f64>,
    /// Largest magnitude of the current as averaged over one reading, in amperes.
    #[serde(rename = "peak_A")]
    pub peak_a: Option<f64>,
    /// Lower end of the peak's interval, in amperes.
    #[serde(rename = "peak_low_A")]
    pub peak_low_a: Option<f64>,
    /// Upper end of the peak's interval, in amperes; `None` where the peak is only a lower bound.
    #[serde(rename = "peak_high_A")]
    pub peak_high_a: Option<f64>,
    /// The true peak was at least this: the input clipped, or the peak was over within about one reading.
    pub peak_is_at_least: bool,
    /// From the switch-on to the peak, in seconds.
    pub time_to_peak_s: Option<f64>,
    /// I²t over the window from the switch-on, noise taken out, in ampere² seconds.
    #[serde(rename = "i2t_A2s")]
    pub i2t_a2s: Option<f64>,
    /// Lower end of its interval.
    #[serde(rename = "i2t_low_A2s")]
    pub i2t_low_a2s: Option<f64>,
    /// Upper end of its interval, with what may hide inside single readings; `None` when the input clipped or the peak
    /// was over within one reading, as nothing then bounds it.
    #[serde(rename = "i2t_high_A2s")]
    pub i2t_high_a2s: Option<f64>,
    /// The window over which I²t and charge were summed, in seconds; shorter than asked if the recording ended.
    pub i2t_window_s: f64,
    /// Charge over the same window, in ampere seconds (coulombs).
    #[serde(rename = "charge_As")]
    pub charge_as: Option<f64>,
    /// Lower end of its interval.
    #[serde(rename = "charge_low_As")]
    pub charge_low_as: Option<f64>,
    /// Upper end of its interval.
    #[serde(rename = "charge_high_As")]
    pub charge_high_as: Option<f64>,
    /// Mean (dc) or root mean square (ac) over the last ten mains cycles, in amperes.
    #[serde(rename = "settled_A")]
    pub settled_a: Option<f64>,
    /// Lower end of its interval.
    #[serde(rename = "settled_low_A")]
    pub settled_low_a: Option<f64>,
    /// Upper end of its interval.
    #[serde(rename = "settled_high_A")]
    pub settled_high_a: Option<f64>,
    /// From the switch-on until the current stays within the settling band, in seconds.
    pub settling_time_s: Option<f64>,
    /// How finely the settling time is known, in seconds.
    pub settling_resolution_s: Option<f64>,
    /// Current before the switch-on (mean on dc, root mean square on ac), in amperes.
    #[serde(rename = "standby_A")]
    pub standby_a: Option<f64>,
    /// Noise of one reading before the switch-on, as a standard deviation in amperes.
    #[serde(rename = "noise_A")]
    pub noise_a: Option<f64>,
    /// The input ran out of range; peak, I²t and charge are then "at least".
    pub clipped: bool,
    /// Why it is taken to be clipped.
    pub clipping_reason: Option<ClippingReason>,
    /// The supply starts, gives up, and starts again.
    pub hiccup: Option<Hiccup>,
    /// The current rose again after it had settled, and stayed.
    pub jam: Option<Jam>,
    /// Interruptions of the switch's contact in the first 50 ms; `None` where readings are too far apart to see any.
    pub contact_bounces: Option<u32>,
    /// The current stands at one level from shortly after the switch-on to the end.
    pub holds_level: bool,
    /// The current in stretches of time that lengthen with the time since the switch-on.
    pub course: Vec<CoursePoint>,
    /// The rail's voltage, if it was read.
    pub rail: Option<RailSag>,
    /// Readings that were missing or out of order on this channel.
    pub readings_missing: u64,
    /// The word.
    pub verdict: PowerUpVerdict,
    /// Why that word, first what decided it.
    pub reasons: Vec<String>,
}

/// The findings of a power-up, ready to be printed or kept.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PowerUpFindings {
    /// One entry per channel that had readings.
    pub inrush: Vec<ChannelPowerUp>,
}

impl PowerUpFindings {
    /// The entry of a channel, 1 or 2.
    #[must_use]
    pub fn channel(&self, number: u8) -> Option<&ChannelPowerUp> {
        self.inrush.iter().find(|entry| entry.channel == number)
    }
}
