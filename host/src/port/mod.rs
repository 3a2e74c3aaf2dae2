//! Where bytes come from and go to.
//!
//! A port is named by its system name (`/dev/ttyACM0`, `COM3`), by the USB serial number of the board behind it, as
//! `tcp:HOST:PORT`, or as a virtual bench (`virtual:greenhouse`). [`open`] gives a [`Connection`]; a [`Line`] reads and
//! writes it on two threads of its own, so that nothing on this computer can make a stamp late but the scheduler.

mod address;
mod bench;
mod connection;
mod line;
mod listing;
mod serial;

pub use address::PortAddress;
pub use bench::open_again as open_bench_again;
pub use connection::{Connection, open};
pub use line::{Incoming, Line};
pub use listing::{ListedPort, list};
