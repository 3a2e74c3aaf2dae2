//! Board time to UTC, with a stated bound.
//!
//! A board counts microseconds of its own crystal; the host knows UTC as well as its operating system does. Between
//! them go two-way exchanges, and from these alone the map is made:
//!
//! 1. **Offset and delay** of each exchange after RFC 5905, section 8 ([`Exchange`]). The true offset lies within half
//!    the delay of the measured one, however unequal the two ways were. A stall of either side only makes the delay
//!    long and the exchange worthless; it cannot make it wrong.
//! 2. **Least-delay selection**: of each group of exchanges only the one with the least delay is kept
//!    ([`estimate`]), as the clock filter of RFC 5905, section 10, keeps one of eight.
//! 3. **Rate**: a straight line through the kept ones, weighted by their delays. The line's value at any instant is a
//!    weighted sum of measured offsets, so its error is at most the same sum of half delays with the weights'
//!    magnitudes: half the least delay, plus the fit's own, plus what the crystal may wander meanwhile.
//! 4. **Steps of the host's clock**: an exchange whose interval does not meet the map's is kept apart; when three more
//!    in a row agree with it, a clock was set ([`ClockStep`] says whose), and the map goes on in the time base the run
//!    began with. What the size of the step was not known to joins the bound for the rest of the run, as does what a
//!    long pause could have hidden.
//! 5. **Publication** ([`ClockMap::utc`]): what has been published is continuous and never runs backwards; a better
//!    estimate is approached at 500 ppm at most, and the distance still to go is part of the bound.
//!
//! Readings are ordered and spaced by board time. Nothing here changes that; the map only says what UTC an instant had.

mod estimate;
mod exchange;
mod map;

pub use exchange::{Exchange, HostTime};
pub use map::{ClockMap, ClockStep, StepCause, UtcInstant};
