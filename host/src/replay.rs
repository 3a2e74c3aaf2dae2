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
        while self.ready.is_empty() {
            let item = self
                .reader
                .next_item()
                .map_err(|rule| Fault::new(Exit::BadInput, self.path.display().to_string(), rule))?;
            let Some(item) = item else { return Ok(None) };
            self.log.take(&item);
            let Self { stream, ready, .. } = self;
            let mut out = |output| ready.push_back(output);
            match item {
                LogItem::Chunk { records, .. } => {
                    for record in &records {
                        stream.take(record, &mut out);
                    }
                }
                LogItem::Damage { .. } => stream.take(&Record::Lost, &mut out),
                LogItem::TornTail { .. } => {}
            }
        }
        Ok(self.ready.pop_front())
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
