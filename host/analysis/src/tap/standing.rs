//! Where a place stands after some taps.

use serde::Serialize;

/// The word on a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PlaceVerdict {
    /// More hits than chance explains, even for the most suspect of so many places.
    Accused,
    /// Hits, but chance may explain them: tap it more.
    Suspect,
    /// No hit in so many taps that a bad joint would have shown itself.
    Cleared,
    /// No hit, but too few taps to say.
    NotEnoughTaps,
}

/// What the taps of one place brought.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PlaceStanding {
    /// The place, as marked.
    pub label: String,
    /// Taps marked there.
    pub taps: u64,
    /// Taps followed by an event.
    pub hits: u64,
    /// Chance of at least so many hits if the place were innocent.
    pub p_value: f64,
    /// The same, corrected for the number of places: accused below 0.05.
    pub p_value_corrected: f64,
    /// Whether the place is accused.
    pub accused: bool,
    /// The word.
    pub verdict: PlaceVerdict,
    /// Share of taps that were hits.
    pub hit_probability: f64,
    /// 95 % interval on the probability that a tap there is a hit.
    pub hit_probability_low: f64,
    /// Upper end of the interval.
    pub hit_probability_high: f64,
    /// Further taps without a hit that would clear the place; 0 if it is cleared, `None` if it had hits.
    pub more_taps_to_clear: Option<u64>,
    /// Hit probability of a bad joint that `more_taps_to_clear` and the verdict `cleared` assume.
    pub assumed_hit_probability: f64,
    /// The verdict in words.
    pub reason: String,
}
