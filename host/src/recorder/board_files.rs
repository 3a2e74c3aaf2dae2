//! The files of one board in one run.

use std::io;
use std::path::Path;

use crate::live::{Detected, Detection};
use crate::stream::{Output, Stream};
use crate::units::Units;
use crate::window::sheet::{self, SheetWriter};

use super::csv_rows;
use super::decimal::Instants;
use super::files::FileLayer;
use super::minutes::{self, Minutes, put_interval};
use super::plan::{FullRate, RunPlan};
use super::sink::Entry;
use super::spool::Spool;
use super::wire_log::{Record, chunk};

/// Records are sealed into a chunk when they are so many bytes.
const CHUNK_BYTES: usize = 256 * 1024;

/// `wire.log` and the CSV files of one board.
pub(super) struct BoardFiles {
    stream: Stream,
    units: Option<Units>,
    records: Vec<Record>,
    raw_bytes: usize,
    sequence: u32,
    until_utc_us: Option<i64>,
    full_rate_until_us: i64,
    minutes: Minutes,
    /// Where nobody tells of events, they are looked for here.
    detection: Option<Detection>,
    /// Events told of, each with the number of records in the chunk before it.
    events: Vec<(usize, Detected)>,
    sheets: SheetWriter,
    /// Where in `wire.log` the chunk in progress will begin.
    wire_offset: u64,
    wire: Spool,
    extremes: Spool,
    readings_csv: Option<Spool>,
    minutes_csv: Spool,
    events_csv: Spool,
    marks_csv: Spool,
}

/// Rows that a chunk brings to each file.
#[derive(Default)]
struct Rows {
    readings: String,
    instants: Instants,
    minutes: String,
    events: String,
    marks: String,
}

impl BoardFiles {
    /// Makes the files in `folder`, which exists.
    pub(super) fn create(layer: &dyn FileLayer, folder: &Path, plan: &RunPlan) -> io::Result<Self> {
        let make = |name: &'static str, header: &[u8]| {
            let mut spool = Spool::new(name, layer.create_file(&folder.join(name))?);
            spool.push(header.to_vec());
            Ok::<_, io::Error>(spool)
        };
        let full_rate_until_us = match plan.full_rate {
            FullRate::Always => i64::MAX,
            FullRate::Never => i64::MIN,
            FullRate::Auto => FullRate::AUTO_SECONDS * 1_000_000,
        };
        Ok(Self {
            stream: Stream::new(),
            units: None,
            records: Vec::new(),
            raw_bytes: 0,
            sequence: 0,
            until_utc_us: None,
            full_rate_until_us,
            minutes: Minutes::new(plan.interval_us),
            detection: Some(Detection::default()),
            events: Vec::new(),
            sheets: SheetWriter::new(plan.configure.reading_period_us),
            wire_offset: chunk::file_header().len() as u64,
            wire: make("wire.log", &chunk::file_header())?,
            extremes: make("extremes.bin", &sheet::file_header())?,
            readings_csv: match plan.full_rate {
                FullRate::Never => None,
                _ => Some(make("readings.csv", csv_rows::READINGS_HEADER.as_bytes())?),
            },
            minutes_csv: make("minutes.csv", minutes::HEADER.as_bytes())?,
            events_csv: make("events.csv", csv_rows::EVENTS_HEADER.as_bytes())?,
            marks_csv: make("marks.csv", csv_rows::MARKS_HEADER.as_bytes())?,
        })
    }

    pub(super) const fn stream(&self) -> &Stream {
        &self.stream
    }

    /// UTC of the last reading in a chunk, in microseconds since 1970.
    pub(super) const fn until_utc_us(&self) -> Option<i64> {
        self.until_utc_us
    }

    pub(super) fn spools(&self) -> impl Iterator<Item = &Spool> {
        // The wire's recording first: everything else can be made from it.
        [
            &self.wire,
            &self.extremes,
            &self.minutes_csv,
            &self.events_csv,
            &self.marks_csv,
        ]
        .into_iter()
        .chain(&self.readings_csv)
    }

    /// The same files in the same order, to be written.
    pub(super) fn spools_mut(&mut self) -> impl Iterator<Item = &mut Spool> {
        [
            &mut self.wire,
            &mut self.extremes,
            &mut self.minutes_csv,
            &mut self.events_csv,
            &mut self.marks_csv,
        ]
        .into_iter()
        .chain(&mut self.readings_csv)
    }

    /// Bytes in memory that no file holds yet.
    pub(super) fn waiting_bytes(&self) -> usize {
        self.raw_bytes + self.spools().map(Spool::waiting_bytes).sum::<usize>()
    }

    /// Takes what is told of the board. True when the chunk in progress is full.
    pub(super) fn take_entry(&mut self, entry: Entry) -> bool {
        match entry {
            Entry::Record(record) => self.take(record),
            Entry::Event(detected) => {
                self.events.push((self.records.len(), *detected));
                false
            }
            Entry::EventsComeAlong => {
                self.detection = None;
                false
            }
        }
    }

    /// Takes a record into the chunk in progress. True when the chunk is full.
    pub(super) fn take(&mut self, record: Record) -> bool {
        self.raw_bytes += chunk::record_bytes(&record);
        self.records.push(record);
        self.raw_bytes >= CHUNK_BYTES
    }

    /// Forgets the bytes of the chunk in progress, as there is no room for them, and says so wherever some are missing:
    /// what stays between them may hold readings too.
    pub(super) fn lose_received(&mut self) {
        let records = std::mem::take(&mut self.records);
        self.raw_bytes = 0;
        for record in records {
            if !record.may_be_lost() {
                self.take(record);
            } else if self.records.last() != Some(&Record::Lost) {
                self.take(Record::Lost);
            }
        }
    }

    /// Closes the chunk in progress and has it and its rows wait for the disk.
    pub(super) fn seal(&mut self) -> io::Result<()> {
        if self.records.is_empty() && self.events.is_empty() {
            return Ok(());
        }
        let mut rows = Rows::default();
        let mut events = std::mem::take(&mut self.events).into_iter().peekable();
        let records = std::mem::take(&mut self.records);
        let raw_bytes = std::mem::take(&mut self.raw_bytes);
        let mut full_sheets = Vec::new();
        // One turn more than there are records, for the events after the last.
        for place in 0..=records.len() {
            let mut row_writer = RowWriter {
                units: &mut self.units,
                minutes: &mut self.minutes,
                full_rate_until_us: self.full_rate_until_us,
                until_utc_us: &mut self.until_utc_us,
                rows: &mut rows,
            };
            let record = records.get(place);
            // Behind the last record come all that are left: some stand behind records that had to be forgotten.
            while let Some((_, detected)) = events.next_if(|(after, _)| *after <= place || record.is_none()) {
                row_writer.put_event(&detected);
            }
            let Some(record) = record else { break };
            let (sheets, wire_offset) = (&mut self.sheets, self.wire_offset);
            let detection = &mut self.detection;
            self.stream.take(record, &mut |output| {
                row_writer.put(&output);
                sheets.take(&output, wire_offset, &mut full_sheets);
                if let Some(detection) = detection {
                    detection.take(&output, &mut |detected| row_writer.put_event(&detected));
                }
            });
            if let Some(detection) = detection {
                detection.settle(&mut |detected| row_writer.put_event(&detected));
            }
        }
        if records.is_empty() {
            self.push_rows(rows);
            return Ok(());
        }
        let chunk = chunk::seal(self.sequence, &records, raw_bytes, self.until_utc_us)?;
        self.wire_offset += chunk.len() as u64;
        self.wire.push(chunk);
        self.extremes.push(full_sheets);
        self.sequence = self.sequence.wrapping_add(1);
        self.push_rows(rows);
        Ok(())
    }

    fn push_rows(&mut self, rows: Rows) {
        if let Some(readings_csv) = &mut self.readings_csv {
            readings_csv.push(rows.readings.into_bytes());
        }
        self.minutes_csv.push(rows.minutes.into_bytes());
        self.events_csv.push(rows.events.into_bytes());
        self.marks_csv.push(rows.marks.into_bytes());
    }

    /// Closes the interval in progress; nothing is taken any more.
    pub(super) fn finish(&mut self) -> io::Result<()> {
        self.seal()?;
        let mut last_sheet = Vec::new();
        self.sheets.close(&mut last_sheet);
        self.extremes.push(last_sheet);
        if let Some(units) = &self.units {
            let mut text = String::new();
            if let Some(interval) = self.minutes.close() {
                put_interval(&mut text, &interval, units);
            }
            self.minutes_csv.push(text.into_bytes());
            let mut text = String::new();
            if let Some(detection) = &mut self.detection {
                detection.finish(&mut |detected| csv_rows::put_event(&mut text, &detected, units));
            }
            self.events_csv.push(text.into_bytes());
        }
        Ok(())
    }

    /// Appends what waits: it survives the program from then on. Every file is tried; the first failure is given.
    pub(super) fn append(&mut self) -> Result<(), (&'static str, io::Error)> {
        self.each(Spool::append)
    }

    /// Appends what waits and has it survive a power cut, however long that takes. Every file is tried; the first failure
    /// is given.
    pub(super) fn drain(&mut self) -> Result<(), (&'static str, io::Error)> {
        let appended = self.append();
        let confirmed = self.each(Spool::confirm);
        appended.and(confirmed)
    }

    fn each(&mut self, step: fn(&mut Spool) -> io::Result<()>) -> Result<(), (&'static str, io::Error)> {
        let mut outcome = Ok(());
        for spool in self.spools_mut() {
            if let Err(error) = step(spool)
                && outcome.is_ok()
            {
                outcome = Err((spool.name(), error));
            }
        }
        outcome
    }
}

struct RowWriter<'a> {
    units: &'a mut Option<Units>,
    minutes: &'a mut Minutes,
    full_rate_until_us: i64,
    until_utc_us: &'a mut Option<i64>,
    rows: &'a mut Rows,
}

impl RowWriter<'_> {
    fn put(&mut self, output: &Output) {
        match output {
            Output::Board { units, .. } => *self.units = Some(*units),
            Output::Reading(reading) => {
                let Some(units) = self.units.as_ref() else { return };
                if let Some(over) = self.minutes.take_reading(reading) {
                    put_interval(&mut self.rows.minutes, &over, units);
                }
                if let Some(instant) = reading.when.utc {
                    *self.until_utc_us = Some(instant.utc.as_microsecond());
                }
                if self.is_full_rate(reading.when.elapsed_us) {
                    let Rows {
                        readings, instants, ..
                    } = &mut *self.rows;
                    csv_rows::put_reading(readings, reading, units, instants);
                }
            }
            Output::Gap(gap) => {
                let Some(units) = self.units.as_ref() else { return };
                if let Some(over) = self.minutes.take_gap(gap) {
                    put_interval(&mut self.rows.minutes, &over, units);
                }
                csv_rows::put_gap(&mut self.rows.events, gap);
                if self.is_full_rate(gap.when.elapsed_us) {
                    csv_rows::put_gap_in_readings(&mut self.rows.readings, gap);
                }
            }
            Output::Mark(mark) => csv_rows::put_mark(&mut self.rows.marks, mark),
            Output::Happening(happening) => csv_rows::put_happening(&mut self.rows.events, happening),
            Output::Slow { .. } | Output::Health(_) => {}
        }
    }

    fn put_event(&mut self, detected: &Detected) {
        if let Some(units) = self.units.as_ref() {
            csv_rows::put_event(&mut self.rows.events, detected, units);
        }
    }

    fn is_full_rate(&self, elapsed_us: Option<i64>) -> bool {
        elapsed_us.unwrap_or(0) < self.full_rate_until_us
    }
}
