//! The body of a block, read in one pass.
//!
//! Nearly all that ever comes from a board is blocks, and what reads any message of any enum takes several times as long
//! for them as their bytes need. This reads the same bytes to the same block and refuses the same ones; the tests hold
//! it against postcard.

use heapless::Vec;

use crate::limits::{CURRENT_CODE_MAX, CURRENT_CODE_MIN, READINGS_PER_BLOCK_MAX};
use crate::quantities::BoardTime;
use crate::readings::{ChannelCodes, ReadingsBlock, WireBlock};

/// Bytes that have not been read yet.
struct Bytes<'a>(&'a [u8]);

impl Bytes<'_> {
    #[inline]
    fn byte(&mut self) -> Option<u8> {
        let (first, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(*first)
    }

    /// A number of so many bits: seven in each byte, the lowest first, the highest bit of a byte saying that more follow.
    #[inline]
    fn number(&mut self, bits: u32) -> Option<u64> {
        let first = self.byte()?;
        if first < 0x80 {
            return Some(u64::from(first));
        }
        self.rest_of_number(first, bits)
    }

    fn rest_of_number(&mut self, first: u8, bits: u32) -> Option<u64> {
        let mut value = u64::from(first & 0x7F);
        let mut shift = 7;
        while shift < bits {
            let byte = self.byte()?;
            value |= u64::from(byte & 0x7F) << shift;
            if byte < 0x80 {
                let fits = bits - shift >= 7 || byte >> (bits - shift) == 0;
                return fits.then_some(value);
            }
            shift += 7;
        }
        None
    }

    fn word(&mut self) -> Option<u32> {
        Some(self.number(u32::BITS)? as u32)
    }

    fn codes(&mut self) -> Option<ChannelCodes> {
        let length = usize::try_from(self.number(usize::BITS)?).ok()?;
        if length > READINGS_PER_BLOCK_MAX {
            return None;
        }
        let mut codes = [0; READINGS_PER_BLOCK_MAX];
        let mut code = 0_i32;
        let mut legal = true;
        for slot in &mut codes[..length] {
            let folded = self.number(u32::BITS)? as u32;
            // Signs are folded into the lowest bit: 0, −1, 1, −2, …
            let difference = (folded >> 1).cast_signed() ^ -(folded & 1).cast_signed();
            // A sum that wraps around is far from any code, and one that is no code makes the block none.
            code = code.wrapping_add(difference);
            legal &= (CURRENT_CODE_MIN..=CURRENT_CODE_MAX).contains(&code);
            *slot = code;
        }
        let missing = self.word()?;
        if !legal {
            return None;
        }
        ChannelCodes::new(Vec::from_slice(&codes[..length]).ok()?, missing).ok()
    }
}

/// Reads a block; `None` when the bytes are none, or more than one.
#[inline]
pub(crate) fn read_block(bytes: &[u8]) -> Option<ReadingsBlock> {
    let mut bytes = Bytes(bytes);
    let wire = WireBlock {
        first_index: bytes.number(u64::BITS)?,
        first_time: BoardTime::from_micros(bytes.number(u64::BITS)?),
        period_us: bytes.word()?,
        late: bytes.word()?,
        channels: [bytes.codes()?, bytes.codes()?],
    };
    if bytes.0.is_empty() {
        ReadingsBlock::try_from(wire).ok()
    } else {
        None
    }
}
