//! The monitor chip INA228: a 20-bit converter for shunt voltage, rail voltage and its own temperature.
//!
//! Source throughout: INA228 data sheet, TI SLYS021A (January 2021, revised May 2022).

mod driver;
pub mod registers;
pub mod scaling;

pub use driver::{Identity, Ina228, Settings};
pub use registers::Register;
