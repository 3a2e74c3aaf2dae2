//! The sampler's loop: read both chips, record, drive the relay.

use embassy_futures::join::join;
use embedded_hal_async::i2c::I2c;
use steadybench_protocol::limits::CHANNELS;
use steadybench_protocol::{BoardTime, Channel, Configure, DividerDescription, ThermistorReading};

use crate::ina228::Ina228;
use crate::monitor::{ChannelReport, Monitor, RecoverBus};
use crate::sampler::{Errands, Schedule, Wake};
use crate::station::Access;
use crate::thermistor::{self, ThermistorConverter};

/// The output that holds the supply relay closed.
///
/// A board wires it so that reset, a panic and a lost supply all leave the relay open: a normally open contact, a driver
/// that is off while its input floats, and a panic handler that resets. A watchdog that only the sampler's loop feeds
/// covers the rest: a loop that hangs.
pub trait SupplyRelay {
    /// Drives the relay, at every reading, whether or not it changes.
    fn set_closed(&mut self, closed: bool);
}

/// What one instant brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct TickReport {
    pub(crate) wake: Wake,
    pub(crate) channels: [ChannelReport; CHANNELS],
    pub(crate) thermistors: Option<[ThermistorReading; CHANNELS]>,
    /// Under which settings it was read.
    pub(crate) settings: Configure,
    /// Whether it counts as an instant of a run; not while the chips take new settings.
    pub(crate) counts: bool,
}

/// The measuring side of a board, owned by the sampler's loop.
///
/// The chips convert at their own pace, in turn shunt, rail, temperature. A code read at an instant is of the last shunt
/// conversion that ended before it, so it is the mean over a conversion time that ended at most one round earlier
/// ([`Configure::round_us`] and 1 % for the chip's oscillator; 0.65 ms at 1000 readings a second).
#[derive(Debug)]
pub struct Measuring<B1, B2, C, R> {
    first: Monitor<B1>,
    second: Monitor<B2>,
    converter: C,
    relay: R,
    schedule: Option<(Configure, Schedule)>,
}

impl<B1, B2, C, R> Measuring<B1, B2, C, R>
where
    B1: I2c + RecoverBus,
    B2: I2c + RecoverBus,
    C: ThermistorConverter,
    R: SupplyRelay,
{
    /// Takes the chip of channel 1 and of channel 2, each alone on its bus, the converter and the relay. Nothing is
    /// sent, read or driven yet.
    #[must_use]
    pub const fn new(first: Ina228<B1>, second: Ina228<B2>, converter: C, relay: R) -> Self {
        Self {
            first: Monitor::new(first),
            second: Monitor::new(second),
            converter,
            relay,
            schedule: None,
        }
    }

    /// Does what is due and says when to be called next.
    ///
    /// The first call, and the first after the host has changed the settings, looks for the chips and sets them up; it
    /// takes a few transfers longer. Being called early is harmless, being called late is counted. Readings are taken
    /// and the guard watches whether or not a host has started the stream.
    pub async fn tick(&mut self, shared: &impl Access, clock: &impl Fn() -> BoardTime) -> BoardTime {
        let now = clock();
        let (settings, dividers) = shared.with(|station| (station.settings(), station.facts().thermistors));
        let Some((_, schedule)) = self.schedule.as_mut().filter(|(set_up, _)| *set_up == settings) else {
            return self.set_up(settings, &dividers, shared, clock).await;
        };
        let Some(wake) = schedule.wake(now) else {
            return schedule.next_due();
        };
        let next_due = schedule.next_due();
        let (first, second) = join(
            self.first.read(wake.errands, settings, clock),
            self.second.read(wake.errands, settings, clock),
        )
        .await;
        let report = TickReport {
            wake,
            channels: [first, second],
            thermistors: self.thermistors(wake.errands, &dividers),
            settings,
            counts: true,
        };
        self.record(&report, shared, clock);
        next_due
    }

    async fn set_up(
        &mut self,
        settings: Configure,
        dividers: &[DividerDescription; CHANNELS],
        shared: &impl Access,
        clock: &impl Fn() -> BoardTime,
    ) -> BoardTime {
        let begun = clock();
        let (first, second) = join(
            self.first.set_up(settings, clock),
            self.second.set_up(settings, clock),
        )
        .await;
        let now = clock();
        // The first reading waits for a whole round of conversions, which any legal period holds.
        let first_due = now.plus_micros(u64::from(settings.reading_period_us) + FIRST_CONVERSION_US);
        self.schedule = Some((settings, Schedule::new(first_due, settings.reading_period_us)));
        let errands = Errands {
            thermistors: true,
            ..Errands::default()
        };
        let report = TickReport {
            wake: Wake {
                due: begun,
                overslept: 0,
                late: false,
                errands,
            },
            channels: [first, second],
            thermistors: self.thermistors(errands, dividers),
            settings,
            counts: false,
        };
        self.record(&report, shared, clock);
        first_due
    }

    fn record(&mut self, report: &TickReport, shared: &impl Access, clock: &impl Fn() -> BoardTime) {
        let closed = shared.with(|station| {
            station.record(report, clock());
            station.relay_closed()
        });
        self.relay.set_closed(closed);
    }

    fn thermistors(
        &mut self,
        errands: Errands,
        [first, second]: &[DividerDescription; CHANNELS],
    ) -> Option<[ThermistorReading; CHANNELS]> {
        if !errands.thermistors {
            return None;
        }
        Some([
            thermistor::read(&mut self.converter, Channel::One, first),
            thermistor::read(&mut self.converter, Channel::Two, second),
        ])
    }
}

/// A whole round may be longer than a period by the chip's oscillator, and the chips are set up one after the other's
/// transfers: so much more time, in microseconds, before the first reading.
const FIRST_CONVERSION_US: u64 = 300;
