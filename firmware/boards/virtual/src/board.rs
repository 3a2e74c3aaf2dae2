//! The board in virtual time: the firmware library, its two loops run by turns, against a bench.

use std::cell::RefCell;
use std::fmt;
use std::rc::Rc;
use std::time::Duration;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use steadybench_firmware::Link;
use steadybench_protocol::{BoardTime, Channel, ResetCause};

use crate::chip::ChipParts;
use crate::errands::{Errand, Errands};
use crate::model::Bench;
use crate::model::thermistor::ThermistorFault;
use crate::processor::Processor;
use crate::scenario::{Scenario, SwitchOn};
use crate::timeline::{Crystal, Timeline};
use crate::world::{BusFault, Shared, World};

/// From reset to the first instruction of the program.
const BOOT: Duration = Duration::from_millis(20);

/// There is no such place on the unit.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the unit has no place {name:?} to tap; it has: {places}")]
pub struct UnknownPlace {
    name: String,
    places: String,
}

/// A board and its bench. Nothing happens but in [`Self::advance`], so the same calls give the same bytes.
///
/// Times that go in are bench time: true time since the bench began. The board has its own clock, which runs a little
/// fast or slow and begins anew at each start.
///
/// ```
/// use std::time::Duration;
/// use steadybench_protocol::{Deframer, FrameBuffer, FromBoard, ToBoard};
/// use steadybench_virtual::{Scenario, VirtualBoard};
///
/// let mut board = VirtualBoard::new(&Scenario::greenhouse(), 1);
/// let mut frame = FrameBuffer::new();
/// let mut bytes = board.advance(Duration::from_millis(100), frame.encode(&ToBoard::Start)?);
/// bytes.extend(board.advance(Duration::from_secs(10), &[]));
///
/// let (mut deframer, mut input, mut readings) = (Deframer::new(), bytes.as_slice(), 0);
/// while let Some(message) = deframer.next::<FromBoard>(&mut input) {
///     if let Ok(FromBoard::Readings(block)) = message {
///         readings += block.len();
///     }
/// }
/// // 1000 a second; the last block is not full yet.
/// assert!((9_880..=9_900).contains(&readings), "{readings}");
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub struct VirtualBoard {
    scenario: Scenario,
    board_serial: [u8; 8],
    crystal_ppm: f64,
    timeline: Timeline,
    world: Shared,
    processor: Option<Processor>,
    errands: Errands,
    boot_count: u32,
    plugged_in: bool,
    port_open: bool,
    input: Vec<u8>,
    run_seen: bool,
    tapped: usize,
    luck: ChaCha8Rng,
}

impl fmt::Debug for VirtualBoard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("VirtualBoard")
            .field("scenario", &self.scenario.name)
            .field("now", &self.now())
            .field("boot_count", &self.boot_count)
            .finish_non_exhaustive()
    }
}

impl VirtualBoard {
    /// A specimen of a scenario, plugged in at the bench's first instant with its port open.
    #[must_use]
    pub fn new(scenario: &Scenario, seed: u64) -> Self {
        let specimen = scenario.specimen(seed);
        let crystal = Crystal::new(Duration::ZERO, specimen.crystal_ppm);
        let mut world = World::new(specimen.bench, specimen.chips, crystal, seed);
        world.bus_faults = scenario.bus_faults;
        world.thermistor_faults = scenario.thermistor_faults;
        let mut luck = ChaCha8Rng::seed_from_u64(seed);
        luck.set_stream(31);
        let [.., a, b, c, d, e, g] = seed.to_be_bytes();
        let mut board = Self {
            scenario: scenario.clone(),
            board_serial: [b'V', b'B', a, b, c, d, e, g],
            crystal_ppm: specimen.crystal_ppm,
            timeline: Timeline::default(),
            world: Rc::new(RefCell::new(world)),
            processor: None,
            errands: Errands::default(),
            boot_count: 0,
            plugged_in: false,
            port_open: true,
            input: Vec::new(),
            run_seen: false,
            tapped: 0,
            luck,
        };
        if let SwitchOn::AfterStart(seconds) = scenario.switch_on {
            board.switch_supply(true, Duration::from_secs_f64(seconds));
        }
        board.chip_reset_ahead();
        board.plug_in();
        board
    }

    /// The same specimen with another serial number: `number` 0 is the one it has anyhow. For a board that has not been
    /// let run yet.
    #[must_use]
    pub const fn numbered(mut self, number: u8) -> Self {
        self.board_serial[1] = b'B'.wrapping_add(number);
        self
    }

    /// The scenario.
    #[must_use]
    pub const fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// Bench time.
    #[must_use]
    pub fn now(&self) -> Duration {
        self.timeline.now()
    }

    /// What the board's clock reads at a bench time, in the present boot.
    #[must_use]
    pub fn board_time(&self, at: Duration) -> BoardTime {
        self.world.borrow().crystal.reads(at)
    }

    /// When the board's clock reads a time, in the present boot.
    #[must_use]
    pub fn bench_time(&self, at: BoardTime) -> Duration {
        self.world.borrow().crystal.when(at)
    }

    /// Error of the board's crystal in ppm: what its clock gains, in microseconds a second.
    #[must_use]
    pub const fn crystal_ppm(&self) -> f64 {
        self.crystal_ppm
    }

    /// What was drawn for a channel's monitor chip.
    #[must_use]
    pub fn monitor_parts(&self, channel: Channel) -> ChipParts {
        *self.world.borrow().chips[channel.index()].parts()
    }

    /// Lends the bench: for its truth, its unit, its temperatures.
    ///
    /// # Panics
    /// When `task` is given the same board again by some way of its own.
    pub fn with_bench<R>(&self, task: impl FnOnce(&mut Bench) -> R) -> R {
        task(&mut self.world.borrow_mut().bench)
    }

    /// Whether the board drives the supply relay now.
    #[must_use]
    pub fn relay_driven(&self) -> bool {
        self.world.borrow().relay_driven
    }

    /// Records every shunt code read from now on with its truth, in [`crate::model::Truth::readings`].
    pub fn record_readings(&mut self, record: bool) {
        self.world.borrow_mut().record_readings = record;
    }

    /// Runs until `until`, at which instant `from_host` arrives; gives what the board has sent meanwhile and since.
    /// A time in the past is now.
    pub fn advance(&mut self, until: Duration, from_host: &[u8]) -> Vec<u8> {
        let mut sent = Vec::new();
        self.advance_into(until, from_host, &mut sent, usize::MAX);
        sent
    }

    /// The same for a host that may stall: while `sent` holds `room` bytes or more the board sends nothing, and its
    /// buffer fills.
    pub fn advance_into(&mut self, until: Duration, from_host: &[u8], sent: &mut Vec<u8>, room: usize) {
        while let Some(next) = self.next_wake()
            && next <= until
        {
            self.timeline.move_to(next);
            self.run_errands();
            if let Some(processor) = &mut self.processor {
                processor.run(&self.timeline);
            }
            self.look_at_run();
            self.send(sent, room);
        }
        self.timeline.move_to(until);
        let now = self.now();
        self.world.borrow_mut().bench.advance(now.as_secs_f64());
        self.receive(from_host, sent, room);
        self.send(sent, room);
    }

    /// When something will happen next by itself.
    #[must_use]
    pub fn next_wake(&self) -> Option<Duration> {
        let sampler = self.processor.as_ref().and_then(Processor::wakes);
        [sampler, self.errands.next()].into_iter().flatten().min()
    }

    /// Whether the board would take bytes: it holds some back while answers must go out first.
    #[must_use]
    pub const fn takes_input(&self) -> bool {
        self.input.is_empty()
    }

    /// Taps a place of the unit, by its name.
    ///
    /// # Errors
    /// [`UnknownPlace`], which lists the places there are.
    pub fn tap(&mut self, place: &str, at: Duration) -> Result<(), UnknownPlace> {
        self.with_bench(|bench| {
            let places = &bench.unit().places;
            let Some(position) = places.iter().position(|other| other.name == place) else {
                let names: Vec<&str> = places.iter().map(|place| place.name).collect();
                return Err(UnknownPlace {
                    name: place.into(),
                    places: names.join(", "),
                });
            };
            bench.tap(position, at.as_secs_f64());
            Ok(())
        })
    }

    /// Presses the foot switch and lets it go 0.15 s later; its contact bounces for up to 3 ms both times.
    pub fn press_foot_switch(&mut self, at: Duration) {
        let at = at.max(self.now());
        for (begin, level) in [(at, true), (at + Duration::from_millis(150), false)] {
            let mut edge = begin;
            let bounces: u32 = self.luck.random_range(0..=2);
            self.errands.add(edge, Errand::FootSwitch(level));
            for _ in 0..bounces {
                for bounced in [!level, level] {
                    edge += Duration::from_micros(self.luck.random_range(100..750));
                    self.errands.add(edge, Errand::FootSwitch(bounced));
                }
            }
        }
    }

    /// Switches the bench supply; the unit is powered while the relay is closed too.
    pub fn switch_supply(&mut self, on: bool, at: Duration) {
        let at = at.max(self.now());
        self.with_bench(|bench| bench.switch_supply(on, at.as_secs_f64()));
        if let (true, Some(tapping)) = (on, self.scenario.tapping) {
            self.errands
                .add(at + Duration::from_secs_f64(tapping.first_s), Errand::PersonTaps);
        }
    }

    /// Puts a fault on a channel's monitor bus, or takes it away.
    pub fn set_bus_fault(&mut self, channel: Channel, fault: BusFault) {
        self.world.borrow_mut().bus_faults[channel.index()] = fault;
    }

    /// Puts a fault on a thermistor, or takes it away.
    pub fn set_thermistor_fault(&mut self, channel: Channel, fault: ThermistorFault) {
        self.world.borrow_mut().thermistor_faults[channel.index()] = fault;
    }

    /// Lets a channel's monitor chip lose its supply for a moment, now.
    pub fn reset_monitor(&mut self, channel: Channel) {
        let now = self.now();
        self.world.borrow_mut().reset_chip(channel, now);
    }

    /// Starts the board anew, now; the monitor chips keep their supply.
    pub fn reboot(&mut self, cause: ResetCause) {
        if self.plugged_in {
            self.stop();
            self.errands.add(self.now() + BOOT, Errand::Boot(cause));
        }
    }

    /// Pulls the cable, now: the board and the monitor chips lose their supply, the relay opens.
    pub fn unplug(&mut self) {
        self.stop();
        self.plugged_in = false;
        self.boot_count = 0;
    }

    /// Puts the cable back, now.
    pub fn plug_in(&mut self) {
        if self.plugged_in {
            return;
        }
        self.plugged_in = true;
        for channel in Channel::ALL {
            self.reset_monitor(channel);
        }
        self.errands
            .add(self.now() + BOOT, Errand::Boot(ResetCause::PowerOn));
    }

    /// Whether the board is plugged in.
    #[must_use]
    pub const fn plugged_in(&self) -> bool {
        self.plugged_in
    }

    /// Whether a host has the port open; while none has, the board sends nothing.
    pub fn set_port_open(&mut self, open: bool) {
        if open && !self.port_open {
            self.input.clear();
            if let Some(processor) = &mut self.processor {
                processor.link.opened();
            }
        }
        self.port_open = open;
    }

    fn stop(&mut self) {
        let now = self.now();
        self.processor = None;
        self.input.clear();
        self.errands.forget_boots();
        self.world.borrow_mut().drive_relay(false, now);
    }

    fn boot(&mut self, cause: ResetCause) {
        self.boot_count += 1;
        let crystal = Crystal::new(self.now(), self.crystal_ppm);
        self.world.borrow_mut().crystal = crystal;
        self.processor = Some(Processor::start(
            &self.world,
            &self.timeline,
            self.board_serial,
            self.luck.random(),
            self.boot_count,
            cause,
        ));
    }

    fn run_errands(&mut self) {
        let now = self.now();
        while let Some(errand) = self.errands.due(now) {
            match errand {
                Errand::FootSwitch(pressed) => {
                    let time = self.board_time(now);
                    if let Some(processor) = &self.processor {
                        processor.station.borrow_mut().foot_switch(pressed, time);
                    }
                }
                Errand::PersonTaps => self.person_taps(),
                Errand::ChipReset(channel) => {
                    self.reset_monitor(channel);
                    self.chip_reset_ahead();
                }
                Errand::Boot(cause) => self.boot(cause),
            }
        }
    }

    /// The hand and the foot are up to 80 ms apart.
    fn person_taps(&mut self) {
        let Some(tapping) = self.scenario.tapping else {
            return;
        };
        let now = self.now();
        let press_at = now + Duration::from_millis(100);
        let tap_at = now + Duration::from_secs_f64(self.luck.random_range(0.02..0.18));
        if self.luck.random_bool(tapping.marked) {
            self.press_foot_switch(press_at);
        }
        let turn = self.tapped;
        self.tapped += 1;
        self.with_bench(|bench| {
            let places = bench.unit().places.len().max(1);
            bench.tap(turn % places, tap_at.as_secs_f64());
        });
        self.errands
            .add(now + Duration::from_secs_f64(tapping.every_s), Errand::PersonTaps);
    }

    fn chip_reset_ahead(&mut self) {
        if let Some((channel, per_hour)) = self.scenario.chip_resets_per_hour {
            // Twice the mean at most, and never at the same instant.
            let wait_s = 3_600.0 / per_hour * self.luck.random_range(0.1..1.9);
            self.errands.add(
                self.now() + Duration::from_secs_f64(wait_s),
                Errand::ChipReset(channel),
            );
        }
    }

    /// The person switches the supply on when the first run has begun.
    fn look_at_run(&mut self) {
        let running = |processor: &Processor| processor.station.borrow().running();
        if !self.run_seen && self.processor.as_ref().is_some_and(running) {
            self.run_seen = true;
            if let SwitchOn::AfterRunBegins(seconds) = self.scenario.switch_on {
                self.switch_supply(true, self.now() + Duration::from_secs_f64(seconds));
            }
        }
    }

    fn receive(&mut self, from_host: &[u8], sent: &mut Vec<u8>, room: usize) {
        if self.processor.is_none() {
            return;
        }
        self.input.extend_from_slice(from_host);
        loop {
            let time = self.board_time(self.now());
            let Some(processor) = &mut self.processor else {
                return;
            };
            let before = self.input.len();
            let mut rest = self.input.as_slice();
            processor.link.bytes_in(&*processor.station, time, &mut rest);
            let left = rest.len();
            self.input.drain(..before - left);
            self.send(sent, room);
            if left == 0 || left == before {
                return;
            }
        }
    }

    fn send(&mut self, sent: &mut Vec<u8>, room: usize) {
        if !self.port_open {
            return;
        }
        let time = self.board_time(self.now());
        let Some(Processor { link, station, .. }) = &mut self.processor else {
            return;
        };
        let link: &mut Link = link;
        while sent.len() < room
            && let Some(frame) = link.next_frame(&**station, time)
        {
            sent.extend_from_slice(frame);
        }
    }
}
