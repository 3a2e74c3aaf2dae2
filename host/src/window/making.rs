//! Extremes that the recorder did not leave, made from `wire.log` on a thread of their own: hours of readings take longer
//! than a request may.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::Duration;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::Record;
use crate::recorder::wire_log::{LogItem, LogReader};
use crate::stream::{Output, Stream};

use super::sheet::{SheetWriter, file_header};

/// A recording shorter than this is made while the request waits: it takes some hundredths of a second.
pub(super) const AT_ONCE_BYTES: u64 = 1 << 20;

/// Extremes that were made, in a file without a name.
#[derive(Debug)]
pub(super) struct Made {
    pub(super) file: File,
    /// Bytes that `wire.log` had.
    pub(super) of_bytes: u64,
}

/// One recording on the way.
#[derive(Debug)]
pub(super) struct Making {
    log_bytes: u64,
    read_bytes: AtomicU64,
    outcome: Mutex<Option<Result<Made, Fault>>>,
    over: Condvar,
}

impl Making {
    /// Begins. One recording is made at a time, whoever has the `turn`.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub(super) fn begin(log: PathBuf, turn: Arc<Mutex<()>>) -> Result<Arc<Self>, Fault> {
        let making = Arc::new(Self {
            log_bytes: bytes_of(&log),
            read_bytes: AtomicU64::new(0),
            outcome: Mutex::default(),
            over: Condvar::new(),
        });
        let shared = Arc::clone(&making);
        std::thread::Builder::new()
            .name("extremes".into())
            .spawn(move || {
                let _turn = turn.lock().unwrap_or_else(PoisonError::into_inner);
                let made = make(&log, |read_bytes| {
                    shared.read_bytes.store(read_bytes, Ordering::Relaxed);
                    // Nobody waits for it any more: the last to hold it is this thread.
                    Arc::strong_count(&shared) > 1
                });
                *shared.outcome.lock().unwrap_or_else(PoisonError::into_inner) = Some(made);
                shared.over.notify_all();
            })
            .map_err(|error| Fault::new(Exit::Failed, "a thread for the extremes", error.to_string()))?;
        Ok(making)
    }

    /// Share of the recording that was read.
    pub(super) fn share(&self) -> f64 {
        self.read_bytes.load(Ordering::Relaxed) as f64 / self.log_bytes.max(1) as f64
    }

    /// The outcome, if it is there within `patience`; given once.
    pub(super) fn outcome(&self, patience: Duration) -> Option<Result<Made, Fault>> {
        let outcome = self.outcome.lock().unwrap_or_else(PoisonError::into_inner);
        let (mut outcome, _) = self
            .over
            .wait_timeout_while(outcome, patience, |outcome| outcome.is_none())
            .unwrap_or_else(PoisonError::into_inner);
        outcome.take()
    }
}

pub(super) fn bytes_of(log: &Path) -> u64 {
    std::fs::metadata(log).map_or(0, |metadata| metadata.len())
}

/// Makes extremes from a recording. `goes_on` is told how many bytes were read, and says whether to go on.
///
/// # Errors
/// [`Exit::BadInput`] when there is no recording, or it cannot be read; [`Exit::Failed`] when there is no room for them, or
/// they are not wanted any more.
pub(super) fn make(log: &Path, goes_on: impl Fn(u64) -> bool) -> Result<Made, Fault> {
    let bad = |rule: String| Fault::new(Exit::BadInput, log.display().to_string(), rule);
    let disk = |error: std::io::Error| Fault::new(Exit::Failed, "a temporary file", error.to_string());
    let of_bytes = bytes_of(log);
    let mut file = tempfile::tempfile().map_err(disk)?;
    file.write_all(&file_header()).map_err(disk)?;
    let mut reader = LogReader::open(log)?;
    let mut stream = Stream::new();
    let mut writer: Option<SheetWriter> = None;
    let mut out = Vec::new();
    loop {
        let at = reader.position();
        if !goes_on(at) {
            return Err(Fault::new(
                Exit::Failed,
                "the extremes",
                "nobody waits for them any more",
            ));
        }
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
    Ok(Made { file, of_bytes })
}
