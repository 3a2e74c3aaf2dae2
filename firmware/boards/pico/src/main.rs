//! The Steadybench image for boards with an RP2040.
//!
//! Everything a board does is in the library `steadybench-firmware`; this image owns what only this board has: pins,
//! clocks, the two I2C buses, the converter, USB, the watchdog. One executor in thread mode runs seven tasks, and no
//! `unsafe` is written here.
//!
//! | module | what it holds |
//! |---|---|
//! | `pins` | what is wired where, and with which parts |
//! | `bus` | a monitor bus: a limit on each transfer, and the way out of a held line |
//! | `inputs` | thermistor converter, foot switch, supply relay |
//! | `port` | the USB serial port's descriptors |
//! | `host_link` | bytes between the port and the library's link |
//! | `start` | why, how often and as whom the board started |
//! | `supervise` | lamp and watchdog |
//! | `panic` | the relay opens, the chip starts anew |
//! | `shared` | what the tasks share |
//! | `image` | the start, and the tasks |
//!
//! `firmware/boards/pico/build-image.sh` builds it; README.md beside it says how to put it on a board.
//!
//! Built for a machine with an operating system, the crate is the packer that the script calls: `elf` and `uf2`.

#![cfg_attr(target_os = "none", no_std, no_main)]
#![forbid(unsafe_code)]

#[cfg(target_os = "none")]
mod bus;
#[cfg(target_os = "none")]
mod host_link;
#[cfg(target_os = "none")]
mod image;
#[cfg(target_os = "none")]
mod inputs;
#[cfg(target_os = "none")]
mod panic;
#[cfg(target_os = "none")]
mod pins;
#[cfg(target_os = "none")]
mod port;
#[cfg(target_os = "none")]
mod shared;
#[cfg(target_os = "none")]
mod start;
#[cfg(target_os = "none")]
mod supervise;

#[cfg(not(target_os = "none"))]
mod elf;
#[cfg(not(target_os = "none"))]
mod uf2;

/// On a machine with an operating system: packs an image for copying onto a board.
#[cfg(not(target_os = "none"))]
fn main() -> std::process::ExitCode {
    uf2::main()
}
