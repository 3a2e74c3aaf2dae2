//! The thread that waits for the disk to confirm what was appended, so that nobody else has to.

use std::io;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

use super::files::Confirmation;
use super::spool::Claim;

/// A file of a board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct FileOfBoard {
    /// Which board.
    pub(super) board: usize,
    /// Which of its files.
    pub(super) file: usize,
}

/// What is to be confirmed.
pub(super) type Asked = (FileOfBoard, Claim, Confirmation);

/// What the disk said.
pub(super) type Answered = (FileOfBoard, Claim, io::Result<()>);

/// One round at a time: every file that has grown.
pub(super) struct Confirmer {
    ask: Sender<Vec<Asked>>,
    answers: Receiver<Vec<Answered>>,
    under_way: bool,
}

impl Confirmer {
    /// Starts the thread; it ends when this is dropped and the disk has answered.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub(super) fn start() -> io::Result<Self> {
        let (ask, asked) = channel::<Vec<Asked>>();
        let (answer, answers) = channel();
        std::thread::Builder::new()
            .name("confirmer".into())
            .spawn(move || {
                while let Ok(round) = asked.recv() {
                    let answered = round
                        .into_iter()
                        .map(|(file, claim, confirmation)| (file, claim, confirmation()))
                        .collect();
                    if answer.send(answered).is_err() {
                        return;
                    }
                }
            })?;
        Ok(Self {
            ask,
            answers,
            under_way: false,
        })
    }

    /// What the disk has said since this was last asked, `None` while it has not; waits for it at most so long.
    pub(super) fn answers(&mut self, patience: Duration) -> Option<Vec<Answered>> {
        if !self.under_way {
            return None;
        }
        match self.answers.recv_timeout(patience) {
            Ok(answered) => {
                self.under_way = false;
                Some(answered)
            }
            Err(RecvTimeoutError::Timeout) => None,
            // The thread has died, and says nothing any more.
            Err(RecvTimeoutError::Disconnected) => {
                self.under_way = false;
                None
            }
        }
    }

    /// Whether it waits for the disk.
    pub(super) const fn is_waiting(&self) -> bool {
        self.under_way
    }

    /// Asks the disk; only when it has answered the round before.
    pub(super) fn ask(&mut self, round: Vec<Asked>) {
        self.under_way |= !round.is_empty() && self.ask.send(round).is_ok();
    }
}
