//! A run's readings as one file for other tools: CSV or Parquet, whole or a part, at full rate or by intervals.
//!
//! | module | what it holds |
//! |---|---|
//! | [`span`] | from when to when |
//! | [`columns`] | the columns of a Parquet file: names, units, values |
//! | [`csv`] | rows as the recorder writes them |
//! | [`parquet`] | row groups of bounded size, units and the run's facts beside them |
//! | [`facts`] | what a reader of the file needs to know of the run |
//! | [`new_file`] | a file that appears whole or not at all, and replaces nothing |
//!
//! The recording is replayed the way it arrived, so an export is made with the calibration in use now. Memory is bounded
//! by one row group, whatever the length of the run. A reading that was not taken is a blank or a null; readings that
//! never arrived are one row that says how many, and never zeros.

pub mod columns;
pub(crate) mod csv;
pub mod facts;
pub mod new_file;
pub(crate) mod parquet;
pub mod span;

use std::io;

use serde::Serialize;

use crate::exit::Exit;
use crate::fault::{Fault, plain_reason};
use crate::recorder::minutes::{Interval, Minutes};
use crate::replay::Replay;
use crate::stream::{Gap, Output, Reading, When};
use crate::units::Units;

pub use span::{Bound, Span};

/// Where rows go.
pub(crate) trait RowSink {
    /// Takes a reading at full rate.
    fn put_reading(&mut self, reading: &Reading, units: &Units) -> io::Result<()>;

    /// Takes readings that never arrived, at full rate.
    fn put_gap(&mut self, gap: &Gap) -> io::Result<()>;

    /// Takes an interval.
    fn put_interval(&mut self, interval: &Interval, units: &Units) -> io::Result<()>;
}

/// Why no more rows were written.
#[derive(Debug)]
pub(crate) enum Halt {
    /// The recording cannot be read any further.
    Fault(Fault),
    /// The rows cannot be written any further.
    Sink(io::Error),
}

impl From<Fault> for Halt {
    fn from(fault: Fault) -> Self {
        Self::Fault(fault)
    }
}

impl From<io::Error> for Halt {
    fn from(error: io::Error) -> Self {
        Self::Sink(error)
    }
}

impl From<Halt> for Fault {
    fn from(halt: Halt) -> Self {
        match halt {
            Halt::Fault(fault) => fault,
            Halt::Sink(error) => Self::new(Exit::Failed, "the export", plain_reason(&error)),
        }
    }
}

/// What an export wrote.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Tally {
    /// Rows, those of gaps included.
    pub rows: u64,
    /// Readings that went into them.
    pub readings: u64,
    /// Readings of the span that never arrived.
    pub lost_readings: u64,
    /// Elapsed seconds of the first and of the last reading written.
    pub elapsed_s: Option<[f64; 2]>,
    /// How far their UTC may be off at most, in seconds.
    pub utc_bound_s: Option<f64>,
}

/// Replays a recording into rows of `span`: one for each reading, or for each interval of `every_us` microseconds.
/// `progress` is told every so often how many chunks of the recording were read.
pub(crate) fn write_rows(
    replay: &mut Replay,
    span: &Span,
    every_us: Option<u64>,
    sink: &mut dyn RowSink,
    mut progress: impl FnMut(u64),
) -> Result<Tally, Halt> {
    let mut minutes = every_us.map(Minutes::new);
    let mut units = None;
    let mut tally = Tally::default();
    let mut chunks = 0;
    while let Some(output) = replay.next_output()? {
        if replay.log().chunks != chunks {
            chunks = replay.log().chunks;
            progress(chunks);
        }
        match (&output, &units) {
            (Output::Board { units: new, .. }, _) => units = Some(*new),
            (Output::Reading(reading), Some(units)) => {
                if span.is_over(reading.when) {
                    break;
                }
                if !span.holds(reading.when) {
                    continue;
                }
                tally.reading(reading.when);
                match &mut minutes {
                    None => sink.put_reading(reading, units)?,
                    Some(minutes) => {
                        if let Some(over) = minutes.take_reading(reading) {
                            tally.rows += 1;
                            sink.put_interval(&over, units)?;
                        }
                        continue;
                    }
                }
                tally.rows += 1;
            }
            (Output::Gap(gap), Some(units)) if span.holds(gap.when) => {
                tally.lost_readings += gap.readings;
                match &mut minutes {
                    None => {
                        tally.rows += 1;
                        sink.put_gap(gap)?;
                    }
                    Some(minutes) => {
                        if let Some(over) = minutes.take_gap(gap) {
                            tally.rows += 1;
                            sink.put_interval(&over, units)?;
                        }
                    }
                }
            }
            _ => {}
        }
    }
    if let (Some(over), Some(units)) = (minutes.as_mut().and_then(Minutes::close), &units) {
        tally.rows += 1;
        sink.put_interval(&over, units)?;
    }
    Ok(tally)
}

impl Tally {
    fn reading(&mut self, when: When) {
        self.readings += 1;
        if let Some(elapsed_us) = when.elapsed_us {
            let elapsed_s = elapsed_us as f64 * 1e-6;
            self.elapsed_s.get_or_insert([elapsed_s; 2])[1] = elapsed_s;
        }
        if let Some(instant) = when.utc {
            let bound_s = self.utc_bound_s.get_or_insert(instant.bound_s);
            *bound_s = bound_s.max(instant.bound_s);
        }
    }
}
