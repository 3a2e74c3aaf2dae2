//! Replay: the way of a reading with a file in place of the port.

use std::path::Path;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::Record;
use crate::recorder::wire_log::{LogItem, LogReader, LogSurvey};
use crate::stream::{Output, Stream};

/// What a replay ended in.
#[derive(Debug)]
pub struct Replayed {
    /// The stream at the end: counts, the board's last hello, the clock.
    pub stream: Stream,
    /// What the recording holds and lacks.
    pub log: LogSurvey,
}

/// Reads a `wire.log` and gives everything in it to `out`, in order and in bounded memory. Readings whose chunk is
/// damaged come as a gap; a torn tail is normal.
///
/// # Errors
/// [`Exit::BadInput`] when the file cannot be read or is no recording of this program.
pub fn replay(log: &Path, mut out: impl FnMut(Output)) -> Result<Replayed, Fault> {
    let fault = |rule| Fault::new(Exit::BadInput, log.display().to_string(), rule);
    let mut reader = LogReader::open(log)?;
    let mut stream = Stream::new();
    let mut survey = LogSurvey::default();
    while let Some(item) = reader.next_item().map_err(fault)? {
        survey.take(&item);
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
    Ok(Replayed { stream, log: survey })
}
