//! The recorder's entrance: never waits.

use std::collections::VecDeque;
use std::sync::mpsc::{SyncSender, TrySendError};
use std::sync::{Arc, Mutex, PoisonError};

use serde::Serialize;

use super::wire_log::Record;

/// What the recorder is told.
#[derive(Debug)]
pub(super) enum ToRecorder {
    Record { board: usize, record: Record },
    Close { reason: String },
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
    kept: VecDeque<Record>,
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

    /// Gives a record to the recorder. Received bytes that find its queue full are lost, and that is recorded; anything
    /// else waits here and goes in with the next.
    pub fn push(&mut self, record: Record) {
        self.flush();
        if self.kept.is_empty() && !self.lost {
            if let Err(record) = self.offer(record) {
                self.keep(record);
            }
        } else {
            self.keep(record);
        }
    }

    /// As [`Self::push`], but waits for room: for runs in virtual time, whose boards can be held up.
    pub fn push_and_wait(&mut self, record: Record) {
        self.flush();
        let board = self.board;
        // A recorder that has died says so when it is closed.
        let _ = self.sender.send(ToRecorder::Record { board, record });
    }

    fn keep(&mut self, record: Record) {
        if record.may_be_lost() {
            self.lost = true;
            self.status.lock().unwrap_or_else(PoisonError::into_inner).lost = true;
            // Stated wherever some are missing: what is kept between them may hold readings too.
            if self.kept.back() != Some(&Record::Lost) {
                self.kept.push_back(Record::Lost);
            }
            return;
        }
        if self.kept.len() == KEPT_MAX {
            self.kept.pop_front();
        }
        self.kept.push_back(record);
    }

    /// Tries again to give what waits here.
    pub fn flush(&mut self) {
        while let Some(record) = self.kept.pop_front() {
            if let Err(record) = self.offer(record) {
                self.kept.push_front(record);
                return;
            }
        }
        self.lost = false;
    }

    /// Gives what waits here and waits for room: nothing follows.
    pub fn finish(&mut self) {
        let board = self.board;
        for record in self.kept.drain(..) {
            // A recorder that has died says so when it is closed.
            let _ = self.sender.send(ToRecorder::Record { board, record });
        }
    }

    fn offer(&self, record: Record) -> Result<(), Record> {
        let board = self.board;
        match self.sender.try_send(ToRecorder::Record { board, record }) {
            Ok(()) => Ok(()),
            Err(TrySendError::Full(message) | TrySendError::Disconnected(message)) => match message {
                ToRecorder::Record { record, .. } => Err(record),
                ToRecorder::Close { .. } => Ok(()),
            },
        }
    }
}
