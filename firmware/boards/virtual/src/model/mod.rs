//! The physical model: unit, supply, heat, a joint about to fail, and the people around them. It knows nothing of
//! chips or boards.

mod bench;
mod decays;
mod drives;
pub mod joint;
pub mod network;
mod spans;
pub mod thermal;
pub mod thermistor;
mod truth;
mod unit;

pub use bench::Bench;
pub use truth::{JointTruth, LoadChange, ReadingTruth, TapTruth, Truth};
pub use unit::{Place, Programme, Ripple, Stage, Supply, Unit};
