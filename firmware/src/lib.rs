//! The board side of Steadybench: everything a board does, except what only one kind of board has.
//!
//! A board image owns the pins, clocks and USB; it hands this library two monitor buses, a converter for the
//! thermistors, a relay and the time, and runs two loops. Nothing here names a board or a pin, so the same code runs in
//! the microcontroller and, for tests and for trying out, on a host with a physical model behind the traits.
//!
//! | module | what it holds |
//! |---|---|
//! | [`ina228`] | the monitor chip: registers, driver, scaling, as its data sheet prints them |
//! | [`monitor`] | one channel's chip in service: found, lost, restarted, read |
//! | [`thermistor`] | the converter of the thermistor dividers, and which codes can be a temperature |
//! | [`sampler`] | when readings are due, and what to do about those that were missed |
//! | [`buffer`] | the blocks that wait for the host |
//! | [`guard`] | when to open the supply relay |
//! | [`foot_switch`] | from a bouncing contact to a mark with its first instant |
//! | [`facts`] | what a board tells about itself |
//! | [`station`] | the state both loops share, and the commands on it |
//! | [`measuring`] | the sampler's loop: read both chips, record, drive the relay |
//! | [`link`] | the host's loop: bytes in, frames out |
//!
//! # How a board runs it
//! Two loops share one [`Station`] through [`Access`], which a board implements with whatever lock it has; no lock is
//! held across an `await`.
//!
//! ```text
//! sampler:  loop { let next = measuring.tick(&shared, &clock).await; sleep_until(next); wake the link }
//! link:     loop { wait for bytes or a wake-up;
//!                  link.bytes_in(&shared, now, &mut bytes);
//!                  while let Some(frame) = link.next_frame(&shared, now) { send frame } }
//! switch:   on every edge { shared.with(|station| station.foot_switch(pressed, time)) }
//! ```
//!
//! In virtual time, one thread calls the same functions by turns. The first tick looks for the chips; until it has, the
//! link has nothing to say, since a hello tells what the chips are.
//!
//! The board promises the rest: the clock never goes back; a transfer that does not end is given up within a
//! millisecond ([`RecoverBus`]); reset, panic and a hung sampler leave the relay open ([`SupplyRelay`]).
//!
//! # Memory
//! A [`Station`] takes 41 KiB on a 32-bit core, nearly all of it the [`buffer`]: 128 blocks, 2.56 s at 1000 readings a
//! second. Nothing is allocated.
//!
//! # Why asynchronous
//! The two chips sit on two buses. The sampler waits for both transfers at once, which halves the time a reading takes,
//! and the core sleeps or serves the link meanwhile.

#![no_std]
#![forbid(unsafe_code)]

pub mod buffer;
pub mod facts;
pub mod foot_switch;
pub mod guard;
pub mod ina228;
pub mod link;
pub mod measuring;
pub mod monitor;
pub mod sampler;
pub mod station;
pub mod thermistor;

pub use facts::BoardFacts;
pub use link::Link;
pub use measuring::{Measuring, SupplyRelay};
pub use monitor::RecoverBus;
pub use station::{Access, Station};
pub use thermistor::{ConversionFailed, ThermistorConverter};
