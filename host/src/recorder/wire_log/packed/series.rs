//! A series of whole numbers: foretold, and the misses written by the spread they have just there.

use super::bell::{Bell, SPREADS};
use super::predictor::Predictor;
use super::range::{RangeDecoder, RangeEncoder};

/// Numbers of a series stay within this, so that nothing here can overflow.
pub(super) const NUMBER_MAX: i64 = 1 << 40;

/// Bits of a spread's index.
const SPREAD_BITS: u32 = 7;

/// Misses that share a spread; the first few, which have little before them, have one of their own.
const PART: usize = 128;
const FIRST_PART: usize = 16;

/// Where the parts of a series of `length` begin and end.
fn parts(length: usize) -> impl Iterator<Item = std::ops::Range<usize>> {
    let first = if length <= PART { length } else { FIRST_PART };
    std::iter::once(0..first)
        .chain(
            (first..length)
                .step_by(PART)
                .map(move |start| start..(start + PART).min(length)),
        )
        .filter(|part| !part.is_empty())
}

/// Whether every number can be written.
pub(super) fn fits(numbers: &[i64]) -> bool {
    numbers
        .iter()
        .all(|number| number.unsigned_abs() <= NUMBER_MAX.unsigned_abs())
}

/// Writes the numbers, all of which have to [fit](fits); their count is not written.
pub(super) fn put(numbers: &[i64], encoder: &mut RangeEncoder) {
    let predictor = Predictor::fit(numbers);
    predictor.put(numbers.len(), encoder);
    let misses: Vec<i64> = (0..numbers.len())
        .map(|at| numbers[at] - predictor.next(&numbers[..at]))
        .collect();
    let mut before = None;
    for part in parts(numbers.len()) {
        let misses = &misses[part];
        let spread = cheapest_spread(misses, before);
        if let Some(before) = before {
            encoder.put_plain(u64::from(spread != before), 1);
        }
        if before != Some(spread) {
            encoder.put_plain(spread as u64, SPREAD_BITS);
        }
        before = Some(spread);
        let bell = Bell::new(spread);
        for miss in misses {
            bell.put(*miss, encoder);
        }
    }
}

/// Reads `count` numbers; `None` when the bytes hold no such series.
pub(super) fn take(count: usize, decoder: &mut RangeDecoder<'_>) -> Option<Vec<i64>> {
    let predictor = Predictor::take(count, decoder)?;
    let mut numbers: Vec<i64> = Vec::with_capacity(count);
    let mut spread = None;
    for part in parts(count) {
        let known = match spread {
            Some(before) if decoder.take_plain(1) == 0 => before,
            _ => decoder.take_plain(SPREAD_BITS) as usize,
        };
        if known >= SPREADS {
            return None;
        }
        spread = Some(known);
        let bell = Bell::new(known);
        for _ in part {
            let number = predictor.next(&numbers).checked_add(bell.take(decoder)?)?;
            if number.unsigned_abs() > NUMBER_MAX.unsigned_abs() {
                return None;
            }
            numbers.push(number);
        }
    }
    Some(numbers)
}

/// The index of the spread by which `misses` cost least, going on as `before` being cheaper.
fn cheapest_spread(misses: &[i64], before: Option<usize>) -> usize {
    let cost = |spread: usize| {
        let bell = Bell::new(spread);
        let said = if before == Some(spread) {
            0
        } else {
            256 * SPREAD_BITS
        };
        misses
            .iter()
            .fold(u64::from(said), |sum, miss| sum + u64::from(bell.cost(*miss)))
    };
    // The mean magnitude of a bell curve is the root of 2/π of its spread.
    let magnitudes: u64 = misses.iter().map(|miss| miss.unsigned_abs()).sum();
    let near = Bell::index_near(1.2533 * magnitudes as f64 / misses.len() as f64);
    let mut best = (cost(near), near);
    for step in [-1_isize, 1] {
        let mut at = near;
        while let Some(next) = at.checked_add_signed(step).filter(|next| *next < SPREADS) {
            let there = cost(next);
            if there >= best.0 {
                break;
            }
            best = (there, next);
            at = next;
        }
    }
    match before {
        Some(before) if cost(before) <= best.0 => before,
        _ => best.1,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::tests::noisy;
    use super::*;

    fn written(numbers: &[i64]) -> Vec<u8> {
        let mut encoder = RangeEncoder::new();
        put(numbers, &mut encoder);
        encoder.finish()
    }

    fn returns(numbers: &[i64]) {
        let bytes = written(numbers);
        assert_eq!(
            take(numbers.len(), &mut RangeDecoder::new(&bytes)).as_deref(),
            Some(numbers)
        );
    }

    #[test]
    fn every_length_returns() {
        for count in 0..300 {
            returns(&noisy(count, 8.4, 0.0));
        }
    }

    #[test]
    fn steps_saturation_and_silence_return() {
        let mut numbers = noisy(500, 3.0, 0.0);
        numbers[200] = 524_287;
        numbers[201] = -524_288;
        for number in &mut numbers[300..] {
            *number -= 9_000;
        }
        returns(&numbers);
        returns(&[0; 500]);
        returns(&[NUMBER_MAX, -NUMBER_MAX, NUMBER_MAX]);
        returns(&[524_287; 200]);
    }

    /// Noise of a known spread has an entropy of log2(spread · √(2πe)) bits (C. E. Shannon, "A mathematical theory of
    /// communication", 1948, section 20), and no code can do better. This one comes within 3 % in half a second.
    #[test]
    fn noise_costs_hardly_more_than_its_entropy() {
        for spread in [1.0, 8.4, 33.0, 300.0] {
            let numbers = noisy(500, spread, 0.0);
            let bits = 8.0 * written(&numbers).len() as f64 / 500.0;
            let entropy = (spread * (2.0 * std::f64::consts::PI * std::f64::consts::E).sqrt()).log2();
            assert!(bits < entropy * 1.03 + 0.1, "{bits} bits for {entropy}");
        }
    }

    /// Ripple that repeats is foretold: a hundred times the noise, and yet little more than the noise to write.
    #[test]
    fn ripple_costs_little() {
        let plain = written(&noisy(500, 8.4, 0.0)).len();
        let rippled = written(&noisy(500, 8.4, 840.0)).len();
        assert!(rippled < plain + plain / 3, "{rippled} against {plain} bytes");
    }

    proptest! {
        #[test]
        fn any_numbers_return(numbers in prop::collection::vec(-NUMBER_MAX..=NUMBER_MAX, 0..300)) {
            returns(&numbers);
        }

        #[test]
        fn codes_return(numbers in prop::collection::vec(-524_288_i64..=524_287, 0..700)) {
            returns(&numbers);
        }

        /// Bytes from anywhere are a series or none, and never too much of one.
        #[test]
        fn any_bytes_are_read(bytes in prop::collection::vec(any::<u8>(), 0..200), count in 0_usize..400) {
            if let Some(numbers) = take(count, &mut RangeDecoder::new(&bytes)) {
                prop_assert_eq!(numbers.len(), count);
            }
        }
    }
}
