//! The recorder's entrance: never waits.

use std::collections::VecDeque;
use std::sync::mpsc::{SyncSender, TrySendError};
use std::sync::{Arc, Mutex, PoisonError};

use serde::Serialize;

use super::wire_log::Record;
use crate::live::Detected;

/// What the recorder is told.
#[derive(Debug)]
pub(super) enum ToRecorder {
    Entry { board: usize, entry: Entry },
    Close { reason: String },
}

/// What goes in for one board.
#[derive(Debug)]
pub(super) enum Entry {
    Record(Record),
    /// An event that was found in the records before.
    Event(Box<Detected>),
    /// Events are going to be told; none are to be looked for.
    EventsComeAlong,
}

impl Entry {
    const fn may_be_lost(&self) -> bool {
        matches!(self, Self::Record(record) if record.may_be_lost())
    }
}

/// How the recorder is doing.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct RecorderStatus {
    /// What is wrong with the disk at present, in words.
    pub trouble: Option<String>,
    /// Bytes in memory that no file holds yet.
    pub waiting_bytes: usize,
    /// Whether readings have been lost for want of room.
    pub lost: bool,
}

/// Where one board's records go in.
#[derive(Debug)]
pub struct RecordSink {
    board: usize,
    sender: SyncSender<ToRecorder>,
    status: Arc<Mutex<RecorderStatus>>,
    /// Whether received bytes were dropped since the last record that went in.
    lost: bool,
    /// What may not be dropped and found no room.
    kept: VecDeque<Entry>,
}

/// More than these can wait only when the queue has been full for hours; then the oldest goes.
const KEPT_MAX: usize = 65_536;

impl RecordSink {
    pub(super) fn new(
        board: usize,
        sender: SyncSender<ToRecorder>,
        status: Arc<Mutex<RecorderStatus>>,
    ) -> Self {
        Self {
            board,
            sender,
            status,
            lost: false,
            kept: VecDeque::new(),
        }
    }

    /// Says that whoever gives the records looks for events in them and tells these, so that the recorder need not look
    /// for them a second time. To be said before the first record.
    pub fn bring_events(&mut self) {
        self.put(Entry::EventsComeAlong);
    }

    /// Tells of an event that was found in the records given so far.
    pub fn push_event(&mut self, detected: Detected) {
        self.put(Entry::Event(Box::new(detected)));
    }

    /// Gives a record to the recorder. Received bytes that find its queue full are lost, and that is recorded; anything
    /// else waits here and goes in with the next.
    pub fn push(&mut self, record: Record) {
        self.put(Entry::Record(record));
    }

    /// As [`Self::push`], but waits for room: for runs in virtual time, whose boards can be held up.
    pub fn push_and_wait(&mut self, record: Record) {
        self.flush();
        let (board, entry) = (self.board, Entry::Record(record));
        // A recorder that has died says so when it is closed.
        let _ = self.sender.send(ToRecorder::Entry { board, entry });
    }

    fn put(&mut self, entry: Entry) {
        self.flush();
        if self.kept.is_empty() && !self.lost {
            if let Err(entry) = self.offer(entry) {
                self.keep(entry);
            }
        } else {
            self.keep(entry);
        }
    }

    fn keep(&mut self, entry: Entry) {
        if entry.may_be_lost() {
            self.lost = true;
            self.status.lock().unwrap_or_else(PoisonError::into_inner).lost = true;
            // Stated wherever some are missing: what is kept between them may hold readings too.
            if !matches!(self.kept.back(), Some(Entry::Record(Record::Lost))) {
                self.kept.push_back(Entry::Record(Record::Lost));
            }
            return;
        }
        if self.kept.len() == KEPT_MAX {
            self.kept.pop_front();
        }
        self.kept.push_back(entry);
    }

    /// Tries again to give what waits here.
    pub fn flush(&mut self) {
        while let Some(entry) = self.kept.pop_front() {
            if let Err(entry) = self.offer(entry) {
                self.kept.push_front(entry);
                return;
            }
        }
        self.lost = false;
    }

    /// Gives what waits here and waits for room: nothing follows.
    pub fn finish(&mut self) {
        let board = self.board;
        for entry in self.kept.drain(..) {
            // A recorder that has died says so when it is closed.
            let _ = self.sender.send(ToRecorder::Entry { board, entry });
        }
    }

    fn offer(&self, entry: Entry) -> Result<(), Entry> {
        let board = self.board;
        match self.sender.try_send(ToRecorder::Entry { board, entry }) {
            Ok(()) => Ok(()),
            Err(TrySendError::Full(message) | TrySendError::Disconnected(message)) => match message {
                ToRecorder::Entry { entry, .. } => Err(entry),
                ToRecorder::Close { .. } => Ok(()),
            },
        }
    }
}
