//! When readings are due, and what to do about those that were missed.

use steadybench_protocol::BoardTime;
use steadybench_protocol::limits::{BLOCK_SPAN_US, READINGS_PER_BLOCK_MAX};

/// The instants at which readings are due: evenly spaced for ever, whatever the sampler's own lateness.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Schedule {
    next: BoardTime,
    period_us: u32,
    ticks: u32,
}

/// What a sampler that woke finds to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wake {
    /// When the reading to be taken now was due.
    pub due: BoardTime,
    /// Instants before it that were overslept entirely: their readings are missing.
    pub overslept: u64,
    /// Whether the reading comes later than half a period after its instant.
    pub late: bool,
    /// What else is to be read at this instant.
    pub errands: Errands,
}

/// What is read at only some of the instants. The three that use the bus fall on different instants wherever the
/// period leaves room, so that no instant is much longer than another.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Errands {
    /// The rail voltage: at least 100 times a second.
    pub rail: bool,
    /// Whether the chip still has its settings: as often as the rail.
    pub settings: bool,
    /// The chip temperature: at least 10 times a second.
    pub chip_temperature: bool,
    /// The thermistors: at least 100 times a second, about 500 where the period allows, for the guard's sake.
    pub thermistors: bool,
    /// Slow values go to the host: at least 10 times a second.
    pub slow_values: bool,
    /// Health goes to the host: about once a second, oftener at odd periods.
    pub health: bool,
}

/// Longest time between two readings of a rail, in microseconds, where the reading period is not longer.
pub const RAIL_INTERVAL_US: u32 = 10_000;

/// Time between two readings of the thermistors, in microseconds, where the reading period is not longer.
pub const THERMISTOR_INTERVAL_US: u32 = 2_000;

/// Slow values go out after so many readings of the rail.
const RAILS_PER_SLOW: u32 = 10;

/// Health goes out after so many slow values.
const SLOWS_PER_HEALTH: u32 = 10;

/// So many periods fit into `interval_us`, and at least one.
#[must_use]
pub const fn periods_in(interval_us: u32, period_us: u32) -> u32 {
    match interval_us.checked_div(period_us) {
        None | Some(0) => 1,
        Some(periods) => periods,
    }
}

/// Readings a channel after which a block is closed: as many as [`BLOCK_SPAN_US`] spans, at most
/// [`READINGS_PER_BLOCK_MAX`].
///
/// ```
/// use steadybench_firmware::sampler::readings_per_block;
///
/// assert_eq!([10_000, 1_000, 250].map(readings_per_block), [2, 20, 32]);
/// ```
#[must_use]
pub const fn readings_per_block(period_us: u32) -> usize {
    let spanned = periods_in(BLOCK_SPAN_US, period_us) as usize;
    if spanned < READINGS_PER_BLOCK_MAX {
        spanned
    } else {
        READINGS_PER_BLOCK_MAX
    }
}

impl Schedule {
    /// Readings every `period_us` microseconds, the first at `first`.
    #[must_use]
    pub const fn new(first: BoardTime, period_us: u32) -> Self {
        Self {
            next: first,
            period_us,
            ticks: 0,
        }
    }

    /// When the next reading is due.
    #[must_use]
    pub const fn next_due(&self) -> BoardTime {
        self.next
    }

    /// What there is to do at `now`; `None` before the next reading is due.
    pub fn wake(&mut self, now: BoardTime) -> Option<Wake> {
        let period_us = u64::from(self.period_us.max(1));
        let behind = now.micros_since(self.next)?;
        // A 64-bit division takes a small core microseconds; hardly any instant needs one.
        let (overslept, lateness) = if behind < period_us {
            (0, behind)
        } else {
            (behind / period_us, behind % period_us)
        };
        let due = self.next.plus_micros(overslept.saturating_mul(period_us));
        self.next = due.plus_micros(period_us);
        let tick = self.ticks;
        self.ticks = (tick + 1) % ticks_per_health(self.period_us);
        Some(Wake {
            due,
            overslept,
            late: lateness > period_us / 2,
            errands: errands(tick, self.period_us),
        })
    }
}

/// Ticks after which the errands repeat.
const fn ticks_per_health(period_us: u32) -> u32 {
    periods_in(RAIL_INTERVAL_US, period_us) * RAILS_PER_SLOW * SLOWS_PER_HEALTH
}

/// What is read at tick number `tick` of [`ticks_per_health`].
fn errands(tick: u32, period_us: u32) -> Errands {
    let rail = periods_in(RAIL_INTERVAL_US, period_us);
    let slow = rail * RAILS_PER_SLOW;
    let thermistors = periods_in(THERMISTOR_INTERVAL_US, period_us);
    Errands {
        rail: tick.is_multiple_of(rail),
        chip_temperature: tick % slow == rail / 4,
        settings: tick % rail == rail / 2,
        thermistors: tick.is_multiple_of(thermistors),
        slow_values: tick % slow == rail - 1,
        health: tick == 0,
    }
}
