//! Numbers and instants as text, as the standard library and jiff write them to the last digit, and several times faster:
//! a night at full rate has some hundred million of them.

use jiff::Timestamp;

/// Powers of ten up to the most decimals that a column has.
const TENS: [f64; 10] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];

/// Below this a scaled value is off by less than 1.2e-7 for the rounding of its product, a half unit in the last place of
/// 2^30 (IEEE 754-2019, 4.3).
const SCALED_MAX: f64 = (1_u64 << 30) as f64;

/// Nearer to the middle between two last digits than this, the exact digits decide.
const NEAR_TIE: f64 = 1e-6;

/// Writes `value` with so many decimals, as `{value:.decimals$}` does.
pub(super) fn put_decimal(text: &mut String, value: f64, decimals: usize) {
    let scaled = TENS.get(decimals).map_or(f64::INFINITY, |ten| value.abs() * ten);
    let below = scaled as u64;
    let part = scaled - below as f64;
    if scaled.is_nan() || scaled >= SCALED_MAX || (part - 0.5).abs() < NEAR_TIE {
        super::csv_rows::put!(text, "{value:.decimals$}");
        return;
    }
    let digits = below + u64::from(part > 0.5);
    let mut written = Digits::new();
    let whole = if decimals > 0 {
        let rest = written.put(digits, decimals);
        written.put_byte(b'.');
        rest
    } else {
        digits
    };
    written.put_all(whole);
    if value.is_sign_negative() {
        written.put_byte(b'-');
    }
    text.push_str(written.as_str());
}

/// Writes a count.
pub(super) fn put_integer(text: &mut String, value: u64) {
    let mut written = Digits::new();
    written.put_all(value);
    text.push_str(written.as_str());
}

/// Writes the last `width` digits of `value`, zeros before it.
pub(super) fn put_padded(text: &mut String, value: u64, width: usize) {
    let mut written = Digits::new();
    written.put(value, width);
    text.push_str(written.as_str());
}

/// A number in the making, from its last digit to its first.
struct Digits {
    bytes: [u8; 40],
    begin: usize,
}

impl Digits {
    const fn new() -> Self {
        Self {
            bytes: [b'0'; 40],
            begin: 40,
        }
    }

    /// A byte before what is there; without room for it the number would be longer than any that is put.
    fn put_byte(&mut self, byte: u8) {
        if let Some(begin) = self.begin.checked_sub(1) {
            self.bytes[begin] = byte;
            self.begin = begin;
        }
    }

    /// The last `width` digits of `value`; gives what stands before them.
    fn put(&mut self, mut value: u64, width: usize) -> u64 {
        for _ in 0..width {
            self.put_byte(b'0' + (value % 10) as u8);
            value /= 10;
        }
        value
    }

    /// All digits of `value`, one at least.
    fn put_all(&mut self, value: u64) {
        let mut rest = self.put(value, 1);
        while rest > 0 {
            rest = self.put(rest, 1);
        }
    }

    fn as_str(&self) -> &str {
        // Digits, points and signs are one byte each.
        std::str::from_utf8(&self.bytes[self.begin..]).unwrap_or_default()
    }
}

/// Writes instants in UTC to the microsecond (RFC 3339). Those of one second share the text of their date and time.
#[derive(Clone, Debug, Default)]
pub(crate) struct Instants {
    second: Option<i64>,
    date_and_time: String,
}

impl Instants {
    /// Writes `at`, as `{at:.6}` does.
    pub(super) fn put(&mut self, text: &mut String, at: Timestamp) {
        let micros = at.as_microsecond();
        let second = micros.div_euclid(1_000_000);
        if self.second != Some(second) {
            self.second = None;
            let Ok(whole) = Timestamp::from_second(second) else {
                super::csv_rows::put!(text, "{at:.6}");
                return;
            };
            self.date_and_time.clear();
            super::csv_rows::put!(&mut self.date_and_time, "{whole:.0}");
            // The point comes before the letter of UTC.
            self.date_and_time.pop();
            self.second = Some(second);
        }
        text.push_str(&self.date_and_time);
        text.push('.');
        put_padded(text, micros.rem_euclid(1_000_000).unsigned_abs(), 6);
        text.push('Z');
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn ours(value: f64, decimals: usize) -> String {
        let mut text = String::new();
        put_decimal(&mut text, value, decimals);
        text
    }

    proptest! {
        #[test]
        fn numbers_are_those_of_the_standard_library(
            value in prop_oneof![-10.0..10.0_f64, -1e-6..1e-6_f64, any::<f64>(), (-400_000..400_000_i32).prop_map(|code| f64::from(code) * 312.5e-9 / 0.05)],
            decimals in 0..12_usize,
        ) {
            prop_assert_eq!(ours(value, decimals), format!("{value:.decimals$}"));
        }

        #[test]
        fn ties_and_their_neighbours_too(number in 0..2_000_000_u32, decimals in 0..7_usize, side in -3..=3_i8) {
            let mut value = (f64::from(number) + 0.5) / TENS[decimals];
            for _ in 0..side.unsigned_abs() {
                value = if side < 0 { value.next_down() } else { value.next_up() };
            }
            prop_assert_eq!(ours(value, decimals), format!("{value:.decimals$}"));
        }

        #[test]
        fn instants_are_those_of_jiff(micros in -100_000_000_000_000_000..100_000_000_000_000_000_i64, step in 0..3_000_000_i64) {
            let mut instants = Instants::default();
            for micros in [micros, micros + step, micros] {
                let at = Timestamp::from_microsecond(micros).unwrap();
                let mut text = String::new();
                instants.put(&mut text, at);
                prop_assert_eq!(text, format!("{at:.6}"));
            }
        }
    }
}
