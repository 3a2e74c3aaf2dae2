//! The columns of a Parquet file: the same names, in the same order, as the CSV files have.

use crate::recorder::minutes::{Interval, Running};
use crate::stream::{Gap, Reading, When};

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// An instant: microseconds since 1970 in UTC.
    Instant,
    /// A count or a number.
    Integer,
    /// Yes or no.
    Flag,
    /// A quantity in the column's unit.
    Quantity,
}

/// One column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Column {
    /// Its name, with its unit.
    pub name: &'static str,
    /// What it holds.
    pub kind: Kind,
    /// Its unit; `1` for counts and flags.
    pub unit: &'static str,
    /// What it is.
    pub meaning: &'static str,
}

/// A cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cell {
    /// Missing.
    Null,
    /// An instant, a count or a number.
    Integer(i64),
    /// Yes or no.
    Flag(bool),
    /// A quantity.
    Quantity(f64),
}

impl From<Option<f64>> for Cell {
    fn from(value: Option<f64>) -> Self {
        value.map_or(Self::Null, Self::Quantity)
    }
}

const fn column(name: &'static str, kind: Kind, unit: &'static str, meaning: &'static str) -> Column {
    Column {
        name,
        kind,
        unit,
        meaning,
    }
}

const fn quantity(name: &'static str, unit: &'static str, meaning: &'static str) -> Column {
    column(name, Kind::Quantity, unit, meaning)
}

const UTC: Column = column(
    "utc",
    Kind::Instant,
    "s",
    "when, in UTC; how far it may be off stands in the run's facts",
);
const ELAPSED: Column = quantity(
    "elapsed_s",
    "s",
    "board time since the run's first reading; its spacing is the board's own",
);
const LOST: Column = column(
    "lost_readings",
    Kind::Integer,
    "1",
    "readings that never arrived from here on",
);

/// Columns of the readings at full rate.
pub const READINGS: [Column; 17] = [
    UTC,
    ELAPSED,
    column(
        "reading",
        Kind::Integer,
        "1",
        "number of the reading since the board started",
    ),
    LOST,
    column(
        "late",
        Kind::Flag,
        "1",
        "taken more than half a period after its instant",
    ),
    quantity("ch1_current_a", "A", "current of channel 1, into the load"),
    quantity("ch2_current_a", "A", "current of channel 2, into the load"),
    quantity("ch1_rail_v", "V", "rail voltage of channel 1, latest"),
    quantity(
        "ch1_rail_lowest_v",
        "V",
        "its lowest since the value in the row before",
    ),
    quantity(
        "ch1_rail_highest_v",
        "V",
        "its highest since the value in the row before",
    ),
    quantity("ch2_rail_v", "V", "rail voltage of channel 2, latest"),
    quantity(
        "ch2_rail_lowest_v",
        "V",
        "its lowest since the value in the row before",
    ),
    quantity(
        "ch2_rail_highest_v",
        "V",
        "its highest since the value in the row before",
    ),
    quantity("ch1_temperature_c", "Cel", "thermistor 1"),
    quantity("ch2_temperature_c", "Cel", "thermistor 2"),
    quantity("ch1_chip_c", "Cel", "monitor chip of channel 1"),
    quantity("ch2_chip_c", "Cel", "monitor chip of channel 2"),
];

/// Columns of intervals.
pub const INTERVALS: [Column; 21] = [
    UTC,
    ELAPSED,
    quantity("interval_s", "s", "length of the interval, from elapsed_s 0 on"),
    column("readings", Kind::Integer, "1", "readings in the interval"),
    LOST,
    quantity("ch1_current_a", "A", "current of channel 1, mean"),
    quantity("ch1_current_min_a", "A", "its lowest reading"),
    quantity("ch1_current_max_a", "A", "its highest reading"),
    quantity(
        "ch1_current_sd_a",
        "A",
        "standard deviation of its readings, with n - 1",
    ),
    quantity("ch2_current_a", "A", "current of channel 2, mean"),
    quantity("ch2_current_min_a", "A", "its lowest reading"),
    quantity("ch2_current_max_a", "A", "its highest reading"),
    quantity(
        "ch2_current_sd_a",
        "A",
        "standard deviation of its readings, with n - 1",
    ),
    quantity("ch1_rail_v", "V", "rail voltage of channel 1, mean"),
    quantity("ch1_rail_min_v", "V", "its lowest"),
    quantity("ch1_rail_max_v", "V", "its highest"),
    quantity("ch2_rail_v", "V", "rail voltage of channel 2, mean"),
    quantity("ch2_rail_min_v", "V", "its lowest"),
    quantity("ch2_rail_max_v", "V", "its highest"),
    quantity("ch1_temperature_c", "Cel", "thermistor 1, mean"),
    quantity("ch2_temperature_c", "Cel", "thermistor 2, mean"),
];

fn integer(value: u64) -> Cell {
    i64::try_from(value).map_or(Cell::Null, Cell::Integer)
}

fn when_cells(when: When) -> [Cell; 2] {
    [
        when.utc
            .map_or(Cell::Null, |instant| Cell::Integer(instant.utc.as_microsecond())),
        Cell::from(when.elapsed_us.map(|elapsed_us| elapsed_us as f64 * 1e-6)),
    ]
}

/// The cells of a reading, one for each of [`READINGS`].
#[must_use]
pub fn of_reading(reading: &Reading) -> [Cell; 17] {
    let mut cells = [Cell::Null; READINGS.len()];
    [cells[0], cells[1]] = when_cells(reading.when);
    cells[2] = integer(reading.index);
    cells[4] = Cell::Flag(reading.late);
    for channel in 0..2 {
        cells[5 + channel] = reading.current_a[channel].into();
        let Some(slow) = &reading.slow else { continue };
        for position in 0..3 {
            cells[7 + 3 * channel + position] = slow.rail_v[channel].map(|rail_v| rail_v[position]).into();
        }
        cells[13 + channel] = slow.temperature_c[channel].into();
        cells[15 + channel] = slow.chip_c[channel].into();
    }
    cells
}

/// The cells of readings that never arrived, one for each of [`READINGS`].
#[must_use]
pub fn of_gap(gap: &Gap) -> [Cell; 17] {
    let mut cells = [Cell::Null; READINGS.len()];
    [cells[0], cells[1]] = when_cells(gap.when);
    if let Some(first_index) = gap.first_index {
        cells[2] = integer(first_index);
        cells[3] = integer(gap.readings);
    }
    cells
}

/// The cells of an interval, one for each of [`INTERVALS`].
#[must_use]
pub(crate) fn of_interval(interval: &Interval) -> [Cell; 21] {
    let mut cells = [Cell::Null; INTERVALS.len()];
    [cells[0], cells[1]] = when_cells(interval.start);
    cells[2] = Cell::Quantity(interval.length_s);
    cells[3] = integer(interval.readings);
    cells[4] = integer(interval.lost);
    for channel in 0..2 {
        let current = &interval.current[channel];
        put_figures(&mut cells[5 + 4 * channel..], current);
        cells[8 + 4 * channel] = current.standard_deviation().into();
        put_figures(&mut cells[13 + 3 * channel..], &interval.rail[channel]);
        cells[19 + channel] = interval.temperature[channel].figures()[0].into();
    }
    cells
}

fn put_figures(cells: &mut [Cell], running: &Running) {
    for (cell, figure) in cells.iter_mut().zip(running.figures()) {
        *cell = figure.into();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recorder::{csv_rows, minutes};

    #[test]
    fn the_names_are_those_of_the_csv_files() {
        for (header, columns) in [
            (csv_rows::READINGS_HEADER, &READINGS[..]),
            (minutes::HEADER, &INTERVALS[..]),
        ] {
            let names: Vec<&str> = columns.iter().map(|column| column.name).collect();
            assert_eq!(header.trim_end().split(',').collect::<Vec<_>>(), names);
        }
    }
}
