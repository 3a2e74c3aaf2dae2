//! Reads `wire.log` back, whole or torn.

use std::fs::File;
use std::io::{ErrorKind, Read, Seek, SeekFrom};
use std::path::Path;

use crate::exit::Exit;
use crate::fault::Fault;

use super::chunk::{
    CHUNK_HEADER_BYTES, CHUNK_MARKER, ChunkHeader, FILE_HEADER_BYTES, FILE_MAGIC, FORMAT_VERSION,
    FORMAT_VERSION_1, STORED_BYTES_MAX,
};
use super::record::Record;

/// Bytes asked of the file at once.
const READ_BYTES: usize = 1 << 16;

/// What a log gives, in order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LogItem {
    /// A whole chunk.
    Chunk {
        /// Its header.
        header: ChunkHeader,
        /// Its records.
        records: Vec<Record>,
    },
    /// Bytes between whole chunks that are none; the chunks that stood there are lost.
    Damage {
        /// How many bytes.
        bytes: u64,
        /// How many chunks are missing, by their numbers.
        chunks: u32,
    },
    /// Bytes behind the last whole chunk: the write that was under way when the power went. At most the last second is
    /// in them. Nothing follows.
    TornTail {
        /// How many bytes.
        bytes: u64,
    },
}

/// Reads a log chunk by chunk in bounded memory. After damage it goes on with the next whole chunk.
///
/// A chunk is taken only when its checksum holds, so no torn, cut or altered byte ever becomes a reading.
#[derive(Debug)]
pub struct LogReader<R> {
    source: R,
    held: Vec<u8>,
    at: usize,
    /// Where in the file what is held ends.
    read: u64,
    ended: bool,
    next_sequence: u32,
    headers_only: bool,
    version: u16,
}

impl LogReader<File> {
    /// Opens a file.
    ///
    /// # Errors
    /// [`Exit::BadInput`] when it cannot be read, is a link, is no such log, or is of a version that this program does
    /// not know.
    pub fn open(path: &Path) -> Result<Self, Fault> {
        // A job may come from anybody, and a link in it may lead anywhere.
        if path.is_symlink() {
            let rule = "it is a link, and what it leads to is not this run's";
            return Err(Fault::new(Exit::BadInput, path.display().to_string(), rule)
                .remedy("put the file itself there, or name it"));
        }
        let file = File::open(path).map_err(|error| Fault::file(Exit::BadInput, path, &error))?;
        LogReader::new(file).map_err(|rule| Fault::new(Exit::BadInput, path.display().to_string(), rule))
    }

    /// Opens a file at a place where a chunk begins, as [`LogReader::position`] gave it.
    ///
    /// # Errors
    /// As [`LogReader::open`].
    pub fn open_at(path: &Path, position: u64) -> Result<Self, Fault> {
        let mut reader = Self::open(path)?;
        if position > FILE_HEADER_BYTES as u64 {
            reader
                .source
                .seek(SeekFrom::Start(position))
                .map_err(|error| Fault::file(Exit::BadInput, path, &error))?;
            reader.held.clear();
            reader.at = 0;
            reader.ended = false;
            reader.read = position;
        }
        Ok(reader)
    }
}

impl<R: Read> LogReader<R> {
    /// Begins to read; the file header has to be whole.
    ///
    /// # Errors
    /// In words, when the bytes are no such log, or of a version that this program does not know. A file that was cut
    /// within its header is a log with nothing in it.
    pub fn new(source: R) -> Result<Self, String> {
        let mut reader = Self {
            source,
            held: Vec::new(),
            at: 0,
            read: 0,
            ended: false,
            next_sequence: 0,
            headers_only: false,
            version: FORMAT_VERSION,
        };
        reader.fill(FILE_HEADER_BYTES)?;
        let held = &reader.held;
        let name = held.len().min(FILE_MAGIC.len());
        if held[..name] != FILE_MAGIC[..name] {
            return Err("it is not a recording of this program".into());
        }
        if held.len() >= FILE_HEADER_BYTES {
            let version = u16::from_le_bytes([held[8], held[9]]);
            if ![FORMAT_VERSION_1, FORMAT_VERSION].contains(&version) {
                return Err(format!(
                    "it is of format {version}; this program reads formats {FORMAT_VERSION_1} to {FORMAT_VERSION}"
                ));
            }
            reader.version = version;
            reader.at = FILE_HEADER_BYTES;
        }
        Ok(reader)
    }

    /// Where in the file the next item begins.
    #[must_use]
    pub const fn position(&self) -> u64 {
        self.read - (self.held.len() - self.at) as u64
    }

    /// Passes over the records of each chunk, which come as none; they are still proved whole.
    #[must_use]
    pub fn headers_only(mut self) -> Self {
        self.headers_only = true;
        self
    }

    /// The next item; `None` at the end.
    ///
    /// # Errors
    /// In words, when the file cannot be read any further.
    pub fn next_item(&mut self) -> Result<Option<LogItem>, String> {
        let mut skipped = 0_u64;
        loop {
            self.fill(CHUNK_HEADER_BYTES)?;
            let waiting = &self.held[self.at..];
            let Some(header_bytes) = waiting.first_chunk::<CHUNK_HEADER_BYTES>().copied() else {
                let bytes = skipped + waiting.len() as u64;
                self.at = self.held.len();
                return Ok((bytes > 0).then_some(LogItem::TornTail { bytes }));
            };
            if let Some(header) = ChunkHeader::read(&header_bytes) {
                let whole = CHUNK_HEADER_BYTES + header.stored_bytes as usize;
                self.fill(whole)?;
                let payload = self.held[self.at..].get(CHUNK_HEADER_BYTES..whole);
                if let Some(payload) = payload
                    && header.proves(&header_bytes, payload)
                {
                    if skipped > 0 {
                        let chunks = header.sequence.saturating_sub(self.next_sequence);
                        // The chunk is read again at the next call, from where it stands.
                        self.next_sequence = header.sequence;
                        return Ok(Some(LogItem::Damage {
                            bytes: skipped,
                            chunks,
                        }));
                    }
                    let records = if self.headers_only {
                        Vec::new()
                    } else {
                        header.open(self.version, payload)?
                    };
                    self.at += whole;
                    self.next_sequence = header.sequence.wrapping_add(1);
                    return Ok(Some(LogItem::Chunk { header, records }));
                }
            }
            let step = self.to_next_marker();
            self.at += step;
            skipped += step as u64;
        }
    }

    /// Bytes to the next place where a chunk may begin, at least one.
    fn to_next_marker(&self) -> usize {
        let waiting = &self.held[self.at..];
        let found = waiting[1..]
            .windows(CHUNK_MARKER.len())
            .position(|window| window == CHUNK_MARKER);
        match found {
            Some(position) => position + 1,
            // A marker may have begun in the last bytes held.
            None => (waiting.len() + 1).saturating_sub(CHUNK_MARKER.len()).max(1),
        }
    }

    /// Holds at least `count` unread bytes, or all there are.
    fn fill(&mut self, count: usize) -> Result<(), String> {
        while !self.ended && self.held.len() - self.at < count {
            if self.at > STORED_BYTES_MAX {
                self.held.drain(..self.at);
                self.at = 0;
            }
            let before = self.held.len();
            self.held.resize(before + READ_BYTES, 0);
            match self.source.read(&mut self.held[before..]) {
                Ok(0) => {
                    self.held.truncate(before);
                    self.ended = true;
                }
                Ok(taken) => {
                    self.held.truncate(before + taken);
                    self.read += taken as u64;
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => self.held.truncate(before),
                Err(error) => return Err(format!("it cannot be read any further: {error}")),
            }
        }
        Ok(())
    }
}

/// When the last reading that can be read back was taken, in microseconds since 1970, and what is wrong with the log.
///
/// # Errors
/// As [`LogReader::open`] and [`LogReader::next_item`].
pub fn survey(path: &Path) -> Result<LogSurvey, Fault> {
    let mut reader = LogReader::open(path)?.headers_only();
    let mut survey = LogSurvey::default();
    let fault = |rule| Fault::new(Exit::BadInput, path.display().to_string(), rule);
    while let Some(item) = reader.next_item().map_err(fault)? {
        survey.take(&item);
    }
    Ok(survey)
}

/// What a log holds and lacks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LogSurvey {
    /// Whole chunks.
    pub chunks: u64,
    /// UTC of the last reading in the last whole chunk that has one, in microseconds since 1970.
    pub until_utc_us: Option<i64>,
    /// Bytes between whole chunks that are none.
    pub damaged_bytes: u64,
    /// Chunks missing there.
    pub missing_chunks: u32,
    /// Bytes of the write that was under way at the end.
    pub torn_bytes: u64,
}

impl LogSurvey {
    /// Counts an item in.
    pub fn take(&mut self, item: &LogItem) {
        match item {
            LogItem::Chunk { header, .. } => {
                self.chunks += 1;
                self.until_utc_us = header.until_utc_us.or(self.until_utc_us);
            }
            LogItem::Damage { bytes, chunks } => {
                self.damaged_bytes += bytes;
                self.missing_chunks += chunks;
            }
            LogItem::TornTail { bytes } => self.torn_bytes = *bytes,
        }
    }
}
