//! Fuses: time limits, melting values, pulses, and whether a fuse is right for its place.
//!
//! # The three questions
//!
//! 1. **Does it carry the running current?** An IEC fuse carries its rating, a UL one three quarters of it, less 0.5 %
//!    per kelvin above 25 °C at the fuse.
//! 2. **Does it survive the switch-on?** The I²t of one switch-on, upper end of its interval, must be no more than a
//!    share of the melting I²t that falls with the number of switch-ons ([`pulse_share`]). A switch-on that, by its lower
//!    end, brings the whole melting I²t opens the fuse. In between nothing is promised. A switch-on that lasts is also
//!    held against the gates as `√(I²t/duration)`.
//! 3. **Does it open on a short?** The supply's limit, in multiples of the rating, must pass a gate that has the fuse open
//!    within ten seconds. A supply that limits below that never opens its fuse: the fuse is too large for the rail.
//!
//! # Formulas and sources
//!
//! | what | formula | source |
//! |---|---|---|
//! | gates | table | IEC 60127-2 sheets 1, 2, 3, 5 as printed by makers that declare them; the standard's text was not seen |
//! | UL fuse | opens at 135 % in 60 min, at 200 % in 2 min | UL 248-14 as quoted in Littelfuse Fuseology, page 12 |
//! | melting I²t without a data sheet | `(10·In)²·t` with the times at ten times the rating | the gates |
//! | pulse share | 48, 38, 29, 22 % for 10², 10³, 10⁴, 10⁵ pulses | Littelfuse fuse catalogue, page 12, rev. 03/2017 |
//! | pulse from its shape | ½, ⅓, ⅕ of `Ip²·t` | the same page |
//!
//! Each time limit carries how well it is vouched for ([`Vouched`]), and the finding says the weakest mark it used.
//!
//! # Assumptions
//!
//! The fuse is the kind its marking says, sound and not aged by earlier pulses, and cools between switch-ons (10 s or more
//! apart). A typical melting value is one maker's; another's differs up to seventeen times, so the finding names it. Gates
//! and melting values are taken as they stand at any warmth; only the running current is corrected for it. What was
//! measured is the fuse's own current.
//!
//! # Not enough data
//!
//! [`FuseVerdict::CannotSay`] when a figure is missing, the input clipped, the marking names no sheet, or the switch-on
//! lies between what the pulse rule allows and what melts the fuse. The reasons say which and what to give.
//!
//! # Validated
//!
//! Every gate and melting value against the gathered tables in `tests/data/`; wave shapes against their integrals;
//! properties (a larger pulse never gives a kinder word). See DEVELOPERS.md, "Scoring".
//!
//! # Caution
//!
//! A fuse is replaced by the kind marked beside its holder. A finding here is advice for finding out why one opened, not
//! leave to fit another.
#![doc = include_str!("../../docs/validation/fuse.md")]

mod check;
mod gates;
mod marking;
mod melting;
mod neighbours;
mod protection;
mod pulse;
mod ratings;
mod running;

#[cfg(test)]
mod tests;

pub use check::{FuseCheck, FuseFinding, FuseVerdict, Measured, check};
pub use gates::{FuseStandard, Gate, TimeLimit, Vouched, gates};
pub use marking::{BreakingCapacity, FuseMarking, FuseSpeed, MarkingError, parse_marking};
pub use melting::{
    MeltingI2t, MeltingSeries, MeltingSource, PulseShape, pulse_i2t_a2s, pulse_share, pulses_allowed,
    typical_melting_i2t_a2s,
};
pub use neighbours::{FuseNeighbour, neighbours};
pub use ratings::{neighbours_a, preferred_ratings_a};
