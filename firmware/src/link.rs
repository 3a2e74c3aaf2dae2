//! The host's loop: bytes in, frames out.

use heapless::Deque;
use steadybench_protocol::{BoardTime, Deframer, FrameBuffer, FromBoard, ToBoard};

use crate::station::{Access, Answer, Station};

/// Answers that may wait; input waits when there are more.
const ANSWERS: usize = 8;

/// The board's end of the serial link, owned by the loop that serves it.
///
/// Answers go out before readings, so that a command is not held up by a full buffer, except the answers to start and
/// stop: they say which readings belong before them, so they go out behind those.
#[derive(Debug)]
pub struct Link {
    deframer: Deframer,
    frame: FrameBuffer,
    answers: Deque<Answer, ANSWERS>,
}

impl Default for Link {
    fn default() -> Self {
        Self::new()
    }
}

impl Link {
    /// A link on which nothing has been heard.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            deframer: Deframer::new(),
            frame: FrameBuffer::new(),
            answers: Deque::new(),
        }
    }

    /// Forgets half a frame and the answers owed: the port was opened anew, by another program for all the board knows.
    pub fn opened(&mut self) {
        self.deframer.reset();
        self.answers.clear();
    }

    /// Takes bytes that arrived at `now` and carries out the commands in them.
    ///
    /// Bytes are left in `bytes` when answers must go out first: send what [`Self::next_frame`] gives, then call again
    /// with the rest. While the answer to a start or stop is owed, nothing more is taken.
    pub fn bytes_in(&mut self, shared: &impl Access, now: BoardTime, bytes: &mut &[u8]) {
        while !self.answers.is_full() && !self.answers.back().is_some_and(Answer::waits_for_readings) {
            let Some(frame) = self.deframer.next::<ToBoard>(bytes) else {
                return;
            };
            let answer = shared.with(|station| match frame {
                Ok(command) => {
                    station.host_heard(now);
                    Some(station.command(&command, now))
                }
                Err(_) => {
                    station.frame_rejected();
                    None
                }
            });
            if let Some(answer) = answer {
                // There is room: the loop's condition says so.
                let _ = self.answers.push_back(answer);
            }
        }
    }

    /// The next frame to send, its delimiter included; `None` when there is nothing to say. `now` goes into the frame,
    /// so take it just before, and call this only when the frame can be sent.
    pub fn next_frame(&mut self, shared: &impl Access, now: BoardTime) -> Option<&[u8]> {
        // A message is some hundred bytes even where there is none, so do not carry one about for nothing.
        if self.answers.is_empty() && !shared.with(|station| station.has_message()) {
            return None;
        }
        let message = shared.with(|station| self.next_message(station, now))?;
        // Every message fits a frame, by the protocol's own assertion.
        self.frame.encode(&message).ok()
    }

    fn next_message(&mut self, station: &mut Station, now: BoardTime) -> Option<FromBoard> {
        if !station.looked() {
            return None;
        }
        if let Some(message) = station.first_of_all(now) {
            return Some(message);
        }
        if let Some(answer) = self.answers.front()
            && !answer.waits_for_readings()
        {
            let message = station.answer(*answer, now);
            self.answers.pop_front();
            return Some(message);
        }
        if let Some(message) = station.before_readings(now) {
            return Some(message);
        }
        match self.answers.front_mut() {
            Some(Answer::Started { blocks_before: 0, .. }) => self.owed(station, now),
            Some(Answer::Started { blocks_before, .. }) => {
                *blocks_before -= 1;
                match station.readings() {
                    Some(block) => Some(FromBoard::Readings(block)),
                    None => self.owed(station, now),
                }
            }
            Some(_) => match station.readings() {
                Some(block) => Some(FromBoard::Readings(block)),
                None => self.owed(station, now),
            },
            None => station.readings().map(FromBoard::Readings),
        }
    }

    fn owed(&mut self, station: &Station, now: BoardTime) -> Option<FromBoard> {
        self.answers.pop_front().map(|answer| station.answer(answer, now))
    }
}
