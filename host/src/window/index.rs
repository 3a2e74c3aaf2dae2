//! One board's recording in a run, ready to be asked for windows.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::Record;
use crate::recorder::wire_log::{LogItem, LogReader};
use crate::stream::{Output, Stream};
use crate::units::Units;

use super::cells::Cells;
use super::readings::{Sink, read_stretch};
use super::sheet::{
    BINS, Extents, FILE_HEADER_BYTES, GROUP, HEAD_BYTES, Head, Payload, SheetWriter, SlowRow, file_header,
    widen,
};

/// Bytes of sheets read at once.
const PIECE_BYTES: usize = 1 << 18;

/// Readings behind the last sheet that are read one by one; more of them, and the sheets are made anew.
const TAIL_MAX: usize = 16 * 4096;

/// A log that was written to so lately is being recorded: the recorder writes every half second.
const WRITTEN_WITHIN: Duration = Duration::from_secs(10);

/// A recording ready to be asked.
#[derive(Debug)]
pub(super) struct Index {
    log: PathBuf,
    serial: String,
    units: Option<Units>,
    source: Source,
    sheets: Vec<Sheet>,
    /// Where in the source the next sheet is to begin.
    next: u64,
    cells: Option<Cells>,
    tail: Tail,
    last_us: Option<i64>,
}

/// Where the sheets are.
#[derive(Debug)]
enum Source {
    /// The recorder's file.
    Recorded(File),
    /// Made from `wire.log`, because the recorder's are missing; kept in a file without a name.
    Made(File),
}

/// A sheet, and where in the source it begins.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sheet {
    pub(super) head: Head,
    at: u64,
}

/// What stands behind the last sheet.
#[derive(Debug, Default)]
struct Tail {
    log_bytes: u64,
    after_us: i64,
    readings: Vec<(i64, [Option<i32>; 2])>,
    slow: Vec<(i64, SlowRow)>,
    too_long: bool,
    other_start: bool,
}

impl Sink for Tail {
    fn reading(&mut self, elapsed_us: i64, codes: [Option<i32>; 2]) {
        if elapsed_us > self.after_us {
            if self.readings.len() < TAIL_MAX {
                self.readings.push((elapsed_us, codes));
            } else {
                self.too_long = true;
            }
        }
    }

    fn slow(&mut self, elapsed_us: i64, row: &SlowRow) {
        if self.slow.len() < TAIL_MAX {
            self.slow.push((elapsed_us, *row));
        }
    }

    fn other_start(&mut self) {
        self.other_start = true;
    }
}

impl Index {
    /// Opens the recording in a board's folder.
    ///
    /// # Errors
    /// [`Exit::BadInput`] when there is none, or it cannot be read.
    pub(super) fn open(folder: &Path) -> Result<Self, Fault> {
        let log = folder.join("wire.log");
        let file = File::open(folder.join("extremes.bin"))
            .ok()
            .and_then(with_known_header);
        let source = match file {
            Some(file) => Source::Recorded(file),
            None => Source::Made(made(&log)?),
        };
        let mut index = Self {
            log,
            serial: String::new(),
            units: None,
            source,
            sheets: Vec::new(),
            next: FILE_HEADER_BYTES as u64,
            cells: None,
            tail: Tail::default(),
            last_us: None,
        };
        index.read_sheets()?;
        index.read_tail()?;
        Ok(index)
    }

    /// Takes in what was recorded since.
    ///
    /// # Errors
    /// As [`Self::open`].
    pub(super) fn refresh(&mut self) -> Result<(), Fault> {
        let log_bytes = self.log_bytes();
        if log_bytes == self.tail.log_bytes {
            return Ok(());
        }
        if matches!(self.source, Source::Made(_)) {
            // It was made of a recording that has gone on since; by now there may be sheets of its own.
            let folder = self.log.parent().map(Path::to_owned).unwrap_or_default();
            *self = Self::open(&folder)?;
            return Ok(());
        }
        self.read_sheets()?;
        self.read_tail()
    }

    fn log_bytes(&self) -> u64 {
        std::fs::metadata(&self.log).map_or(0, |metadata| metadata.len())
    }

    fn is_being_written(&self) -> bool {
        let modified = std::fs::metadata(&self.log).and_then(|metadata| metadata.modified());
        modified.is_ok_and(|modified| modified.elapsed().is_ok_and(|since| since < WRITTEN_WITHIN))
    }

    /// Reads whole sheets from where the last reading of them ended.
    fn read_sheets(&mut self) -> Result<(), Fault> {
        let file = match &mut self.source {
            Source::Recorded(file) | Source::Made(file) => file,
        };
        let log = self.log.clone();
        let fault = |error: &std::io::Error| Fault::file(Exit::BadInput, &log, error);
        file.seek(SeekFrom::Start(self.next))
            .map_err(|error| fault(&error))?;
        let mut held = Vec::new();
        let mut begin = 0;
        loop {
            while let Some((head, payload)) = Head::read(&held[begin..]) {
                let Some((groups, slow, _)) = Payload::new(payload).read(false) else {
                    return Ok(());
                };
                begin += HEAD_BYTES + payload.len();
                let cells = self
                    .cells
                    .get_or_insert_with(|| Cells::new(i64::from(head.bin_us) * GROUP as i64));
                feed(cells, &head, &groups, &slow);
                self.sheets.push(Sheet { head, at: self.next });
                self.next += (HEAD_BYTES + head.payload_bytes as usize) as u64;
                self.last_us = self.last_us.max(Some(head.last_us));
            }
            held.drain(..begin);
            begin = 0;
            let before = held.len();
            // A whole sheet is far shorter than two pieces: more of them and nothing whole is damage.
            if before > 8 * PIECE_BYTES {
                return Ok(());
            }
            held.resize(before + PIECE_BYTES, 0);
            let read = file.read(&mut held[before..]).map_err(|error| fault(&error))?;
            held.truncate(before + read);
            if read == 0 {
                return Ok(());
            }
        }
    }

    /// Reads what stands behind the last sheet.
    fn read_tail(&mut self) -> Result<(), Fault> {
        let log_bytes = self.log_bytes();
        if let (Source::Recorded(_), Some(last)) = (&self.source, self.sheets.last()) {
            let mut tail = Tail {
                log_bytes,
                after_us: last.head.last_us,
                ..Tail::default()
            };
            read_stretch(&self.log, &last.head, None, &mut tail)?;
            // Where the board started anew behind the last sheet, only a whole replay knows the run's time. The recorder of
            // a run that goes on is about to write that sheet.
            if tail.too_long || tail.other_start && !self.is_being_written() {
                return self.make();
            }
            self.last_us = self
                .last_us
                .max(tail.readings.last().map(|(elapsed_us, _)| *elapsed_us));
            self.tail = tail;
        } else if matches!(self.source, Source::Recorded(_)) {
            return self.make();
        } else {
            self.tail = Tail {
                log_bytes,
                ..Tail::default()
            };
        }
        if self.units.is_none() {
            (self.serial, self.units) = board_of(&self.log)?;
        }
        Ok(())
    }

    /// Makes the sheets from `wire.log`.
    fn make(&mut self) -> Result<(), Fault> {
        self.source = Source::Made(made(&self.log)?);
        self.sheets.clear();
        self.next = FILE_HEADER_BYTES as u64;
        self.cells = None;
        self.last_us = None;
        self.read_sheets()?;
        self.read_tail()
    }

    pub(super) fn serial(&self) -> &str {
        &self.serial
    }

    pub(super) const fn units(&self) -> Option<&Units> {
        self.units.as_ref()
    }

    /// The run's time of the last reading on the disk.
    pub(super) const fn last_us(&self) -> Option<i64> {
        self.last_us
    }

    pub(super) const fn cells(&self) -> Option<&Cells> {
        self.cells.as_ref()
    }

    /// Microseconds of a bin.
    pub(super) fn bin_us(&self) -> Option<i64> {
        self.sheets.first().map(|sheet| i64::from(sheet.head.bin_us))
    }

    /// Gives what stands behind the last sheet.
    pub(super) fn each_of_tail(&self, sink: &mut impl Sink) {
        for (elapsed_us, codes) in &self.tail.readings {
            sink.reading(*elapsed_us, *codes);
        }
        for (elapsed_us, row) in &self.tail.slow {
            sink.slow(*elapsed_us, row);
        }
    }

    /// The sheets that touch a stretch.
    fn touching(&self, from_us: i64, to_us: i64) -> std::ops::Range<usize> {
        let first = self
            .sheets
            .partition_point(|sheet| sheet.head.span_us().1 <= from_us);
        let beyond = self
            .sheets
            .partition_point(|sheet| sheet.head.span_us().0 < to_us);
        first..beyond.max(first)
    }

    /// Visits the sheets that touch a stretch: beginning, groups or bins of how many microseconds, slow values.
    ///
    /// # Errors
    /// When the file cannot be read any more.
    pub(super) fn each_sheet(
        &mut self,
        from_us: i64,
        to_us: i64,
        bins: bool,
        mut visit: impl FnMut(i64, i64, &Extents, &[SlowRow]),
    ) -> Result<(), Fault> {
        let range = self.touching(from_us, to_us);
        // Slow values that came late are in the sheet behind.
        let behind = range.end.min(self.sheets.len().saturating_sub(1));
        let (Some(first), Some(last)) = (self.sheets.get(range.start), self.sheets.get(behind)) else {
            return Ok(());
        };
        let (begin, end) = (
            first.at,
            last.at + (HEAD_BYTES + last.head.payload_bytes as usize) as u64,
        );
        let log = self.log.clone();
        let fault = |error: std::io::Error| Fault::file(Exit::BadInput, &log, &error);
        let file = match &mut self.source {
            Source::Recorded(file) | Source::Made(file) => file,
        };
        file.seek(SeekFrom::Start(begin)).map_err(fault)?;
        let mut held = Vec::new();
        let mut at = begin;
        let mut piece = PIECE_BYTES.min(usize::try_from(end - begin).unwrap_or(PIECE_BYTES));
        while at < end {
            let before = held.len();
            held.resize(before + piece, 0);
            let read = file.read(&mut held[before..]).map_err(fault)?;
            held.truncate(before + read);
            if read == 0 {
                break;
            }
            let mut used = 0;
            while at < end
                && let Some((head, payload)) = Head::read(&held[used..])
            {
                used += HEAD_BYTES + payload.len();
                at += (HEAD_BYTES + payload.len()) as u64;
                if let Some((groups, slow, of_bins)) = Payload::new(payload).read(bins) {
                    let bin_us = i64::from(head.bin_us);
                    let (extents, each_us) = match &of_bins {
                        Some(of_bins) => (of_bins, bin_us),
                        None => (&groups, bin_us * GROUP as i64),
                    };
                    visit(head.span_us().0, each_us, extents, &slow);
                }
            }
            held.drain(..used);
            piece = PIECE_BYTES;
        }
        Ok(())
    }

    /// Gives the single readings of a stretch, and some around it.
    ///
    /// # Errors
    /// When the log cannot be read any more.
    pub(super) fn each_reading(&self, from_us: i64, to_us: i64, sink: &mut impl Sink) -> Result<(), Fault> {
        let range = self.touching(from_us, to_us);
        let mut first = range.start;
        while first < range.end {
            let head = self.sheets[first].head;
            // Sheets of one start of the board hang together.
            let same = |sheet: &Sheet| {
                sheet.head.boot_nonce == head.boot_nonce
                    && sheet.head.board_less_run_us == head.board_less_run_us
            };
            let count = self.sheets[first..range.end]
                .iter()
                .take_while(|sheet| same(sheet))
                .count();
            let beyond = self.sheets.get(first + count).map(|sheet| sheet.head.wire_offset);
            read_stretch(&self.log, &head, beyond, sink)?;
            first += count;
        }
        Ok(())
    }
}

/// Feeds a sheet to the cells of the whole run.
fn feed(cells: &mut Cells, head: &Head, groups: &Extents, slow: &[SlowRow]) {
    let (first_us, _) = head.span_us();
    let group_us = i64::from(head.bin_us) * GROUP as i64;
    groups.each(|place, channel, ends| {
        debug_assert!(place < BINS / GROUP);
        widen(
            &mut cells.at(first_us + place as i64 * group_us).current[channel],
            ends,
        );
    });
    for row in slow {
        let elapsed_us = first_us + row.after_us;
        if elapsed_us >= 0 {
            cells.at(elapsed_us).take_slow(row);
        }
    }
}

fn with_known_header(mut file: File) -> Option<File> {
    let mut header = [0; FILE_HEADER_BYTES];
    file.read_exact(&mut header).ok()?;
    (header == file_header()).then_some(file)
}

/// Sheets made from a recording, in a file without a name.
fn made(log: &Path) -> Result<File, Fault> {
    let bad = |rule: String| Fault::new(Exit::BadInput, log.display().to_string(), rule);
    let disk = |error: std::io::Error| Fault::new(Exit::Failed, "a temporary file", error.to_string());
    let mut file = tempfile::tempfile().map_err(disk)?;
    file.write_all(&file_header()).map_err(disk)?;
    let mut reader = LogReader::open(log)?;
    let mut stream = Stream::new();
    let mut writer: Option<SheetWriter> = None;
    let mut out = Vec::new();
    loop {
        let at = reader.position();
        let Some(item) = reader.next_item().map_err(bad)? else {
            break;
        };
        let mut take = |output: Output| {
            if let Output::Board { hello, .. } = &output {
                writer.get_or_insert_with(|| SheetWriter::new(hello.reading_period_us));
            }
            if let Some(writer) = &mut writer {
                writer.take(&output, at, &mut out);
            }
        };
        match item {
            LogItem::Chunk { records, .. } => {
                for record in &records {
                    stream.take(record, &mut take);
                }
            }
            LogItem::Damage { .. } => stream.take(&Record::Lost, &mut take),
            LogItem::TornTail { .. } => {}
        }
        file.write_all(&out).map_err(disk)?;
        out.clear();
    }
    if let Some(writer) = &mut writer {
        writer.close(&mut out);
        file.write_all(&out).map_err(disk)?;
    }
    Ok(file)
}

/// Who the board of a recording is, and its units; nobody before it said so.
fn board_of(log: &Path) -> Result<(String, Option<Units>), Fault> {
    let mut replay = crate::replay::Replay::open(log)?;
    while let Some(output) = replay.next_output()? {
        if let Output::Board { hello, units } = output {
            return Ok((crate::recorder::serial_digits(&hello), Some(units)));
        }
    }
    Ok((String::new(), None))
}
