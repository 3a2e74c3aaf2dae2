//! (in the making)
#![forbid(unsafe_code)]
mod board;
pub mod chip;
mod errands;
mod live;
pub mod model;
mod processor;
mod scenario;
mod timeline;
mod world;

pub use board::{UnknownPlace, VirtualBoard};
pub use live::{BenchOptions, BenchStopped, PortName, VirtualBench};
pub use processor::SHUNT_MICRO_OHM;
pub use scenario::{Scenario, SwitchOn, Tapping, UnknownScenario};
pub use timeline::Crystal;
pub use world::{BUS_HZ, BusError, BusFault, CONVERTER_NOISE_CODES, DIVIDER, MONITOR_ADDRESS};
