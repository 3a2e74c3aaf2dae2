//! A range coder (G. N. N. Martin, "Range encoding", Video & Data Recording Conference, Southampton, 1979), with the
//! carry passed on by counting the bytes it may still run through.
//!
//! It writes each symbol in as many bits as its probability is worth, to within a few thousandths of a bit.

/// Probabilities are counted in shares of two to this power.
pub(super) const TOTAL_BITS: u32 = 15;

/// Below this width the range is too coarse for the shares, and a byte is moved out.
const RANGE_MIN: u32 = 1 << 24;

/// Most bits that are written as they are at once.
const PLAIN_BITS_MAX: u32 = 16;

/// Writes symbols.
#[derive(Debug)]
pub(super) struct RangeEncoder {
    low: u64,
    range: u32,
    /// The last byte that a carry can still change, and how many bytes of ones stand behind it.
    held: u8,
    ones: usize,
    begun: bool,
    bytes: Vec<u8>,
}

impl RangeEncoder {
    pub(super) fn new() -> Self {
        Self {
            low: 0,
            range: u32::MAX,
            held: 0,
            ones: 0,
            begun: false,
            bytes: Vec::new(),
        }
    }

    /// Writes the symbol that owns the shares from `start` on, `share` of them.
    pub(super) fn put(&mut self, start: u32, share: u32) {
        let unit = self.range >> TOTAL_BITS;
        self.low += u64::from(unit) * u64::from(start);
        self.range = unit * share;
        self.move_out();
    }

    /// Writes the lowest `count` bits of `value` as they are.
    pub(super) fn put_plain(&mut self, value: u64, count: u32) {
        let mut left = count;
        while left > 0 {
            let taken = left.min(PLAIN_BITS_MAX);
            left -= taken;
            let piece = (value >> left) as u32 & ((1 << taken) - 1);
            self.range >>= taken;
            self.low += u64::from(self.range) * u64::from(piece);
            self.move_out();
        }
    }

    /// Writes a number in about twice the bits it has (Elias, "Universal codeword sets", 1975, the code gamma).
    pub(super) fn put_gamma(&mut self, value: u64) {
        let shifted = value + 1;
        let bits = shifted.ilog2();
        // One by one, as they are read: the range is narrowed otherwise by bits that are written together.
        for _ in 0..bits {
            self.put_plain(0, 1);
        }
        self.put_plain(1, 1);
        self.put_plain(shifted, bits);
    }

    fn move_out(&mut self) {
        while self.range < RANGE_MIN {
            self.range <<= 8;
            self.shift_low();
        }
    }

    fn shift_low(&mut self) {
        let carry = (self.low >> 32) as u8;
        let next = (self.low >> 24) as u8;
        if carry == 0 && next == 0xFF {
            self.ones += 1;
        } else {
            if self.begun {
                self.bytes.push(self.held.wrapping_add(carry));
            }
            if self.ones > 0 {
                let byte = 0xFF_u8.wrapping_add(carry);
                self.bytes.extend(std::iter::repeat_n(byte, self.ones));
                self.ones = 0;
            }
            self.begun = true;
            self.held = next;
        }
        self.low = (self.low & 0x00FF_FFFF) << 8;
    }

    /// Ends; gives the bytes. Zeros at their end say nothing and are left off.
    pub(super) fn finish(mut self) -> Vec<u8> {
        for _ in 0..5 {
            self.shift_low();
        }
        let length = self.bytes.iter().rposition(|byte| *byte != 0);
        self.bytes.truncate(length.map_or(0, |last| last + 1));
        self.bytes
    }
}

/// Reads symbols back. Whatever the bytes are, it gives symbols and never fails; whoever reads must know when to stop.
#[derive(Debug)]
pub(super) struct RangeDecoder<'a> {
    code: u32,
    range: u32,
    bytes: &'a [u8],
}

impl<'a> RangeDecoder<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        let mut decoder = Self {
            code: 0,
            range: u32::MAX,
            bytes,
        };
        for _ in 0..4 {
            decoder.code = decoder.code << 8 | decoder.next_byte();
        }
        decoder
    }

    fn next_byte(&mut self) -> u32 {
        match self.bytes.split_first() {
            Some((first, rest)) => {
                self.bytes = rest;
                u32::from(*first)
            }
            None => 0,
        }
    }

    /// Which share the next symbol's lies in; [`Self::take`] with its symbol has to follow.
    pub(super) fn share(&self) -> u32 {
        (self.code / (self.range >> TOTAL_BITS)).min((1 << TOTAL_BITS) - 1)
    }

    /// Takes the symbol that owns the shares from `start` on, `share` of them.
    pub(super) fn take(&mut self, start: u32, share: u32) {
        let unit = self.range >> TOTAL_BITS;
        self.code = self.code.wrapping_sub(unit * start);
        self.range = unit * share;
        self.move_in();
    }

    /// Takes `count` bits that were written as they are.
    pub(super) fn take_plain(&mut self, count: u32) -> u64 {
        let mut value = 0;
        let mut left = count;
        while left > 0 {
            let taken = left.min(PLAIN_BITS_MAX);
            left -= taken;
            self.range >>= taken;
            let piece = (self.code / self.range).min((1 << taken) - 1);
            self.code = self.code.wrapping_sub(self.range * piece);
            value = value << taken | u64::from(piece);
            self.move_in();
        }
        value
    }

    /// Takes a number that was written in the code gamma; `None` when there is none.
    pub(super) fn take_gamma(&mut self) -> Option<u64> {
        let mut bits = 0;
        while self.take_plain(1) == 0 {
            bits += 1;
            if bits >= u64::BITS {
                return None;
            }
        }
        ((1 << bits) | self.take_plain(bits)).checked_sub(1)
    }

    fn move_in(&mut self) {
        while self.range < RANGE_MIN {
            self.range <<= 8;
            self.code = self.code << 8 | self.next_byte();
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// Any symbols, plain bits and numbers come back, however the carry runs.
        #[test]
        fn what_was_put_is_taken(
            steps in prop::collection::vec((0_u32..3, 0_u32..(1 << TOTAL_BITS), any::<u64>()), 0..400),
        ) {
            let mut encoder = RangeEncoder::new();
            for (what, start, value) in &steps {
                match what {
                    0 => encoder.put(*start, ((1 << TOTAL_BITS) - start).min(1 + (*value % 5) as u32)),
                    1 => encoder.put_plain(value & 0xFF_FFFF, 24),
                    _ => encoder.put_gamma(value >> (value % 63 + 1)),
                }
            }
            let bytes = encoder.finish();
            let mut decoder = RangeDecoder::new(&bytes);
            for (what, start, value) in &steps {
                match what {
                    0 => {
                        let share = ((1 << TOTAL_BITS) - start).min(1 + (*value % 5) as u32);
                        prop_assert!((*start..start + share).contains(&decoder.share()));
                        decoder.take(*start, share);
                    }
                    1 => prop_assert_eq!(decoder.take_plain(24), value & 0xFF_FFFF),
                    _ => prop_assert_eq!(decoder.take_gamma(), Some(value >> (value % 63 + 1))),
                }
            }
        }

        /// Bytes from anywhere give something and end.
        #[test]
        fn any_bytes_are_read(bytes in prop::collection::vec(any::<u8>(), 0..64)) {
            let mut decoder = RangeDecoder::new(&bytes);
            for _ in 0..100 {
                let share = decoder.share();
                decoder.take(share, 1);
                decoder.take_plain(7);
                decoder.take_gamma();
            }
        }
    }

    /// A run of the likeliest symbol costs what its probability says: 10 000 at 32 767 of 32 768 shares, half a bit.
    #[test]
    fn a_sure_symbol_costs_next_to_nothing() {
        let mut encoder = RangeEncoder::new();
        for _ in 0..10_000 {
            encoder.put(0, (1 << TOTAL_BITS) - 1);
        }
        assert!(encoder.finish().len() <= 4);
    }
}
