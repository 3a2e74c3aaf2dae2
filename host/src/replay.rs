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
        while ready.is_empty() && self.read_chunk(&mut |output| ready.push_back(output))? {}
        self.ready = ready;
        Ok(self.ready.pop_front())
    }

    /// Gives all that comes, in order.
    ///
    /// # Errors
    /// As [`Self::next_output`].
    pub fn each_output(&mut self, take: &mut impl FnMut(Output)) -> Result<(), Fault> {
        self.ready.drain(..).for_each(&mut *take);
        while self.read_chunk(take)? {}
        Ok(())
    }

    /// Reads on by a chunk, or by what stands in place of one; false at the end.
    fn read_chunk(&mut self, out: &mut impl FnMut(Output)) -> Result<bool, Fault> {
        let item = self
            .reader
            .next_item()
            .map_err(|rule| Fault::new(Exit::BadInput, self.path.display().to_string(), rule))?;
        let Some(item) = item else { return Ok(false) };
        self.log.take(&item);
        match item {
            LogItem::Chunk { records, .. } => {
                for record in &records {
                    self.stream.take(record, out);
                }
            }
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
