//! One board's recording in a run, ready to be asked for windows.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::open_unlinked;
use crate::stream::Output;
use crate::units::Units;

use super::cells::Cells;
use super::lately::{Fineness, Key, Lately, Piece, PieceView, SlowEnds};
use super::making::Made;
use super::pieces;
use super::places::Places;
use super::readings::{Sink, read_stretch};
use super::sheet::{
    BINS, Extents, FILE_HEADER_BYTES, GROUP, HEAD_BYTES, Head, Payload, SlowRow, file_header, widen,
};

/// Bytes of sheets read at once.
const PIECE_BYTES: usize = 1 << 18;

/// Recordings are numbered as they are opened, so that nothing decoded of one is taken for another's.
static RECORDINGS: AtomicU64 = AtomicU64::new(0);

/// Readings behind the last sheet that are read one by one; more of them, and the sheets are made anew.
const TAIL_MAX: usize = 16 * 4096;

/// A log that was written to so lately is being recorded: the recorder writes every half second.
const WRITTEN_WITHIN: Duration = Duration::from_secs(10);

/// Why a recording cannot be asked.
#[derive(Debug)]
pub(super) enum Unready {
    /// Its extremes are missing: they have to be made from `wire.log`.
    Unmade,
    /// It cannot be read.
    Unreadable(Fault),
}

impl From<Fault> for Unready {
    fn from(fault: Fault) -> Self {
        Self::Unreadable(fault)
    }
}

/// A recording ready to be asked.
#[derive(Debug)]
pub(super) struct Index {
    recording: u64,
    log: PathBuf,
    serial: String,
    units: Option<Units>,
    source: Source,
    places: Places,
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

impl Source {
    const fn file(&mut self) -> &mut File {
        match self {
            Self::Recorded(file) | Self::Made(file) => file,
        }
    }
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
    /// Opens the recording in a board's folder, by the recorder's extremes or by those that were `made`.
    ///
    /// # Errors
    /// [`Unready::Unmade`] when there are no extremes, or too few; else [`Exit::BadInput`] when there is no recording, or
    /// it cannot be read.
    pub(super) fn open(folder: &Path, made: Option<Made>) -> Result<Self, Unready> {
        let log = folder.join("wire.log");
        let mut tail = Tail::default();
        let source = match made {
            Some(made) => {
                tail.log_bytes = made.of_bytes;
                Source::Made(made.file)
            }
            None => Source::Recorded(recorded(folder).ok_or(Unready::Unmade)?),
        };
        let mut index = Self {
            recording: RECORDINGS.fetch_add(1, Ordering::Relaxed),
            log,
            serial: String::new(),
            units: None,
            source,
            places: Places::new(),
            cells: None,
            tail,
            last_us: None,
        };
        index.read_sheets()?;
        index.read_tail()?;
        Ok(index)
    }

    /// Takes in what was recorded since.
    ///
    /// # Errors
    /// As [`Self::open`]; a recording that must be made anew can still be asked for what it had.
    pub(super) fn refresh(&mut self) -> Result<(), Unready> {
        if self.log_bytes() == self.tail.log_bytes {
            return Ok(());
        }
        if matches!(self.source, Source::Made(_)) {
            // It was made of a recording that has gone on since; by now there may be sheets of its own.
            let folder = self.log.parent().map(Path::to_owned).unwrap_or_default();
            *self = Self::open(&folder, None)?;
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
        let file = self.source.file();
        let log = self.log.clone();
        let fault = |error: &std::io::Error| Fault::file(Exit::BadInput, &log, error);
        file.seek(SeekFrom::Start(self.places.next()))
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
                self.last_us = self.last_us.max(Some(head.last_us));
                self.places.push(head);
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
    fn read_tail(&mut self) -> Result<(), Unready> {
        if let Source::Recorded(_) = self.source {
            let last = *self.places.last().ok_or(Unready::Unmade)?;
            let mut tail = Tail {
                log_bytes: self.log_bytes(),
                after_us: last.last_us,
                ..Tail::default()
            };
            read_stretch(&self.log, &last, None, &mut tail)?;
            // Where the board started anew behind the last sheet, only a whole replay knows the run's time. The recorder of
            // a run that goes on is about to write that sheet.
            if tail.too_long || tail.other_start && !self.is_being_written() {
                return Err(Unready::Unmade);
            }
            self.last_us = self
                .last_us
                .max(tail.readings.last().map(|(elapsed_us, _)| *elapsed_us));
            self.tail = tail;
        }
        if self.units.is_none() {
            (self.serial, self.units) = board_of(&self.log)?;
        }
        Ok(())
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
    pub(super) const fn bin_us(&self) -> Option<i64> {
        self.places.bin_us()
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

    /// Visits the sheets that touch a stretch, decoded. Those that were decoded lately are not decoded again.
    ///
    /// # Errors
    /// When the files cannot be read any more.
    pub(super) fn each_piece(
        &mut self,
        from_us: i64,
        to_us: i64,
        fineness: Fineness,
        lately: &mut Lately,
        mut visit: impl FnMut(PieceView<'_>),
    ) -> Result<(), Fault> {
        let mut range = self
            .places
            .touching(self.source.file(), from_us, to_us)
            .map_err(|error| Fault::file(Exit::BadInput, &self.log, &error))?;
        // Slow values that came late are in the sheet behind.
        if fineness != Fineness::Readings {
            range.end = (range.end + 1).min(self.places.count());
        }
        let recording = self.recording;
        let key = |sheet| Key {
            recording,
            sheet,
            fineness,
        };
        let mut missing = Vec::new();
        for sheet in range {
            match lately.get(key(sheet)) {
                Some(piece) => visit(piece),
                None => missing.push(sheet),
            }
        }
        for row in missing.chunk_by(|one, next| one + 1 == *next) {
            let (first, beyond) = (row[0], row[row.len() - 1] + 1);
            self.decode(first, beyond, fineness, |sheet, piece| {
                visit(piece.view());
                lately.put(key(sheet), &piece);
            })?;
        }
        Ok(())
    }

    /// Decodes sheets `first` up to `beyond`.
    fn decode(
        &mut self,
        first: usize,
        beyond: usize,
        fineness: Fineness,
        mut give: impl FnMut(usize, Piece),
    ) -> Result<(), Fault> {
        if fineness == Fineness::Readings {
            return self.decode_readings(first, beyond, give);
        }
        self.places
            .read(self.source.file(), first..beyond, |sheet, head, payload| {
                if let Some(piece) = pieces::of_sheet(head, payload, fineness) {
                    give(sheet, piece);
                }
            })
            .map_err(|error| Fault::file(Exit::BadInput, &self.log, &error))
    }

    fn decode_readings(
        &mut self,
        mut first: usize,
        beyond: usize,
        mut give: impl FnMut(usize, Piece),
    ) -> Result<(), Fault> {
        // With the one behind, whose head says where in `wire.log` the last of them ends.
        let mut heads = Vec::new();
        let with_next = (beyond + 1).min(self.places.count());
        self.places
            .read(self.source.file(), first..with_next, |_, head, _| {
                heads.push(*head);
            })
            .map_err(|error| Fault::file(Exit::BadInput, &self.log, &error))?;
        let mut heads = &heads[..];
        while first < beyond
            && let Some(head) = heads.first()
        {
            // Sheets of one start of the board hang together.
            let count = heads
                .iter()
                .take(beyond - first)
                .take_while(|other| {
                    other.boot_nonce == head.boot_nonce && other.board_less_run_us == head.board_less_run_us
                })
                .count();
            let mut apart = pieces::Apart::new(heads[..count].iter().map(Head::span_us).collect());
            let next = heads.get(count).map(|next| next.wire_offset);
            read_stretch(&self.log, head, next, &mut apart)?;
            for (sheet, piece) in (first..).zip(apart.pieces()) {
                give(sheet, piece);
            }
            first += count;
            heads = &heads[count..];
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
            cells.at(elapsed_us).take_slow(&SlowEnds::from(row));
        }
    }
}

/// The recorder's file of extremes, where there is one that this program knows.
fn recorded(folder: &Path) -> Option<File> {
    let mut file = open_unlinked(&folder.join("extremes.bin")).ok()?;
    let mut header = [0; FILE_HEADER_BYTES];
    file.read_exact(&mut header).ok()?;
    (header == file_header()).then_some(file)
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
