//! The state both loops share, and the commands on it.

mod commands;
mod messages;

use heapless::Deque;
use steadybench_protocol::limits::{CHANNELS, READINGS_PER_BLOCK_MAX};
use steadybench_protocol::{
    BoardTime, Configure, ConversionTime, GuardTrip, Mark, MonitorState, RailCodes, ReadingsBlock,
    ResetCause, ShuntRange, SlowValues, ThermistorReading,
};

use crate::buffer::{BLOCKS, BlockBuffer};
use crate::facts::BoardFacts;
use crate::foot_switch::FootSwitch;
use crate::guard::Guard;
use crate::measuring::TickReport;
use crate::sampler::readings_per_block;

pub(crate) use commands::Answer;

/// The way to the shared state. A board implements it with its lock; the library uses it briefly and never holds it
/// across an `await`.
pub trait Access {
    /// Lends the station to `task`. Never called inside another `task`.
    fn with<R>(&self, task: impl FnOnce(&mut Station) -> R) -> R;
}

/// For one thread. Panics when called inside another task.
impl Access for core::cell::RefCell<Station> {
    fn with<R>(&self, task: impl FnOnce(&mut Station) -> R) -> R {
        task(&mut self.borrow_mut())
    }
}

/// Slow values that wait for the host: 3.2 s.
const SLOW_WAITING: usize = 32;

/// Marks that wait for the host.
const MARKS_WAITING: usize = 32;

/// Trips that wait for the host: each needs a command in between, so more than one is rare.
const TRIPS_WAITING: usize = 4;

/// Reading instants that fill the buffer and the open block at any rate.
const BUFFERED_MAX: usize = (BLOCKS + 1) * READINGS_PER_BLOCK_MAX;

/// Half a blink, in microseconds.
const BLINK_US: u64 = 125_000;

/// Everything a board knows at one moment.
#[derive(Clone, Debug)]
pub struct Station {
    facts: BoardFacts,
    settings: Configure,
    monitors: [MonitorState; CHANNELS],
    /// Whether the chips have been looked for since the start.
    looked: bool,
    running: bool,
    /// Whether the run has its first reading.
    in_run: bool,
    /// The block that is being filled; none before the first reading of a run.
    open: Option<ReadingsBlock>,
    next_index: u64,
    buffer: BlockBuffer,
    guard: Guard,
    trips: Deque<GuardTrip, TRIPS_WAITING>,
    foot_switch: FootSwitch,
    marks: Deque<Mark, MARKS_WAITING>,
    marks_counted: u32,
    slow: Deque<SlowValues, SLOW_WAITING>,
    rail: [Option<RailCodes>; CHANNELS],
    chip_temperature: [Option<i16>; CHANNELS],
    thermistor: [ThermistorReading; CHANNELS],
    late_ticks: u32,
    bus_errors: [u32; CHANNELS],
    monitor_restarts: [u32; CHANNELS],
    frames_rejected: u32,
    hello_due: bool,
    health_due: bool,
    identify_until: BoardTime,
}

impl Station {
    /// A board that has just started: not running, no limits, the relay closed unless the board was reset by its
    /// watchdog or a brown-out (see [`Guard::new`]).
    #[must_use]
    pub const fn new(facts: BoardFacts) -> Self {
        let relay_open = matches!(facts.reset_cause, ResetCause::Watchdog | ResetCause::BrownOut);
        Self {
            facts,
            settings: Configure {
                reading_period_us: 1_000,
                conversion_time: ConversionTime::Us540,
                shunt_range: ShuntRange::Millivolts164,
            },
            monitors: [MonitorState::Absent; CHANNELS],
            looked: false,
            running: false,
            in_run: false,
            open: None,
            next_index: 0,
            buffer: BlockBuffer::new(),
            guard: Guard::new(relay_open),
            trips: Deque::new(),
            foot_switch: FootSwitch::new(),
            marks: Deque::new(),
            marks_counted: 0,
            slow: Deque::new(),
            rail: [None; CHANNELS],
            chip_temperature: [None; CHANNELS],
            thermistor: [ThermistorReading::Failed; CHANNELS],
            late_ticks: 0,
            bus_errors: [0; CHANNELS],
            monitor_restarts: [0; CHANNELS],
            frames_rejected: 0,
            hello_due: true,
            health_due: false,
            identify_until: BoardTime::from_micros(0),
        }
    }

    /// How readings are to be taken.
    #[must_use]
    pub const fn settings(&self) -> Configure {
        self.settings
    }

    /// What the board is.
    #[must_use]
    pub const fn facts(&self) -> &BoardFacts {
        &self.facts
    }

    /// Whether readings are being taken for the host.
    #[must_use]
    pub const fn running(&self) -> bool {
        self.running
    }

    /// Whether the supply relay is to be driven.
    #[must_use]
    pub const fn relay_closed(&self) -> bool {
        self.guard.relay_closed()
    }

    /// Takes the foot switch's level, at each edge with the edge's time, or as often as a board likes.
    pub fn foot_switch(&mut self, pressed: bool, time: BoardTime) {
        self.foot_switch.level(pressed, time);
    }

    /// Whether the lamp is to be lit: blinking while identifying and, faster, after a trip; steady while running.
    #[must_use]
    pub const fn lamp_lit(&self, now: BoardTime) -> bool {
        let phase = now.as_micros() / BLINK_US;
        if now.as_micros() < self.identify_until.as_micros() {
            phase.is_multiple_of(2)
        } else if !self.guard.relay_closed() {
            (now.as_micros() / (BLINK_US / 2)).is_multiple_of(2)
        } else {
            self.running
        }
    }

    /// Takes what one instant brought; `now` is the time after the buses were read.
    pub(crate) fn record(&mut self, report: &TickReport, now: BoardTime) {
        self.looked = true;
        for (channel, monitor) in report.channels.iter().zip(&mut self.monitors) {
            *monitor = channel.state;
        }
        for (channel, errors) in report.channels.iter().zip(&mut self.bus_errors) {
            *errors = errors.saturating_add(channel.errors);
        }
        for (channel, restarts) in report.channels.iter().zip(&mut self.monitor_restarts) {
            *restarts = restarts.saturating_add(channel.restarts);
            // A host should learn at once that readings just sent may have had another scale.
            self.health_due |= channel.restarts > 0;
        }
        self.watch(report, now);
        self.settle_foot_switch(now);
        self.keep_slow(report);
        // Settings that arrived while the chips were being read are not those of these readings.
        if self.running && report.counts && report.settings == self.settings {
            self.keep_readings(report);
            if report.wake.errands.slow_values {
                self.send_slow(now);
            }
        }
        self.health_due |= report.wake.errands.health;
    }

    fn watch(&mut self, report: &TickReport, now: BoardTime) {
        let codes = report.channels.map(|channel| channel.code);
        let by_current = self.guard.readings(codes, report.wake.due, now);
        let by_heat = report.thermistors.and_then(|thermistors| {
            self.thermistor = thermistors;
            self.guard.thermistors(thermistors, now)
        });
        if let Some(trip) = by_current.or(by_heat) {
            // A trip needs a command before the next, so the queue cannot fill while the host takes nothing.
            let _ = self.trips.push_back(trip);
        }
    }

    fn settle_foot_switch(&mut self, now: BoardTime) {
        if let Some((edge, time)) = self.foot_switch.settled(now) {
            let number = self.marks_counted;
            self.marks_counted = number.wrapping_add(1);
            // When the host takes nothing for so many presses, the newest are lost; their numbers show it.
            let _ = self.marks.push_back(Mark { number, time, edge });
        }
    }

    fn keep_slow(&mut self, report: &TickReport) {
        for (channel, kept) in report.channels.iter().zip(&mut self.rail) {
            *kept = match (*kept, channel.rail) {
                (Some(kept), Some(code)) => Some(RailCodes {
                    latest: code,
                    lowest: kept.lowest.min(code),
                    highest: kept.highest.max(code),
                }),
                (None, Some(code)) => Some(RailCodes {
                    latest: code,
                    lowest: code,
                    highest: code,
                }),
                (kept, None) => kept,
            };
        }
        for (channel, kept) in report.channels.iter().zip(&mut self.chip_temperature) {
            *kept = channel.chip_temperature.or(*kept);
        }
        if report.wake.errands.slow_values && !self.running {
            self.rail = [None; CHANNELS];
            self.chip_temperature = [None; CHANNELS];
        }
    }

    fn send_slow(&mut self, time: BoardTime) {
        let values = SlowValues {
            time,
            rail: core::mem::take(&mut self.rail),
            thermistor: self.thermistor,
            chip_temperature: core::mem::take(&mut self.chip_temperature),
        };
        if let Err(values) = self.slow.push_back(values)
            && let Some(last) = self.slow.back_mut()
        {
            merge(last, values);
        }
    }

    /// Appends the instant to the open block, behind the instants overslept before it.
    fn keep_readings(&mut self, report: &TickReport) {
        let wake = report.wake;
        let period_us = u64::from(self.settings.reading_period_us);
        // The run begins with its first reading: what was overslept before is not of it.
        let overslept = if self.in_run { wake.overslept } else { 0 };
        self.in_run = true;
        for ago in (1..=overslept).rev().take(BUFFERED_MAX) {
            let instant = wake.due.as_micros().saturating_sub(ago.saturating_mul(period_us));
            self.append([None; CHANNELS], BoardTime::from_micros(instant), false);
        }
        // By now the buffer is full, so the blocks of a longer sleep would only be made to be dropped.
        let dropped = overslept.saturating_sub(BUFFERED_MAX as u64);
        if dropped > 0 {
            self.close_block();
            self.next_index = self.next_index.saturating_add(dropped);
            self.buffer.count_dropped(dropped);
        }
        let codes = report.channels.map(|channel| channel.code);
        self.append(codes, wake.due, wake.late);
        let late = u32::try_from(overslept).unwrap_or(u32::MAX);
        self.late_ticks = self
            .late_ticks
            .saturating_add(late)
            .saturating_add(u32::from(wake.late));
    }

    fn append(&mut self, codes: [Option<i32>; CHANNELS], due: BoardTime, late: bool) {
        let period_us = self.settings.reading_period_us;
        let next_index = self.next_index;
        let block = self
            .open
            .get_or_insert_with(|| ReadingsBlock::new(next_index, due, period_us));
        // A block is closed before it is full, so there is room.
        if block.push(codes, late).is_ok() {
            self.next_index = next_index.saturating_add(1);
        }
        if block.len() >= readings_per_block(period_us) {
            self.close_block();
        }
    }

    fn close_block(&mut self) {
        if let Some(block) = self.open.take() {
            self.buffer.push(block);
        }
    }
}

/// Adds newer slow values to those that still wait.
fn merge(waiting: &mut SlowValues, newer: SlowValues) {
    for (rail, newer) in waiting.rail.iter_mut().zip(newer.rail) {
        *rail = match (*rail, newer) {
            (Some(rail), Some(newer)) => Some(RailCodes {
                latest: newer.latest,
                lowest: rail.lowest.min(newer.lowest),
                highest: rail.highest.max(newer.highest),
            }),
            (rail, newer) => newer.or(rail),
        };
    }
    waiting.time = newer.time;
    waiting.thermistor = newer.thermistor;
    waiting.chip_temperature = newer.chip_temperature;
}

// The crate's page states this size.
#[cfg(target_pointer_width = "32")]
const _: () = assert!(size_of::<Station>() > 40 * 1024 && size_of::<Station>() <= 41 * 1024);
