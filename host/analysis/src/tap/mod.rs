//! Tap and flex: which joint opens.
//!
//! # Model
//! An event counts as the effect of a tap if it begins between [`TapSettings::window_before_s`] before and
//! [`TapSettings::window_after_s`] after the mark: the hand is a tenth of a second off, a joint answers within about 0.15 s.
//! A tap is a hit if at least one event that speaks for a fault begins in its window.
//!
//! Were a place innocent, events would fall into its windows at the rate at which they come elsewhere. The chance of h hits
//! or more in n windows of length W, when K events were seen in the time T elsewhere, is that of the exact comparison of
//! two rates (Przyborowski and Wilenski 1940, Biometrika 31:313): `P(X ≥ h)`, X binomial with `h + K` trials of
//! probability `nW / (nW + T)`. Elsewhere is the time outside all windows and the windows of the other places. Where the
//! other places answer taps more often than the quiet time explains (a blow is felt next door; the blow shakes the
//! instrument), the place must stand out among the other places' windows alone, too.
//!
//! # When a place is accused
//! If that chance times the number of places tapped (Bonferroni) is below [`TapSettings::significance`], it had two
//! hits or more, and its hit probability may be [`TapSettings::least_hit_probability`] or more. Then the places left are
//! compared again without it (step down). Seven tenths of the significance go there. Two bad joints hide each other, each
//! being part of the other's background; so if no place is accused, pairs are compared with the rest as one place, with
//! the three tenths left, corrected for the number of pairs. So of runs in which no joint is bad at most 5 % accuse one.
//!
//! # When there is not enough data
//! A place without a hit is *cleared* once a joint that answers [`TapSettings::assumed_hit_probability`] of the taps would
//! have shown itself in 95 % of runs, `n ≥ ln 0.05 / ln(1 − p)`; until then it says how many taps are wanting. Hits that
//! chance may explain are *suspect*. The interval on a hit probability is that of Clopper and Pearson.
//!
//! # Assumptions
//! Taps that were not marked, and events while nobody taps, raise the background and make the test more careful. Events of
//! the background come independently of the taps.
//!
//! # Validation
//! A simulation of runs without a bad joint in this module's tests, published sample sizes beside `exact`; labelled
//! recordings: see DEVELOPERS.md, "Scoring".
#![doc = include_str!("../../docs/validation/tap.md")]

mod accuse;
mod attribution;
mod exact;
mod examination;
mod settings;
mod standing;

pub use attribution::{Attributed, Attribution};
pub use examination::{FoundEvent, TapExamination, TapFindings};
pub use settings::TapSettings;
pub use standing::{PlaceStanding, PlaceVerdict};

#[cfg(test)]
mod tests;
