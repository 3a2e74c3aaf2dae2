//! An open port on two threads: one reads and stamps, one stamps and writes.

use std::io::{ErrorKind, Read, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use steadybench_protocol::{FrameBuffer, ToBoard};
use tokio::sync::mpsc;

use crate::clock::HostTime;
use crate::fault::plain_reason;

use super::connection::{Connection, READ_TIMEOUT};

/// Reads waiting for the collector. When they are full the reader waits, the system's buffer fills, and the board's own
/// buffer rides it out.
const INCOMING_MAX: usize = 4096;

/// Messages waiting to be written; the conversation never has more than a few under way.
const OUTGOING_MAX: usize = 64;

/// Bytes taken in one read.
const READ_BYTES: usize = 4096;

/// What comes from the line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Incoming {
    /// Bytes, and when the read that took them returned.
    Bytes {
        /// When.
        at: HostTime,
        /// What.
        bytes: Vec<u8>,
    },
    /// A time request is about to be written; it always precedes the reply.
    TimeSent {
        /// The request's number.
        number: u32,
        /// T1.
        at: HostTime,
    },
    /// The line is gone; nothing follows.
    Closed {
        /// When that was noticed.
        at: HostTime,
        /// Why, in the system's words.
        reason: String,
    },
}

/// A port being read and written. Dropping it ends both threads and closes the port.
#[derive(Debug)]
pub struct Line {
    incoming: Option<mpsc::Receiver<Incoming>>,
    outgoing: Option<SyncSender<ToBoard>>,
    stop: Arc<AtomicBool>,
    threads: Vec<JoinHandle<()>>,
}

impl Line {
    /// Starts reading and writing; `start` is the zero of the monotonic stamps.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(connection: Connection, start: Instant) -> std::io::Result<Self> {
        let (incoming_sender, incoming) = mpsc::channel(INCOMING_MAX);
        let (outgoing, outgoing_receiver) = sync_channel(OUTGOING_MAX);
        let stop = Arc::new(AtomicBool::new(false));
        let Connection {
            reader,
            writer,
            bench: keep,
            name,
            usb_serial: _,
        } = connection;
        let mut line = Self {
            incoming: Some(incoming),
            outgoing: Some(outgoing),
            stop: Arc::clone(&stop),
            threads: Vec::with_capacity(2),
        };
        let sender = incoming_sender.clone();
        let stopped = Arc::clone(&stop);
        line.threads.push(
            std::thread::Builder::new()
                .name(format!("read {name}"))
                .spawn(move || {
                    read(reader, &sender, &stopped, start);
                    drop(keep);
                })?,
        );
        line.threads.push(
            std::thread::Builder::new()
                .name(format!("write {name}"))
                .spawn(move || {
                    write(writer, &outgoing_receiver, &incoming_sender, &stop, start);
                })?,
        );
        Ok(line)
    }

    /// The next thing from the line; `None` after [`Incoming::Closed`]. Cancelling it loses nothing.
    pub async fn next(&mut self) -> Option<Incoming> {
        match &mut self.incoming {
            Some(incoming) => incoming.recv().await,
            None => None,
        }
    }

    /// What has come already and was not taken; `None` when there is nothing.
    pub fn waiting(&mut self) -> Option<Incoming> {
        self.incoming.as_mut()?.try_recv().ok()
    }

    /// Queues a message; false when the line does not take any more, as when the far end has stopped reading.
    pub fn send(&self, message: ToBoard) -> bool {
        match &self.outgoing {
            Some(outgoing) => match outgoing.try_send(message) {
                Ok(()) => true,
                Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) => false,
            },
            None => false,
        }
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        self.outgoing = None;
        // A reader that waits for room must find the receiver gone before it is waited for.
        self.incoming = None;
        for thread in self.threads.drain(..) {
            let _ = thread.join();
        }
    }
}

fn read(
    mut reader: Box<dyn Read + Send>,
    sender: &mpsc::Sender<Incoming>,
    stop: &AtomicBool,
    start: Instant,
) {
    let mut buffer = vec![0; READ_BYTES];
    while !stop.load(Ordering::Relaxed) {
        let outcome = reader.read(&mut buffer);
        let at = HostTime::now(start);
        let message = match outcome {
            Ok(0) => Incoming::Closed {
                at,
                reason: "the far end hung up".into(),
            },
            Ok(count) => Incoming::Bytes {
                at,
                bytes: buffer[..count].to_vec(),
            },
            Err(error) => match error.kind() {
                ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted => continue,
                _ => Incoming::Closed {
                    at,
                    reason: plain_reason(&error),
                },
            },
        };
        let closed = matches!(message, Incoming::Closed { .. });
        if sender.blocking_send(message).is_err() || closed {
            return;
        }
    }
}

fn write(
    mut writer: Box<dyn Write + Send>,
    messages: &Receiver<ToBoard>,
    sender: &mpsc::Sender<Incoming>,
    stop: &AtomicBool,
    start: Instant,
) {
    let mut buffer = FrameBuffer::new();
    while let Ok(mut message) = messages.recv() {
        if stop.load(Ordering::Relaxed) {
            return;
        }
        if let ToBoard::TimeRequest(request) = &mut message {
            let at = HostTime::now(start);
            request.host_send_ns = at.monotonic_ns;
            let sent = Incoming::TimeSent {
                number: request.number,
                at,
            };
            if sender.blocking_send(sent).is_err() {
                return;
            }
        }
        let Ok(frame) = buffer.encode(&message) else {
            continue;
        };
        if let Err(error) = write_whole(&mut *writer, frame, stop) {
            let at = HostTime::now(start);
            let reason = plain_reason(&error);
            let _ = sender.blocking_send(Incoming::Closed { at, reason });
            return;
        }
    }
}

/// Writes all of `frame`, waiting for a far end that is slow to take it, until told to stop.
fn write_whole(writer: &mut dyn Write, mut frame: &[u8], stop: &AtomicBool) -> std::io::Result<()> {
    while !frame.is_empty() {
        match writer.write(frame) {
            Ok(0) => return Err(ErrorKind::WriteZero.into()),
            Ok(written) => frame = &frame[written..],
            Err(error) => match error.kind() {
                ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::Interrupted => {
                    if stop.load(Ordering::Relaxed) {
                        return Ok(());
                    }
                    std::thread::sleep(Duration::min(READ_TIMEOUT, Duration::from_millis(5)));
                }
                _ => return Err(error),
            },
        }
    }
    Ok(())
}
