//! Replay: the way of a reading with a file in place of the port.

use std::collections::VecDeque;
use std::fs::File;
use std::path::{Path, PathBuf};

use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::Record;
use crate::recorder::wire_log::{LogItem, LogReader, LogSurvey};
use crate::stream::{Output, Stream};

/// A `wire.log` being replayed, in order and in bounded memory. Readings whose chunk is damaged come as a gap; a torn
/// tail is an end like any other.
#[derive(Debug)]
pub struct Replay {
    path: PathBuf,
    reader: LogReader<File>,
    stream: Stream,
    /// What of the chunk that was read last is still to be replayed.
    records: std::vec::IntoIter<Record>,
    ready: VecDeque<Output>,
    log: LogSurvey,
}

impl Replay {
    /// Begins.
    ///
    /// # Errors
    /// [`Exit::BadInput`] when the file cannot be read or is no recording of this program.
    pub fn open(log: &Path) -> Result<Self, Fault> {
        Ok(Self {
            path: log.to_owned(),
            reader: LogReader::open(log)?,
            stream: Stream::new(),
            records: Vec::new().into_iter(),
            ready: VecDeque::new(),
            log: LogSurvey::default(),
        })
    }

    /// What comes next; `None` at the end.
    ///
    /// # Errors
    /// [`Exit::BadInput`] when the file cannot be read any further.
    pub fn next_output(&mut self) -> Result<Option<Output>, Fault> {
        let mut ready = std::mem::take(&mut self.ready);
        while ready.is_empty() && self.read_on(&mut |output| ready.push_back(output))? {}
        self.ready = ready;
        Ok(self.ready.pop_front())
    }

    /// Gives all that comes, in order.
    ///
    /// # Errors
    /// As [`Self::next_output`].
    pub fn each_output(&mut self, take: &mut impl FnMut(Output)) -> Result<(), Fault> {
        self.ready.drain(..).for_each(&mut *take);
        while self.read_on(take)? {}
        Ok(())
    }

    /// Reads on by a record, or by what stands in place of a chunk; false at the end. What a whole chunk gives, held at
    /// once, would take far more room than the chunk.
    fn read_on(&mut self, out: &mut impl FnMut(Output)) -> Result<bool, Fault> {
        if let Some(record) = self.records.next() {
            self.stream.take(&record, out);
            return Ok(true);
        }
        let item = self
            .reader
            .next_item()
            .map_err(|rule| Fault::new(Exit::BadInput, self.path.display().to_string(), rule))?;
        let Some(item) = item else { return Ok(false) };
        self.log.take(&item);
        match item {
            LogItem::Chunk { records, .. } => self.records = records.into_iter(),
            LogItem::Damage { .. } => self.stream.take(&Record::Lost, out),
            LogItem::TornTail { .. } => {}
        }
        Ok(true)
    }

    /// The stream so far: counts, the board's last hello, the clock.
    #[must_use]
    pub const fn stream(&self) -> &Stream {
        &self.stream
    }

    /// What the recording holds and lacks, so far.
    #[must_use]
    pub const fn log(&self) -> LogSurvey {
        self.log
    }
}
