//! Settings of the tap examination.

use crate::events::EventSettings;

/// Settings of [`super::TapExamination`].
#[derive(Clone, Debug, PartialEq)]
pub struct TapSettings {
    /// How events are found.
    pub events: EventSettings,
    /// How long before a mark an event may begin and count as its effect, in seconds: the hand is 0.1 s off. Default 0.12.
    pub window_before_s: f64,
    /// How long after a mark an event may begin and count as its effect, in seconds. Default 0.27.
    pub window_after_s: f64,
    /// Share of runs without a bad joint in which some place may be accused. Default 0.05.
    pub significance: f64,
    /// A place whose hit probability is surely below this is not accused: a bad joint answers more of its taps. Default 0.15.
    pub least_hit_probability: f64,
    /// Probability that a tap on a bad joint shows, assumed when a place is cleared. Default 0.3.
    pub assumed_hit_probability: f64,
}

impl Default for TapSettings {
    fn default() -> Self {
        Self {
            events: EventSettings::default(),
            window_before_s: 0.12,
            window_after_s: 0.27,
            significance: 0.05,
            least_hit_probability: 0.15,
            assumed_hit_probability: 0.3,
        }
    }
}
