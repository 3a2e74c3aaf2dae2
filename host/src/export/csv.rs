//! Rows as the recorder writes them: RFC 4180, the same columns and decimals as `readings.csv` and `minutes.csv`.

use std::io::{self, Write};

use crate::recorder::csv_rows::{READINGS_HEADER, put_gap_in_readings, put_reading};
use crate::recorder::decimal::Instants;
use crate::recorder::minutes::{self, Interval, put_interval};
use crate::stream::{Gap, Reading};
use crate::units::Units;

use super::RowSink;

/// Text is handed on when it has so many bytes.
const HANDED_ON_BYTES: usize = 64 * 1024;

/// Writes CSV.
pub(crate) struct CsvSink<W: Write> {
    target: W,
    text: String,
    instants: Instants,
}

impl<W: Write> CsvSink<W> {
    /// Begins with the header of readings, or of intervals.
    pub(crate) fn new(target: W, intervals: bool) -> Self {
        let header = if intervals {
            minutes::HEADER
        } else {
            READINGS_HEADER
        };
        Self {
            target,
            text: header.to_owned(),
            instants: Instants::default(),
        }
    }

    fn hand_on(&mut self, from_bytes: usize) -> io::Result<()> {
        if self.text.len() >= from_bytes {
            self.target.write_all(self.text.as_bytes())?;
            self.text.clear();
        }
        Ok(())
    }

    /// Writes what waits.
    pub(crate) fn finish(mut self) -> io::Result<W> {
        self.hand_on(0)?;
        self.target.flush()?;
        Ok(self.target)
    }
}

impl<W: Write> RowSink for CsvSink<W> {
    fn put_reading(&mut self, reading: &Reading, units: &Units) -> io::Result<()> {
        put_reading(&mut self.text, reading, units, &mut self.instants);
        self.hand_on(HANDED_ON_BYTES)
    }

    fn put_gap(&mut self, gap: &Gap) -> io::Result<()> {
        put_gap_in_readings(&mut self.text, gap);
        self.hand_on(HANDED_ON_BYTES)
    }

    fn put_interval(&mut self, interval: &Interval, units: &Units) -> io::Result<()> {
        put_interval(&mut self.text, interval, units);
        self.hand_on(HANDED_ON_BYTES)
    }
}
