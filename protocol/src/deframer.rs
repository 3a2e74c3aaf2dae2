//! A stream of bytes, cut anywhere, to whole frames.

use serde::de::DeserializeOwned;

use crate::frame::{CHECKED_BYTES_MAX, CRC_BYTES, FRAME_BYTES_MAX, checksum};
use crate::stuffing::unstuff;

/// Why the bytes between two delimiters are no message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameFault {
    /// More bytes without a delimiter than any frame has.
    Oversized,
    /// Not a COBS encoding.
    Stuffing,
    /// Too short to hold a checksum and a body.
    Short,
    /// The checksum does not belong to the body.
    Checksum,
    /// The checksum is right and the body is no message of this version.
    Body,
}

impl core::fmt::Display for FrameFault {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Oversized => "more bytes without a delimiter than any frame has",
            Self::Stuffing => "not a COBS encoding",
            Self::Short => "too short to hold a checksum and a body",
            Self::Checksum => "the checksum does not belong to the body",
            Self::Body => "the body is no message of this version",
        })
    }
}

impl core::error::Error for FrameFault {}

/// Cuts a stream into frames and opens them.
///
/// It never looks past the next delimiter, so whatever happened to the bytes of one frame cannot reach the next; it
/// holds at most one frame's bytes, so its memory does not depend on what arrives.
#[derive(Clone, Debug)]
pub struct Deframer {
    held: heapless::Vec<u8, FRAME_BYTES_MAX>,
    overrun: bool,
    checked: [u8; CHECKED_BYTES_MAX],
}

impl Default for Deframer {
    fn default() -> Self {
        Self::new()
    }
}

impl Deframer {
    /// A deframer at the start of a stream.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            held: heapless::Vec::new(),
            overrun: false,
            checked: [0; CHECKED_BYTES_MAX],
        }
    }

    /// Forgets a frame that has begun, as after the stream was opened anew.
    pub fn reset(&mut self) {
        self.held.clear();
        self.overrun = false;
    }

    /// Takes bytes from the front of `input` up to and including the next delimiter, and opens what stood before it.
    ///
    /// `None` means that `input` is used up. Empty frames, which a sender may put anywhere, are passed over.
    pub fn next<M: DeserializeOwned>(&mut self, input: &mut &[u8]) -> Option<Result<M, FrameFault>> {
        self.next_body(input).map(|body| {
            let (message, rest) = postcard::take_from_bytes(body?).map_err(|_| FrameFault::Body)?;
            if rest.is_empty() {
                Ok(message)
            } else {
                Err(FrameFault::Body)
            }
        })
    }

    /// As [`Self::next`], but gives the body of the frame, its checksum already verified and taken off.
    pub fn next_body(&mut self, input: &mut &[u8]) -> Option<Result<&[u8], FrameFault>> {
        loop {
            let Some(end) = memchr::memchr(0, input) else {
                self.hold(input);
                *input = &[];
                return None;
            };
            let (piece, rest) = input.split_at(end);
            *input = &rest[1..];
            if self.held.is_empty() && !self.overrun {
                if piece.is_empty() {
                    continue;
                }
                return Some(open(piece, &mut self.checked));
            }
            self.hold(piece);
            let outcome = if self.overrun {
                Err(FrameFault::Oversized)
            } else {
                open(&self.held, &mut self.checked)
            };
            self.held.clear();
            self.overrun = false;
            return Some(outcome);
        }
    }

    fn hold(&mut self, piece: &[u8]) {
        if self.overrun || self.held.extend_from_slice(piece).is_err() {
            self.overrun = true;
            self.held.clear();
        }
    }
}

/// Undoes COBS and the checksum of the bytes between two delimiters.
fn open<'a>(stuffed: &[u8], checked: &'a mut [u8; CHECKED_BYTES_MAX]) -> Result<&'a [u8], FrameFault> {
    if stuffed.len() >= FRAME_BYTES_MAX {
        return Err(FrameFault::Oversized);
    }
    let checked = unstuff(stuffed, checked).ok_or(FrameFault::Stuffing)?;
    match checked.split_last_chunk::<CRC_BYTES>() {
        None | Some(([], _)) => Err(FrameFault::Short),
        Some((body, crc)) if checksum(body) == u32::from_le_bytes(*crc) => Ok(body),
        Some(_) => Err(FrameFault::Checksum),
    }
}

/// Reads the protocol version out of the body of a hello of any version, even one whose rest is not understood.
///
/// `None` when the body is not a hello.
#[must_use]
pub fn protocol_version_of_hello(body: &[u8]) -> Option<u16> {
    // The variant's number may be written longer than it need be.
    if !matches!(body.first(), Some(0 | 0x80..)) {
        return None;
    }
    match postcard::take_from_bytes::<(u32, u16)>(body) {
        Ok(((0, version), _)) => Some(version),
        _ => None,
    }
}
