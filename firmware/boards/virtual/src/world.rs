//! Everything outside the microcontroller: the bench, the two chips on their buses, the thermistors' converter, the
//! relay; and the parts of it that the firmware library is given.

use std::cell::RefCell;
use std::rc::Rc;
use std::time::Duration;

use embedded_hal_async::i2c::{Error, ErrorKind, ErrorType, I2c, NoAcknowledgeSource, Operation};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use steadybench_firmware::ina228::Register;
use steadybench_firmware::{ConversionFailed, RecoverBus, SupplyRelay, ThermistorConverter};
use steadybench_protocol::limits::{CHANNELS, THERMISTOR_CODE_MAX};
use steadybench_protocol::{Channel, DividerDescription};

use crate::chip::{Chip, ChipInputs, ChipParts, Totals};
use crate::model::thermistor::{ThermistorFault, divider_code};
use crate::model::{Bench, ReadingTruth};
use crate::timeline::{Crystal, Timeline};

/// Address of both chips, each on its own bus.
pub const MONITOR_ADDRESS: u8 = 0x40;

/// Clock of the buses, hertz.
pub const BUS_HZ: u64 = 400_000;

/// The thermistors' dividers.
pub const DIVIDER: DividerDescription = DividerDescription {
    series_ohm: 10_000,
    full_scale_code: 4_096,
};

/// Noise of the microcontroller's converter in codes rms (from memory, no source).
pub const CONVERTER_NOISE_CODES: f64 = 1.5;

/// The chips are this much warmer than the room, kelvins: their own supply current heats them by 0.4 K, the board by
/// the rest (from memory, no source).
const CHIP_WARMER_K: f64 = 3.0;

/// A board gives up a transfer that does not end after so long.
const GIVE_UP: Duration = Duration::from_millis(1);

/// What is wrong with a channel's bus.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum BusFault {
    /// Nothing.
    #[default]
    None,
    /// The next so many transfers are not acknowledged.
    NotAcknowledged {
        /// How many are left.
        transfers: u32,
    },
    /// No chip there.
    Absent,
    /// A line is held low until the bus has been freed so many times; `None` is for ever.
    Stuck {
        /// How often it must still be freed.
        recoveries: Option<u32>,
    },
    /// Another chip answers.
    WrongChip {
        /// What its manufacturer register reads.
        manufacturer_id: u16,
        /// What its device register reads.
        device_id: u16,
    },
}

/// What a transfer failed with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BusError(ErrorKind);

impl Error for BusError {
    fn kind(&self) -> ErrorKind {
        self.0
    }
}

/// What a chip's pins are connected to.
struct Pins<'a> {
    bench: &'a Bench,
    branch: usize,
}

impl ChipInputs for Pins<'_> {
    fn shunt_v(&self, from_s: f64, to_s: f64) -> f64 {
        self.bench.mean_current_a(self.branch, from_s, to_s) * self.bench.shunt_ohm(self.branch)
    }

    fn rail_v(&self, from_s: f64, to_s: f64) -> f64 {
        self.bench.mean_rail_v(self.branch, from_s, to_s)
    }

    fn chip_c(&self) -> f64 {
        self.bench.temperatures().room_c + CHIP_WARMER_K
    }

    fn totals(&self, at_s: f64) -> Totals {
        self.bench.totals(self.branch, at_s)
    }
}

/// Everything outside the microcontroller.
#[derive(Debug)]
pub(crate) struct World {
    pub(crate) bench: Bench,
    pub(crate) chips: [Chip; CHANNELS],
    pub(crate) bus_faults: [BusFault; CHANNELS],
    pub(crate) thermistor_faults: [ThermistorFault; CHANNELS],
    pub(crate) crystal: Crystal,
    pub(crate) relay_driven: bool,
    pub(crate) record_readings: bool,
    converter_noise: ChaCha8Rng,
}

/// The world, shared by the bus, converter and relay of one board.
pub(crate) type Shared = Rc<RefCell<World>>;

impl World {
    pub(crate) fn new(bench: Bench, chips: [ChipParts; CHANNELS], crystal: Crystal, seed: u64) -> Self {
        let mut converter_noise = ChaCha8Rng::seed_from_u64(seed);
        converter_noise.set_stream(21);
        let [first, second] = chips;
        Self {
            bench,
            chips: [
                Chip::new(first, seed.wrapping_mul(2).wrapping_add(1), 0.0),
                Chip::new(second, seed.wrapping_mul(2).wrapping_add(2), 0.0),
            ],
            bus_faults: [BusFault::None; CHANNELS],
            thermistor_faults: [ThermistorFault::None; CHANNELS],
            crystal,
            relay_driven: false,
            record_readings: false,
            converter_noise,
        }
    }

    /// Lets the chip of a channel lose its supply for a moment.
    pub(crate) fn reset_chip(&mut self, channel: Channel, at: Duration) {
        let at_s = at.as_secs_f64();
        self.bench.advance(at_s);
        let totals = self.bench.totals(channel.index(), at_s);
        self.chips[channel.index()].reset(at_s, totals);
    }

    pub(crate) fn drive_relay(&mut self, closed: bool, at: Duration) {
        if self.relay_driven != closed {
            self.relay_driven = closed;
            self.bench.drive_relay(closed, at.as_secs_f64());
        }
    }

    /// Carries out a transfer, or says why it fails.
    fn transfer(
        &mut self,
        channel: Channel,
        address: u8,
        operations: &mut [Operation<'_>],
        at: Duration,
    ) -> Result<(), ErrorKind> {
        let nobody = ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address);
        match &mut self.bus_faults[channel.index()] {
            BusFault::Absent => return Err(nobody),
            BusFault::Stuck { .. } => return Err(ErrorKind::Bus),
            BusFault::NotAcknowledged { transfers: 0 } => self.bus_faults[channel.index()] = BusFault::None,
            BusFault::NotAcknowledged { transfers } => {
                *transfers -= 1;
                return Err(nobody);
            }
            BusFault::None | BusFault::WrongChip { .. } => {}
        }
        if address != MONITOR_ADDRESS {
            return Err(nobody);
        }
        let at_s = at.as_secs_f64();
        self.bench.advance(at_s);
        let pins = Pins {
            bench: &self.bench,
            branch: channel.index(),
        };
        let chip = &mut self.chips[channel.index()];
        match self.bus_faults[channel.index()] {
            BusFault::WrongChip {
                manufacturer_id,
                device_id,
            } => chip.pretend(manufacturer_id, device_id),
            _ => chip.pretend(
                Register::ManufacturerId.after_reset(),
                Register::DeviceId.after_reset(),
            ),
        }
        let mut shunt_read = false;
        for operation in operations {
            match operation {
                Operation::Write(bytes) => chip.write(bytes, at_s, &pins),
                Operation::Read(bytes) => {
                    chip.read(bytes, at_s, &pins);
                    shunt_read = chip.pointed() == Some(Register::Vshunt);
                }
            }
        }
        if shunt_read && self.record_readings {
            self.record(channel, at);
        }
        Ok(())
    }

    fn record(&mut self, channel: Channel, at: Duration) {
        if let Some(conversion) = self.chips[channel.index()].latest_shunt() {
            let current_a = self
                .bench
                .mean_current_a(channel.index(), conversion.from_s, conversion.to_s);
            self.bench.truth_mut().readings.push(ReadingTruth {
                channel,
                board_us: self.crystal.reads(at).as_micros(),
                conversion,
                current_a,
            });
        }
    }

    fn thermistor_code(&mut self, channel: Channel, at: Duration) -> u16 {
        self.bench.advance(at.as_secs_f64());
        let celsius = self.bench.temperatures().thermistor_c[channel.index()];
        let code = divider_code(celsius, &DIVIDER, self.thermistor_faults[channel.index()]);
        let random: f64 = StandardNormal.sample(&mut self.converter_noise);
        (code + CONVERTER_NOISE_CODES * random)
            .round()
            .clamp(0.0, f64::from(THERMISTOR_CODE_MAX)) as u16
    }
}

/// One channel's bus, as the library is given it. A transfer takes its bit times.
#[derive(Debug)]
pub(crate) struct VirtualBus {
    pub(crate) world: Shared,
    pub(crate) timeline: Timeline,
    pub(crate) channel: Channel,
}

impl ErrorType for VirtualBus {
    type Error = BusError;
}

impl I2c for VirtualBus {
    async fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), BusError> {
        let length = bit_times(transfer_bits(operations));
        let writes_only = operations
            .iter()
            .all(|operation| matches!(operation, Operation::Write(_)));
        if writes_only {
            // A register takes its new content with the last byte; a result is latched as its reading begins.
            self.timeline.pass(length).await;
        }
        let now = self.timeline.now();
        let outcome = self
            .world
            .borrow_mut()
            .transfer(self.channel, address, operations, now);
        match outcome {
            Ok(()) if writes_only => {}
            Ok(()) => self.timeline.pass(length).await,
            Err(ErrorKind::NoAcknowledge(_)) => self.timeline.pass(bit_times(11)).await,
            Err(_) => self.timeline.pass(GIVE_UP).await,
        }
        outcome.map_err(BusError)
    }
}

impl RecoverBus for VirtualBus {
    async fn recover(&mut self) {
        // Nine clocks and a stop.
        self.timeline.pass(bit_times(10)).await;
        let mut world = self.world.borrow_mut();
        let fault = &mut world.bus_faults[self.channel.index()];
        match fault {
            BusFault::Stuck {
                recoveries: Some(0 | 1),
            } => *fault = BusFault::None,
            BusFault::Stuck {
                recoveries: Some(left),
            } => *left -= 1,
            _ => {}
        }
    }
}

/// Start, stop, and nine bits a byte; a change of direction costs another start and address.
fn transfer_bits(operations: &[Operation<'_>]) -> u64 {
    let mut bits = 1;
    let mut reading = None;
    for operation in operations {
        let (reads, bytes) = match operation {
            Operation::Read(bytes) => (true, bytes.len()),
            Operation::Write(bytes) => (false, bytes.len()),
        };
        if reading != Some(reads) {
            reading = Some(reads);
            bits += 1 + 9;
        }
        bits += 9 * bytes as u64;
    }
    bits
}

const fn bit_times(bits: u64) -> Duration {
    Duration::from_nanos(bits * 1_000_000_000 / BUS_HZ)
}

/// The thermistors' converter, as the library is given it.
#[derive(Debug)]
pub(crate) struct VirtualConverter {
    pub(crate) world: Shared,
    pub(crate) timeline: Timeline,
}

impl ThermistorConverter for VirtualConverter {
    fn read(&mut self, channel: Channel) -> Result<u16, ConversionFailed> {
        Ok(self
            .world
            .borrow_mut()
            .thermistor_code(channel, self.timeline.now()))
    }
}

/// The supply relay's output, as the library is given it.
#[derive(Debug)]
pub(crate) struct VirtualRelay {
    pub(crate) world: Shared,
    pub(crate) timeline: Timeline,
}

impl SupplyRelay for VirtualRelay {
    fn set_closed(&mut self, closed: bool) {
        self.world.borrow_mut().drive_relay(closed, self.timeline.now());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Start, address, three bytes, stop; with the pointer's byte a start and an address more.
    #[test]
    fn bit_times_of_a_reading() {
        let mut bytes = [0; 3];
        assert_eq!(transfer_bits(&[Operation::Read(&mut bytes)]), 38);
        let mut bytes = [0; 3];
        let both = [Operation::Write(&[4]), Operation::Read(&mut bytes)];
        assert_eq!(transfer_bits(&both), 57);
    }
}
