//! From a thermistor's code to a temperature with a bound.
//!
//! # Model and formula
//! The thermistor goes from the converter's pin to ground and the series resistor from the pin to the converter's
//! reference, so R = Rs·code/(full scale − code), and hotter is a smaller code. Three curves are known ([`Curve`]):
//! * Beta: R = R25·exp(B·(1/T − 1/298.15 K)), two parameters, good to about 0.3 K from 25 to 85 °C and 0.8 K at 0 °C;
//! * Steinhart–Hart: 1/T = A + B·ln R + C·(ln R)³, through three measured points;
//! * four coefficients of one maker for one part, both directions ([`Curve::NTC_10K_B3977`]).
//!
//! The bound ([`Thermistor::budget`]) adds after JCGM 100: tolerance of R25, of B (nothing at the pivot, growing with
//! ln(R/R25)), of the series resistor, error and step of the converter, what the curve itself may be off, and self-heating.
//! The current through the thermistor warms it by at most P/δ with δ for still air; clipped to a part it warms less. So half
//! of that is taken off, and half of it stays as a bound to both sides.
//!
//! # Source
//! Curve and tolerance example of the 10 kΩ part: Vishay application note 29089 and data sheet 29049. Beta: the same note,
//! equation 3. Steinhart–Hart: J. S. Steinhart, S. R. Hart, *Deep-Sea Research* 15 (1968) 497 (from memory), and the
//! appendix of a temperature controller's manual for the worked points. Terms: IEC 60539-1.
//!
//! # Assumptions
//! The converter's reference is also the divider's supply, so its voltage cancels. The thermistor has the temperature of
//! what it is clipped to; a poor contact is in no budget.
//!
//! # "Not enough data"
//! A code within 1/128 of either end is [`Resistance::Open`] or [`Resistance::Shorted`]: a state, never a temperature.
//!
//! # Validation
//! `tests/thermistor_tables.rs`: the part's table, two other makers' tables, worked examples of Steinhart–Hart with their
//! misprints named, the tolerance example, self-heating.
#![doc = include_str!("../../docs/validation/thermistor.md")]

mod curve;
mod divider;
mod probe;

pub use curve::{Curve, ThermistorError};
pub use divider::{Divider, Resistance};
pub use probe::{Thermistor, ThermistorReading};

/// 0 °C in kelvin.
pub const ICE_POINT_K: f64 = 273.15;
