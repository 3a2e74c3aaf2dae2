//! The board put together, its two loops run by turns in virtual time.

use std::cell::{Cell, RefCell};
use std::rc::Rc;

use embassy_futures::block_on;
use steadybench_firmware::ina228::{Ina228, Register};
use steadybench_firmware::{
    BoardFacts, ConversionFailed, Link, Measuring, Station, SupplyRelay, ThermistorConverter,
};
use steadybench_protocol::{
    BoardTime, Channel, Deframer, DividerDescription, FirmwareVersion, FrameBuffer, FromBoard, GuardLimits,
    GuardTrip, Health, ReadingsBlock, ResetCause, ToBoard,
};

use crate::bus::{ADDRESS, FakeBus};

pub(crate) fn facts() -> BoardFacts {
    let divider = DividerDescription {
        series_ohm: 10_000,
        full_scale_code: 4_096,
    };
    BoardFacts {
        board: "rig".try_into().unwrap(),
        board_serial: *b"12345678",
        firmware_version: FirmwareVersion {
            major: 0,
            minor: 1,
            patch: 0,
        },
        boot_nonce: 7,
        boot_count: 1,
        reset_cause: ResetCause::PowerOn,
        shunt_micro_ohm: [20_000, 20_000],
        thermistors: [divider; 2],
    }
}

#[derive(Clone, Debug)]
pub(crate) struct FakeConverter(pub(crate) Rc<RefCell<[Result<u16, ConversionFailed>; 2]>>);

impl ThermistorConverter for FakeConverter {
    fn read(&mut self, channel: Channel) -> Result<u16, ConversionFailed> {
        self.0.borrow()[channel.index()]
    }
}

#[derive(Clone, Debug, Default)]
pub(crate) struct FakeRelay(pub(crate) Rc<Cell<bool>>);

impl SupplyRelay for FakeRelay {
    fn set_closed(&mut self, closed: bool) {
        self.0.set(closed);
    }
}

pub(crate) struct Rig {
    pub(crate) station: RefCell<Station>,
    pub(crate) measuring: Measuring<FakeBus, FakeBus, FakeConverter, FakeRelay>,
    pub(crate) link: Link,
    pub(crate) buses: [FakeBus; 2],
    pub(crate) thermistors: Rc<RefCell<[Result<u16, ConversionFailed>; 2]>>,
    pub(crate) relay: Rc<Cell<bool>>,
    /// Board time in microseconds.
    pub(crate) now: Rc<Cell<u64>>,
    next: u64,
    deframer: Deframer,
    /// Whether the host takes what the board sends.
    pub(crate) host_reads: bool,
    pub(crate) received: Vec<FromBoard>,
}

impl Rig {
    pub(crate) fn new() -> Self {
        Self::with_facts(facts())
    }

    pub(crate) fn with_facts(facts: BoardFacts) -> Self {
        let buses = [FakeBus::new(), FakeBus::new()];
        let thermistors = Rc::new(RefCell::new([Ok(2_048), Ok(2_000)]));
        let relay = Rc::new(Cell::new(false));
        let measuring = Measuring::new(
            Ina228::new(buses[0].clone(), ADDRESS),
            Ina228::new(buses[1].clone(), ADDRESS),
            FakeConverter(Rc::clone(&thermistors)),
            FakeRelay(Rc::clone(&relay)),
        );
        Self {
            station: RefCell::new(Station::new(facts)),
            measuring,
            link: Link::new(),
            buses,
            thermistors,
            relay,
            now: Rc::new(Cell::new(0)),
            next: 0,
            deframer: Deframer::new(),
            host_reads: true,
            received: Vec::new(),
        }
    }

    /// A rig on which the chips have been found and nothing has been said yet but the hello.
    pub(crate) fn ready() -> Self {
        let mut rig = Self::new();
        rig.run_for(1_000);
        rig.received.clear();
        rig
    }

    pub(crate) fn time(&self) -> BoardTime {
        BoardTime::from_micros(self.now.get())
    }

    /// One turn of the sampler at the present time.
    pub(crate) fn tick(&mut self) {
        let now = Rc::clone(&self.now);
        let clock = move || BoardTime::from_micros(now.get());
        self.next = block_on(self.measuring.tick(&self.station, &clock)).as_micros();
    }

    /// Runs until `us` microseconds from now: every tick on its instant, the link after each.
    pub(crate) fn run_for(&mut self, us: u64) {
        let end = self.now.get() + us;
        while self.next <= end {
            self.now.set(self.next.max(self.now.get()));
            self.tick();
            self.pump();
        }
        self.now.set(end);
    }

    /// Lets time pass while the sampler sleeps, and then calls it once.
    pub(crate) fn oversleep(&mut self, us: u64) {
        self.now.set(self.now.get() + us);
        self.tick();
        self.pump();
    }

    /// Sends one command, and everything the board has to say goes to the host.
    pub(crate) fn send(&mut self, command: &ToBoard) {
        let mut frame = FrameBuffer::new();
        let bytes = frame.encode(command).unwrap().to_vec();
        self.send_bytes(&bytes);
    }

    pub(crate) fn send_bytes(&mut self, mut bytes: &[u8]) {
        let now = self.time();
        loop {
            self.link.bytes_in(&self.station, now, &mut bytes);
            self.pump();
            if bytes.is_empty() {
                break;
            }
        }
    }

    /// Takes what the board has to say.
    pub(crate) fn pump(&mut self) {
        if !self.host_reads {
            return;
        }
        let now = self.time();
        while let Some(frame) = self.link.next_frame(&self.station, now) {
            let mut input = frame;
            while let Some(message) = self.deframer.next::<FromBoard>(&mut input) {
                self.received.push(message.unwrap());
            }
        }
    }

    pub(crate) fn take(&mut self) -> Vec<FromBoard> {
        std::mem::take(&mut self.received)
    }

    pub(crate) fn blocks(&self) -> Vec<ReadingsBlock> {
        self.received
            .iter()
            .filter_map(|message| match message {
                FromBoard::Readings(block) => Some(block.clone()),
                _ => None,
            })
            .collect()
    }

    pub(crate) fn trips(&self) -> Vec<GuardTrip> {
        self.received
            .iter()
            .filter_map(|message| match message {
                FromBoard::GuardTrip(trip) => Some(*trip),
                _ => None,
            })
            .collect()
    }

    pub(crate) fn last_health(&self) -> Health {
        self.received
            .iter()
            .rev()
            .find_map(|message| match message {
                FromBoard::Health(health) => Some(*health),
                _ => None,
            })
            .expect("health")
    }

    /// The health that answers a command sent now.
    pub(crate) fn ask_health(&mut self) -> Health {
        self.send(&ToBoard::Identify);
        self.last_health()
    }

    pub(crate) fn set_current(&self, channel: usize, code: i32) {
        self.buses[channel].set_code(Register::Vshunt, code);
    }

    pub(crate) fn set_limits(&mut self, limits: GuardLimits) {
        self.send(&ToBoard::GuardLimits(limits));
    }
}

/// Limits that never act.
pub(crate) fn no_limits() -> GuardLimits {
    GuardLimits {
        over_current_readings: 1,
        ..GuardLimits::default()
    }
}
