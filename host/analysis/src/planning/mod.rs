//! Planning: what to put in before measuring, worked out on paper.
//!
//! Pure functions from quantities, read as people write them ([`parse_quantity`]), to advice that says why, with the
//! values beside the one advised:
//!
//! | question | function | formulas |
//! |---|---|---|
//! | which shunt | [`choose_shunt`] | burden `I·R`, heat `I²·R`, step and noise of the monitor chip divided by `R` |
//! | which thermistor divider | [`choose_divider`] | slopes of divider and curve ([`crate::thermistor`]), self-heating `V²·R/(R+Rs)²/δ` |
//! | a track as a shunt | [`estimate_track`] | `ρ20·L/(w·t)·(1+α20·(T−20))` |
//! | which fuse | [`crate::fuse::check`] | gates and pulse rules |
//! | how to limit a first switch-on | [`crate::limiter::advise`] | Ohm's law; the lamp's filament |
//!
//! # Sources
//!
//! Chip: INA228 data sheet SLYS021A (ranges, steps, table 8-2). Copper: IEC 60028 and the IACS text (0.017241 Ω·mm²/m and
//! 0.393 %/K at 20 °C). Dissipation factors: thermistor makers' sheets. What is common practice only is marked so in the
//! advice itself.
//!
//! # Assumptions
//!
//! Steady heat, and one thermal resistance per part: advice for choosing a value, not for reading with it.
//!
//! # Validated
//!
//! The data sheet's worked shunt example, published track and wire resistances, self-heating of the usual divider, and
//! properties, in each file's tests.

mod copper;
mod divider;
mod e_series;
mod quantity;
mod shunt;
pub(crate) mod text;
mod track;
mod unit;

pub use copper::{COPPER_COEFFICIENT_PER_K, COPPER_RESISTIVITY_OHM_M, copper_resistance_ohm};
pub use divider::{DividerAdvice, DividerError, DividerNeed, DividerOption, choose_divider};
pub use e_series::{e12_between, shunt_values_between};
pub(crate) use quantity::with_point;
pub use quantity::{Quantity, QuantityError, parse_any_quantity, parse_quantity};
pub use shunt::{ShuntAdvice, ShuntError, ShuntNeed, ShuntOption, ShuntRange, choose_shunt, shunt_option};
pub use track::{Track, TrackError, TrackEstimate, estimate_track};
pub use unit::Unit;
