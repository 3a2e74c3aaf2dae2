//! The numbers taken out of records, by what they count.

use steadybench_protocol::{RailCodes, SlowValues, ThermistorReading};

use super::range::{RangeDecoder, RangeEncoder};
use super::series;

/// Numbers of one slow message besides its time.
pub(super) const SLOW_NUMBERS: usize = 10;

/// Every column is a series of its own.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Columns {
    /// Milliseconds from one read of the port to the next.
    pub(super) read_ms: Vec<i64>,
    /// Microseconds from slow values to the next.
    pub(super) slow_us: Vec<i64>,
    /// What they hold, as [`slow_numbers`] gives it.
    pub(super) slow: [Vec<i64>; SLOW_NUMBERS],
    /// The current codes of each channel.
    pub(super) codes: [Vec<i64>; 2],
}

/// How many numbers each column has.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Counts {
    pub(super) read_ms: usize,
    pub(super) slow_us: usize,
    pub(super) slow: usize,
    pub(super) codes: usize,
}

impl Columns {
    fn each(&self) -> impl Iterator<Item = &Vec<i64>> {
        [&self.read_ms, &self.slow_us]
            .into_iter()
            .chain(&self.slow)
            .chain(&self.codes)
    }

    pub(super) fn fit(&self) -> bool {
        self.each().all(|column| series::fits(column))
    }

    pub(super) fn put(&self, encoder: &mut RangeEncoder) {
        for column in self.each().filter(|column| !column.is_empty()) {
            series::put(column, encoder);
        }
    }

    pub(super) fn take(counts: Counts, decoder: &mut RangeDecoder<'_>) -> Option<Self> {
        let mut column = |count: usize| match count {
            0 => Some(Vec::new()),
            count => series::take(count, decoder),
        };
        let mut columns = Self {
            read_ms: column(counts.read_ms)?,
            slow_us: column(counts.slow_us)?,
            ..Self::default()
        };
        for slow in &mut columns.slow {
            *slow = column(counts.slow)?;
        }
        for codes in &mut columns.codes {
            *codes = column(counts.codes)?;
        }
        Some(columns)
    }
}

/// The numbers in slow values; `None` when one is missing.
pub(super) fn slow_numbers(slow: &SlowValues) -> Option<[i64; SLOW_NUMBERS]> {
    let mut numbers = [0; SLOW_NUMBERS];
    for (channel, numbers) in numbers.chunks_exact_mut(SLOW_NUMBERS / 2).enumerate() {
        let rail = slow.rail[channel]?;
        let ThermistorReading::Code(thermistor) = slow.thermistor[channel] else {
            return None;
        };
        let [latest, lowest, highest] = [rail.latest, rail.lowest, rail.highest].map(i64::from);
        numbers.copy_from_slice(&[
            latest,
            latest - lowest,
            highest - latest,
            i64::from(thermistor),
            i64::from(slow.chip_temperature[channel]?),
        ]);
    }
    Some(numbers)
}

/// The slow values with these numbers; `None` when they are none of such values.
pub(super) fn slow_values(
    time: steadybench_protocol::BoardTime,
    numbers: [i64; SLOW_NUMBERS],
) -> Option<SlowValues> {
    let code = |number: i64| u32::try_from(number).ok();
    let mut slow = SlowValues {
        time,
        rail: [None; 2],
        thermistor: [ThermistorReading::Failed; 2],
        chip_temperature: [None; 2],
    };
    for (channel, numbers) in numbers.chunks_exact(SLOW_NUMBERS / 2).enumerate() {
        let [latest, below, above, thermistor, chip] = numbers else {
            return None;
        };
        slow.rail[channel] = Some(RailCodes {
            latest: code(*latest)?,
            lowest: code(latest.checked_sub(*below)?)?,
            highest: code(latest.checked_add(*above)?)?,
        });
        slow.thermistor[channel] = ThermistorReading::Code(u16::try_from(*thermistor).ok()?);
        slow.chip_temperature[channel] = Some(i16::try_from(*chip).ok()?);
    }
    Some(slow)
}
