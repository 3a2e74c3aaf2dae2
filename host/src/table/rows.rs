//! Row after row, as samples.

use std::io::{BufRead, Cursor, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use steadybench_analysis::sample::Sample;

use super::column::{ColumnFault, Columns, Role};
use super::decode::to_utf8;
use super::dialect::{Dialect, is_missing, number};
use super::guard::{Guard, no_zero_bytes};
use super::instant::InstantForm;
use super::unit::Unit;

/// So much of the table is looked at to find its dialect.
const BEGINNING_BYTES: u64 = 1 << 18;

/// Seconds of a day, for times of day that pass midnight.
const DAY_S: f64 = 86_400.0;

/// What a table is, or a row of it, that cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum TableFault {
    /// The file system.
    #[error("the file cannot be read: {0}")]
    File(#[from] std::io::Error),
    /// Not a table of numbers.
    #[error(
        "no rows of numbers were found in it; a table has one reading a row, with commas, semicolons or tabs between the cells"
    )]
    NoRows,
    /// The columns.
    #[error(transparent)]
    Columns(#[from] ColumnFault),
    /// A cell that is neither a number nor blank.
    #[error(
        "line {line}: '{cell}' in column {column} is not a number; mend the cell or leave it blank if the value is missing"
    )]
    Cell {
        /// Line of the file, from 1.
        line: u64,
        /// Column, from 1.
        column: usize,
        /// What stands there.
        cell: String,
    },
    /// A row without a time.
    #[error("line {line}: the time is '{cell}'; every row needs its time")]
    Time {
        /// Line of the file, from 1.
        line: u64,
        /// What stands there.
        cell: String,
    },
    /// Time runs backwards.
    #[error(
        "line {line}: the time {time_s} s lies before the row above ({before_s} s); sort the rows by time"
    )]
    Backwards {
        /// Line of the file, from 1.
        line: u64,
        /// Time of this row.
        time_s: f64,
        /// Time of the row above.
        before_s: f64,
    },
    /// A row whose cells cannot be told apart.
    #[error("line {line}: {reason}")]
    Row {
        /// Line of the file, from 1.
        line: u64,
        /// What the reader says.
        reason: String,
    },
}

/// What was met on the way through a table.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Tally {
    /// Rows read.
    pub rows: u64,
    /// Cells of currents that hold no value.
    pub missing_currents: u64,
    /// Rows with fewer cells than the others, their missing cells taken as blank.
    pub short_rows: u64,
}

/// Reads a table row by row; its memory does not grow with the table.
pub struct Rows {
    reader: csv::Reader<Box<dyn Read>>,
    record: csv::ByteRecord,
    dialect: Dialect,
    columns: Columns,
    plan: Vec<Step>,
    row_period_s: Option<f64>,
    origin_s: Option<f64>,
    before_s: f64,
    midnights: f64,
    tally: Tally,
    read_bytes: Arc<AtomicU64>,
    /// The file has ended within a row; then it is the one read last.
    torn: Arc<AtomicBool>,
}

/// What to do with one cell of a row.
#[derive(Clone, Copy, Debug)]
struct Step {
    index: usize,
    role: Role,
    unit: Unit,
    instant: Option<InstantForm>,
}

impl std::fmt::Debug for Rows {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Rows")
            .field("dialect", &self.dialect)
            .field("tally", &self.tally)
            .finish_non_exhaustive()
    }
}

impl Rows {
    /// Finds out how the table is written and what its columns are.
    ///
    /// `columns` overrides what the headings say; `rate_hz` is the rate of the rows where there is no time column.
    ///
    /// # Errors
    /// [`TableFault`] when the file cannot be read, holds no table, or its columns cannot be told.
    pub fn open(
        file: impl Read + 'static,
        columns: Option<&str>,
        rate_hz: Option<f64>,
    ) -> Result<Self, TableFault> {
        let read_bytes = Arc::new(AtomicU64::new(0));
        let mut text = to_utf8(Counting {
            inner: file,
            bytes: Arc::clone(&read_bytes),
        })?;
        let mut beginning = Vec::new();
        text.by_ref().take(BEGINNING_BYTES).read_to_end(&mut beginning)?;
        no_zero_bytes(&beginning, 1)?;
        let dialect = Dialect::detect(&String::from_utf8_lossy(&beginning)).ok_or(TableFault::NoRows)?;
        let columns = Columns::assign(&dialect, columns, rate_hz.is_some())?;
        let mut whole = Cursor::new(beginning).chain(text);
        for _ in 0..dialect.lines_before_rows {
            whole.read_until(b'\n', &mut Vec::new())?;
        }
        let torn = Arc::new(AtomicBool::new(false));
        let first_line = dialect.lines_before_rows as u64 + 1;
        let whole = Guard::new(whole, dialect.separator, first_line, Arc::clone(&torn));
        let reader = csv::ReaderBuilder::new()
            .delimiter(dialect.separator)
            .has_headers(false)
            .flexible(true)
            .buffer_capacity(1 << 18)
            .from_reader(Box::new(whole) as Box<dyn Read>);
        let plan = columns
            .iter()
            .filter(|column| column.role != Role::Time || rate_hz.is_none())
            .map(|column| Step {
                index: column.index,
                role: column.role,
                unit: column.unit,
                instant: column.instant,
            })
            .collect();
        Ok(Self {
            reader,
            record: csv::ByteRecord::new(),
            dialect,
            columns,
            plan,
            row_period_s: rate_hz.map(f64::recip),
            origin_s: None,
            before_s: f64::NEG_INFINITY,
            midnights: 0.0,
            tally: Tally::default(),
            read_bytes,
            torn,
        })
    }

    /// How the table is written.
    #[must_use]
    pub const fn dialect(&self) -> &Dialect {
        &self.dialect
    }

    /// Which column was taken for what.
    #[must_use]
    pub const fn columns(&self) -> &Columns {
        &self.columns
    }

    /// What was met so far.
    #[must_use]
    pub const fn tally(&self) -> Tally {
        self.tally
    }

    /// Bytes of the file read so far, for a progress bar.
    #[must_use]
    pub fn read_bytes(&self) -> u64 {
        self.read_bytes.load(Ordering::Relaxed)
    }

    /// Seconds since 1970 of the rows' zero where the time column holds dates.
    #[must_use]
    pub const fn origin_s(&self) -> Option<f64> {
        self.origin_s
    }

    /// The next row, or `None` at the table's end.
    ///
    /// # Errors
    /// [`TableFault`] with the line when a cell is neither a number nor blank, or time runs backwards.
    pub fn next_sample(&mut self) -> Result<Option<Sample>, TableFault> {
        loop {
            let line = self.line();
            if !self
                .reader
                .read_byte_record(&mut self.record)
                .map_err(|error| row_fault(line, error))?
            {
                return Ok(None);
            }
            let is_short = self.record.len() < self.dialect.headings.len();
            if is_short && self.torn.load(Ordering::Relaxed) {
                // The write that was cut off: nobody knows whether its last cell is whole.
                self.record.truncate(self.record.len().saturating_sub(1));
                let has_time = self.columns.iter().filter(|column| column.role == Role::Time);
                if !has_time
                    .map(|time| time.index)
                    .all(|index| index < self.record.len())
                {
                    return Ok(None);
                }
            }
            let blank = self.record.as_slice().trim_ascii().is_empty();
            if !blank {
                return self.sample().map(Some);
            }
        }
    }

    fn line(&self) -> u64 {
        // The reader counts from where it was put, behind the headings.
        self.dialect.lines_before_rows as u64 + self.reader.position().line()
    }

    fn sample(&mut self) -> Result<Sample, TableFault> {
        let mut sample = Sample::missing_at(
            self.row_period_s
                .map_or(f64::NAN, |period| period * self.tally.rows as f64),
        );
        if self.record.len() < self.dialect.headings.len() {
            self.tally.short_rows += 1;
        }
        for position in 0..self.plan.len() {
            let step = self.plan[position];
            let value = self.cell(step)?;
            match step.role {
                Role::Time => sample.time_s = value,
                Role::Current(channel) => {
                    sample.current_a[channel] = value;
                    self.tally.missing_currents += u64::from(value.is_nan());
                }
                Role::Rail(channel) => sample.rail_v[channel] = value,
                Role::Temperature(place) => sample.temperature_c[place] = value,
            }
        }
        if sample.time_s < self.before_s {
            let (line, before_s) = (self.record_line(), self.before_s);
            return Err(TableFault::Backwards {
                line,
                time_s: sample.time_s,
                before_s,
            });
        }
        self.before_s = sample.time_s;
        self.tally.rows += 1;
        Ok(sample)
    }

    fn record_line(&self) -> u64 {
        let within = self.record.position().map_or(1, csv::Position::line);
        self.dialect.lines_before_rows as u64 + within
    }

    /// The value of one cell in the program's unit, NaN where it is missing.
    fn cell(&mut self, step: Step) -> Result<f64, TableFault> {
        let bytes = self.record.get(step.index).unwrap_or_default().trim_ascii();
        // The plain case first: this runs for every cell of tables with millions of rows.
        let plain = step.instant.is_none() && !self.dialect.decimal_comma;
        if let Some(value) = plain.then(|| fast_float2::parse::<f64, _>(bytes).ok()).flatten()
            && value.is_finite()
        {
            return Ok(step.unit.apply(value));
        }
        let cell = std::str::from_utf8(bytes).unwrap_or("\u{FFFD}").to_owned();
        if step.role == Role::Time {
            return self.time(step, &cell);
        }
        match number(&cell, self.dialect.decimal_comma) {
            Some(value) => Ok(step.unit.apply(value)),
            None if is_missing(&cell) => Ok(f64::NAN),
            None => {
                let (line, cell) = (self.record_line(), shortened(&cell));
                Err(TableFault::Cell {
                    line,
                    column: step.index + 1,
                    cell,
                })
            }
        }
    }

    fn time(&mut self, step: Step, cell: &str) -> Result<f64, TableFault> {
        let read = match step.instant {
            Some(form) => form.seconds(cell),
            None => number(cell, self.dialect.decimal_comma).map(|value| step.unit.apply(value)),
        };
        let line = self.record_line();
        let read = read.ok_or_else(|| TableFault::Time {
            line,
            cell: shortened(cell),
        })?;
        let Some(form) = step.instant else { return Ok(read) };
        let mut since = read + self.midnights * DAY_S - *self.origin_s.get_or_insert(read);
        if form == InstantForm::TimeOfDay && since < self.before_s - DAY_S / 2.0 {
            self.midnights += 1.0;
            since += DAY_S;
        }
        Ok(since)
    }
}

/// A cell as a message shows it; a hostile one may be a gigabyte.
fn shortened(cell: &str) -> String {
    const SHOWN: usize = 40;
    if cell.chars().count() <= SHOWN {
        cell.to_owned()
    } else {
        cell.chars().take(SHOWN).chain(['…']).collect()
    }
}

fn row_fault(line: u64, error: csv::Error) -> TableFault {
    match error.into_kind() {
        // The guard names the line itself.
        csv::ErrorKind::Io(error) => TableFault::File(error),
        kind => TableFault::Row {
            line,
            reason: format!("its cells cannot be told apart: {kind:?}"),
        },
    }
}

/// Counts the bytes that pass.
struct Counting<R> {
    inner: R,
    bytes: Arc<AtomicU64>,
}

impl<R: Read> Read for Counting<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let count = self.inner.read(buffer)?;
        self.bytes.fetch_add(count as u64, Ordering::Relaxed);
        Ok(count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(text: &'static str) -> Result<Vec<Sample>, TableFault> {
        let mut rows = Rows::open(text.as_bytes(), None, None)?;
        std::iter::from_fn(|| rows.next_sample().transpose()).collect()
    }

    #[test]
    fn blank_cells_and_overloads_are_missing_never_zero() {
        let samples = rows("t_s,ch1_mA,ch2_mA\n0,1,2\n1,,OL\n2,3,4\n").unwrap();
        assert!(samples[1].current_a.iter().all(|value| value.is_nan()));
        assert_eq!(samples[2].current_a, [0.003, 0.004]);
    }

    #[test]
    fn decimal_commas_units_in_cells_and_dates() {
        let samples = rows(
            "Zeitpunkt;Strom\n25.11.2026 10:00:00,0;12,5 mA\n25.11.2026 10:00:00,5;12,75 mA\n25.11.2026 10:00:01,0;1,3 A\n",
        );
        let samples = samples.unwrap();
        assert_eq!(samples[1].time_s, 0.5);
        assert!(
            (samples[0].current_a[0] - 0.0125).abs() < 1e-12 && (samples[2].current_a[0] - 1.3).abs() < 1e-12
        );
    }

    #[test]
    fn times_of_day_pass_midnight() {
        let samples = rows("time,ch1_A\n23:59:59,1\n00:00:00,1\n00:00:01,1\n").unwrap();
        assert_eq!(samples[2].time_s, 2.0);
    }

    #[test]
    fn a_word_in_a_row_is_refused_with_its_line() {
        let fault = rows("t_s,ch1_A\n0,1\n1,1\n2,1\n3,1\n4,oops\n").unwrap_err();
        assert_eq!(
            fault.to_string(),
            "line 6: 'oops' in column 2 is not a number; mend the cell or leave it blank if the value is missing"
        );
    }

    /// A column of words takes no row away, whatever stands in it, and is not read.
    #[test]
    fn notes_and_states_are_passed_over() {
        let samples = rows("t_s,ch1_A,note\n0,1,x\n1,2,=1+1\n2,3,+1\n3,4,\n4,5,@x\n").unwrap();
        assert_eq!(samples.len(), 5);
        assert!(samples.iter().all(|sample| sample.current_a[1].is_nan()));
        let samples = rows("t;state;I (mA)\n0,5;ON;1,5\n1,0;ON;1,25\n1,5;;1,5\n").unwrap();
        assert!((samples[1].current_a[0] - 0.001_25).abs() < 1e-12);
    }

    #[test]
    fn time_must_not_run_backwards() {
        let fault = rows("t_s,ch1_A\n0,1\n1,1\n2,1\n1.5,1\n").unwrap_err();
        assert!(
            fault
                .to_string()
                .starts_with("line 5: the time 1.5 s lies before the row above (2 s)"),
            "{fault}"
        );
    }

    #[test]
    fn mixed_line_ends_blank_lines_and_a_torn_last_row_are_read() {
        let samples = rows("t_s,ch1_A,ch2_A\r\n0,1,2\r\n1,1,2\n\n2,1,2\r\n3,1").unwrap();
        assert_eq!(samples.len(), 4);
        // What was to become 1.25 would be 1.
        assert!(samples[3].current_a.iter().all(|value| value.is_nan()));
        // Of a table that was cut in its first row nothing is known.
        assert!(matches!(
            rows("utc,t_s,reading,ch1_A\n2026-11-25T10:00:00Z,0,1"),
            Err(TableFault::NoRows)
        ));
        let samples = rows("t_s,ch1_A,ch2_A\n0,1,2\n1,1,2\n2,1,2\n3").unwrap();
        assert_eq!(samples.len(), 3);
        let samples = rows("t_s,ch1_A,ch2_A\n0,1,2\n1,1,2\n2,1,2\n3,1,2").unwrap();
        assert_eq!(samples[3].current_a, [1.0, 2.0]);
    }

    #[test]
    fn rows_without_times_need_a_rate() {
        let text = "ch1_A\n1\n1\n2\n";
        assert!(matches!(
            Rows::open(text.as_bytes(), None, None),
            Err(TableFault::Columns(ColumnFault::NoTime))
        ));
        let mut rows = Rows::open(text.as_bytes(), None, Some(100.0)).unwrap();
        rows.next_sample().unwrap();
        assert_eq!(rows.next_sample().unwrap().unwrap().time_s, 0.01);
    }
}
