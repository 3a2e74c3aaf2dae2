//! From raw codes to amperes and volts, with the corrections of this board and a bound.
//!
//! # Model and formula
//! Current I = g·(code·step − zero)/R: step 312.5 nV or 78.125 nV by the chip's range, zero the shunt voltage read with no
//! current, R the nominal shunt, g the gain found against a reference. Rail voltage U = g·code·195.3125 µV. Corrections are
//! applied when readings are read; the record keeps the codes, so a better calibration later reaches back.
//!
//! A gain is fitted through zero by least squares, each point weighted by its uncertainty. The reference's own uncertainty
//! is taken as common to all points, for they are read on one meter: more points do not shrink it. If the points scatter
//! more than they may, the rest is widened by as much.
//!
//! The bound of a current adds after JCGM 100: noise of the reading, chip offset or the uncertainty of the measured zero,
//! shunt tolerance and chip gain or the uncertainty of the measured gain, drift of each with the distance from the
//! temperature of calibration, non-linearity, and the step.
//!
//! # Source
//! INA228 data sheet (TI SLYS021A): steps, gain ±0.05 %, offset ±1 µV, drifts ±20 ppm/K and ±10 nV/K, non-linearity
//! ±0.002 % (limits at 25 °C; the offset limit is stated for conversion times above 280 µs), noise table 8-2.
//!
//! # Assumptions
//! The bound holds no thermoelectric voltage from a temperature difference over the shunt's joints: tin-lead solder on copper
//! gives about 3 to 5 µV/K. Zero the channel warm, load off, if microvolts matter. No wiring outside the shunt's sense
//! points is in it either.
//!
//! # "Not enough data"
//! A zero whose readings still wander, or that is no zero; a reference point not at least 20 times its uncertainty.
//!
//! # Validation
//! The worked design example of the data sheet, section 8.2, with its rounding named (`tests/monitor_chip.rs`); simulated
//! boards with known errors, in the pages' tests.
#![doc = include_str!("../../docs/validation/calibration.md")]

mod channel;
pub mod copper;
mod fit;
mod noise;
mod shunt;
mod stored;
mod thermistor_fit;

pub use channel::{ChannelCalibration, CodeReading, MonitorSetting};
pub use fit::{CalibrationError, GainFit, GainPoint, Zero, fit_gain, fit_zero};
pub use noise::{AVERAGES, CONVERSION_TIMES_US, noise_peak_to_peak_v, noise_standard_deviation_v};
pub use shunt::{DIE_TEMPERATURE_STEP_C, RAIL_STEP_V, Shunt, ShuntRange};
pub use stored::{Calibration, Caution, ThermistorChannel};
pub use thermistor_fit::{ThermistorFit, ThermistorPoint, fit_thermistor};
