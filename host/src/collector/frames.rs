//! A stream of bytes to runs of whole frames, so that a recording is never cut inside one.

use steadybench_protocol::frame::FRAME_BYTES_MAX;

/// Holds the frame that has begun.
#[derive(Debug, Default)]
pub(super) struct FrameCutter {
    begun: Vec<u8>,
}

impl FrameCutter {
    /// Takes bytes and gives all frames that they complete, delimiters included; empty when none is complete. Bytes
    /// that never end are given as they are once they are longer than any frame.
    pub(super) fn take(&mut self, bytes: &[u8]) -> Vec<u8> {
        self.begun.extend_from_slice(bytes);
        let whole = match self.begun.iter().rposition(|byte| *byte == 0) {
            Some(last) => last + 1,
            None if self.begun.len() >= FRAME_BYTES_MAX => self.begun.len(),
            None => 0,
        };
        let rest = self.begun.split_off(whole);
        std::mem::replace(&mut self.begun, rest)
    }

    /// The line is gone: gives what had begun, for the record of the damage.
    pub(super) fn end(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.begun)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_come_whole_wherever_the_stream_is_cut() {
        let stream: Vec<u8> = [&[1, 2, 0][..], &[3, 0], &[0], &[4, 5, 6, 0]].concat();
        for cut in 0..=stream.len() {
            let mut cutter = FrameCutter::default();
            let mut given = cutter.take(&stream[..cut]);
            assert!(given.last().is_none_or(|last| *last == 0));
            given.extend(cutter.take(&stream[cut..]));
            assert_eq!(given, stream);
        }
    }

    #[test]
    fn bytes_that_never_end_take_no_more_memory_than_a_frame() {
        let mut cutter = FrameCutter::default();
        let mut given = 0;
        for _ in 0..1000 {
            given += cutter.take(&[7; 100]).len();
            assert!(cutter.begun.len() < FRAME_BYTES_MAX);
        }
        assert!(given + cutter.begun.len() == 100_000);
    }
}
