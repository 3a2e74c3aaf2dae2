//! The Steadybench firmware on the host, its buses and its converter answered by a physical model of a bench.
//!
//! The library `steadybench-firmware` runs here as it does on a microcontroller: its chip driver speaks to an INA228
//! modelled at its registers, its sampler is woken by virtual time, its guard opens a modelled relay. Every figure that
//! comes from here is an **emulated** one.
//!
//! | module | what it holds |
//! |---|---|
//! | [`model`] | the unit, its supply, heat, the joint about to fail; and the truth about them |
//! | [`chip`] | the monitor chip: registers, conversions, noise, errors |
//! | `world` | buses, converter and relay as the firmware library is given them; their faults |
//! | `timeline` | virtual time, and the crystal of the board |
//! | `processor` | one run of the firmware library, from a start to the next |
//! | `board` | [`VirtualBoard`]: all of it in virtual time, bytes in and bytes out |
//! | `live` | [`VirtualBench`]: the same in real time behind a pseudo-terminal or a network port |
//! | `scenario` | [`Scenario`]: what is wrong and who taps, by name |
//!
//! # The bench
//! A greenhouse vent controller for 24 V with two like motor-driver stages, stage 1 measured by channel 1 and stage 2 by
//! channel 2. A bench supply feeds both through the relay that the board's guard opens.
//!
//! ```text
//!            Rs          relay        shunt 1    leads, charging R or bridge
//!  24 V ----/\/\/----+---o/ o------/\/\/---+------/\/\/----+---- stage 1
//!  + ripple          |               rail 1|          C1  ===   (draw, bleeder)
//!                    |                     |               |
//!                    +---o/ o------/\/\/---+------/\/\/----+--x- stage 2
//!                                    rail 2|          C2  ===  x = the marginal joint
//! ```
//!
//! # The physics
//! | what | how | source |
//! |---|---|---|
//! | inrush, and the image of a change on the other channel | linear network of two capacitors, solved exactly between changes ([`model::network`]) | RC charging in closed form |
//! | ripple of the supply | twice and four times the mains, 1.5 mV and 0.4 mV | from memory |
//! | motors | starting current that decays to the running one, pulse width residue at 4 kHz behind the reservoir | from memory |
//! | draw against temperature | 0.25 % a kelvin of the stage | from memory |
//! | heat | stages to case to room, two time constants ([`model::thermal`]) | from memory |
//! | thermistors | 10 kΩ, B 3977, 15 s in air, own heat | Vishay 29049 and 29089 |
//! | the joint | opens for 0.5 to 300 ms, chatters, or latches half open, 5 to 60 ms after a tap that hits | the model's own |
//! | chip noise | noise-free bits by conversion time and averaging | TI SLYS021A, table 8-2 |
//! | chip errors | offset, gain, oscillator, drawn within limits | TI SLYS021A, section 6.5 |
//! | shunt | 50 mΩ ± 1 %, 50 ppm/K | common practice, no source |
//! | converter of the thermistors | 12 bits, 1.5 codes rms | from memory |
//! | crystal | ± 30 ppm | ABM8-272-T3, as fitted to boards with this microcontroller |
//!
//! Every parameter is a field of [`model::Unit`] and can be changed before the board is made.
//!
//! # How fast
//! `cargo run --release -p steadybench-virtual --example pace` prints bench seconds in a second of one core: on two cores
//! kept busy by other work, 1518 at 100 readings a second, 328 at 1000 and 113 at 4000.

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
