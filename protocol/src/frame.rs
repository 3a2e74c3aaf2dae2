//! One message to one frame and back: postcard body, CRC-32/ISO-HDLC, COBS, zero delimiter.

use crc::{CRC_32_ISO_HDLC, Crc, Table};
use postcard::experimental::max_size::MaxSize;
use serde::Serialize;

use crate::from_board::FromBoard;
use crate::stuffing::stuff;
use crate::to_board::ToBoard;

/// CRC-32/ISO-HDLC: polynomial 04C11DB7, reflected, start and final XOR all ones; check value CBF43926.
static CRC: Crc<u32, Table<CRC_LANES>> = Crc::<u32, Table<CRC_LANES>>::new(&CRC_32_ISO_HDLC);

/// One table (1 KiB) on a microcontroller, sixteen on a machine with memory to spare.
const CRC_LANES: usize = if cfg!(target_pointer_width = "64") { 16 } else { 1 };

/// Bytes of the checksum behind a body.
pub(crate) const CRC_BYTES: usize = size_of::<u32>();

/// Bytes of the longest body that either direction has.
pub const BODY_BYTES_MAX: usize = max(FromBoard::POSTCARD_MAX_SIZE, ToBoard::POSTCARD_MAX_SIZE);

/// Bytes of the longest body with its checksum.
pub(crate) const CHECKED_BYTES_MAX: usize = BODY_BYTES_MAX + CRC_BYTES;

/// Bytes of the longest frame, its delimiter included: COBS adds one byte for each 254 begun.
pub const FRAME_BYTES_MAX: usize = CHECKED_BYTES_MAX + CHECKED_BYTES_MAX.div_ceil(254) + 1;

// SPEC.md, section 2, states these; a change to any message that moves them must be made in both places.
const _: () = assert!(FromBoard::POSTCARD_MAX_SIZE == 235);
const _: () = assert!(ToBoard::POSTCARD_MAX_SIZE == 30);
const _: () = assert!(FRAME_BYTES_MAX == 241);

const fn max(a: usize, b: usize) -> usize {
    if a > b { a } else { b }
}

/// Checksum of a body.
pub(crate) fn checksum(body: &[u8]) -> u32 {
    CRC.checksum(body)
}

/// The message does not fit a frame. No message of this crate's two enums can cause it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EncodeError;

impl core::fmt::Display for EncodeError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "the message does not fit a body of {BODY_BYTES_MAX} bytes")
    }
}

impl core::error::Error for EncodeError {}

/// Room to make frames in, kept by whoever sends.
#[derive(Clone, Debug)]
pub struct FrameBuffer {
    checked: [u8; CHECKED_BYTES_MAX],
    frame: [u8; FRAME_BYTES_MAX],
}

impl Default for FrameBuffer {
    fn default() -> Self {
        Self::new()
    }
}

impl FrameBuffer {
    /// An empty buffer.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            checked: [0; CHECKED_BYTES_MAX],
            frame: [0; FRAME_BYTES_MAX],
        }
    }

    /// Makes the frame of `message`, delimiter included.
    ///
    /// # Errors
    /// [`EncodeError`] when the message is longer than [`BODY_BYTES_MAX`], which neither [`FromBoard`] nor [`ToBoard`]
    /// can be.
    pub fn encode<M: Serialize>(&mut self, message: &M) -> Result<&[u8], EncodeError> {
        let body_len = postcard::to_slice(message, &mut self.checked[..BODY_BYTES_MAX])
            .map_err(|_| EncodeError)?
            .len();
        let crc = checksum(&self.checked[..body_len]);
        let checked_len = body_len + CRC_BYTES;
        self.checked[body_len..checked_len].copy_from_slice(&crc.to_le_bytes());
        let encoded = stuff(&self.checked[..checked_len], &mut self.frame).ok_or(EncodeError)?;
        let delimiter = self.frame.get_mut(encoded).ok_or(EncodeError)?;
        *delimiter = 0;
        Ok(&self.frame[..=encoded])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The check value of CRC-32/ISO-HDLC, as the crate `crc-catalog` 2.5.0 lists it.
    #[test]
    fn checksum_has_the_catalogued_check_value() {
        assert_eq!(checksum(b"123456789"), 0xCBF4_3926);
    }
}
