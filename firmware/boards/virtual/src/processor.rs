//! The microcontroller: one run of the firmware library from a start to the next.

use std::cell::RefCell;
use std::fmt;
use std::pin::Pin;
use std::rc::Rc;
use std::task::{Context, Waker};
use std::time::Duration;

use steadybench_firmware::facts::FIRMWARE_VERSION;
use steadybench_firmware::ina228::Ina228;
use steadybench_firmware::{BoardFacts, Link, Measuring, Station};
use steadybench_protocol::limits::CHANNELS;
use steadybench_protocol::{BoardName, Channel, ResetCause};

use crate::timeline::Timeline;
use crate::world::{DIVIDER, MONITOR_ADDRESS, Shared, VirtualBus, VirtualConverter, VirtualRelay};

/// Nominal resistance of both shunts in micro-ohms.
pub const SHUNT_MICRO_OHM: u32 = 50_000;

/// One run of the firmware.
pub(crate) struct Processor {
    pub(crate) station: Rc<RefCell<Station>>,
    pub(crate) link: Link,
    sampler: Pin<Box<dyn Future<Output = ()>>>,
    wakes: Option<Duration>,
}

impl fmt::Debug for Processor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Processor")
            .field("wakes", &self.wakes)
            .finish_non_exhaustive()
    }
}

impl Processor {
    /// Starts the firmware now.
    pub(crate) fn start(
        world: &Shared,
        timeline: &Timeline,
        board_serial: [u8; 8],
        boot_nonce: u32,
        boot_count: u32,
        reset_cause: ResetCause,
    ) -> Self {
        let station = Rc::new(RefCell::new(Station::new(BoardFacts {
            // 18 bytes of the 32 a name may have.
            board: BoardName::try_from("virtual greenhouse").unwrap_or_default(),
            board_serial,
            firmware_version: FIRMWARE_VERSION,
            boot_nonce,
            boot_count,
            reset_cause,
            shunt_micro_ohm: [SHUNT_MICRO_OHM; CHANNELS],
            thermistors: [DIVIDER; CHANNELS],
        })));
        let bus = |channel| VirtualBus {
            world: Rc::clone(world),
            timeline: timeline.clone(),
            channel,
        };
        let mut measuring = Measuring::new(
            Ina228::new(bus(Channel::One), MONITOR_ADDRESS),
            Ina228::new(bus(Channel::Two), MONITOR_ADDRESS),
            VirtualConverter {
                world: Rc::clone(world),
                timeline: timeline.clone(),
            },
            VirtualRelay {
                world: Rc::clone(world),
                timeline: timeline.clone(),
            },
        );
        let crystal = world.borrow().crystal;
        let (shared, sleeping) = (Rc::clone(&station), timeline.clone());
        let sampler = async move {
            let clock = || crystal.reads(sleeping.now());
            loop {
                let next = measuring.tick(&*shared, &clock).await;
                sleeping.until(crystal.when(next)).await;
            }
        };
        Self {
            station,
            link: Link::new(),
            sampler: Box::pin(sampler),
            wakes: Some(timeline.now()),
        }
    }

    /// When the sampler goes on.
    pub(crate) const fn wakes(&self) -> Option<Duration> {
        self.wakes
    }

    /// Lets the sampler go on if it is time.
    pub(crate) fn run(&mut self, timeline: &Timeline) {
        if self.wakes.is_none_or(|wakes| wakes > timeline.now()) {
            return;
        }
        let _ = timeline.take_awaited();
        // The sampler never ends; what it waits for is an instant, so no waker is needed.
        let _ = self
            .sampler
            .as_mut()
            .poll(&mut Context::from_waker(Waker::noop()));
        self.wakes = timeline.take_awaited();
    }
}
