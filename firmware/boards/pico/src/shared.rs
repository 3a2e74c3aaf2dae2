//! What the tasks share. They run in one thread and hold nothing across an `await`, so cells are lock enough.

use core::cell::{Cell, RefCell};

use embassy_sync::blocking_mutex::raw::NoopRawMutex;
use embassy_sync::signal::Signal;
use embassy_time::Instant;
use steadybench_firmware::{BoardFacts, Link, Station};
use steadybench_protocol::BoardTime;

/// See the module.
pub(crate) struct Shared {
    pub(crate) station: RefCell<Station>,
    pub(crate) link: RefCell<Link>,
    /// There may be something to send.
    pub(crate) wake_link: Signal<NoopRawMutex, ()>,
    /// A frame has gone out, so input that waited may go on.
    pub(crate) sent: Signal<NoopRawMutex, ()>,
    /// A host has spoken since the port was opened, so it listens even if its operating system never raised DTR.
    pub(crate) heard: Cell<bool>,
    /// The port was opened anew, so a frame that was begun is not to be ended.
    pub(crate) reopened: Cell<bool>,
    /// The sampler has gone round since the supervisor looked.
    pub(crate) sampler_alive: Cell<bool>,
    /// The link has gone round since the supervisor looked.
    pub(crate) link_alive: Cell<bool>,
}

impl Shared {
    pub(crate) const fn new(facts: BoardFacts) -> Self {
        Self {
            station: RefCell::new(Station::new(facts)),
            link: RefCell::new(Link::new()),
            wake_link: Signal::new(),
            sent: Signal::new(),
            heard: Cell::new(false),
            reopened: Cell::new(false),
            sampler_alive: Cell::new(false),
            link_alive: Cell::new(false),
        }
    }
}

/// The board's time: microseconds since its start, from the crystal.
pub(crate) fn board_time() -> BoardTime {
    BoardTime::from_micros(Instant::now().as_micros())
}
