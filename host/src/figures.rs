//! How figures are written for programs: so that the same recording gives the same bytes on every machine.
//!
//! The last digits of a `f64` are not the recording's: `exp` and its like come from the system's library, which takes
//! another way on a processor with fused multiplication than on one without, and a fit carries a difference of 1e-16 to
//! 1e-12. So a figure is written with seven significant digits, ten times finer than the board's converter resolves; an
//! instant or a stretch of time, which is counted and not computed, to the microsecond of the board's clock. What the
//! machines differ by then shows only where a figure lies within a hundred-thousandth of its last digit of being rounded
//! the other way.

use std::io::{self, Write};

use serde::Serialize;
use serde_json::ser::{CompactFormatter, Formatter, PrettyFormatter, Serializer};

/// Significant digits of a figure.
const DIGITS: usize = 7;

/// Seconds that are counted on the board's clock, by the names they are written under.
const COUNTED: [&str; 11] = [
    "at_s",
    "background_s",
    "duration_s",
    "elapsed_s",
    "end_s",
    "from_s",
    "observed_s",
    "onset_s",
    "start_s",
    "time_s",
    "to_s",
];

/// JSON on one line.
///
/// # Errors
/// When a map has keys that are no text.
pub fn line<T: Serialize + ?Sized>(value: &T) -> serde_json::Result<String> {
    let bytes = written(value, CompactFormatter)?;
    Ok(String::from_utf8(bytes).unwrap_or_default())
}

/// JSON on many lines, for a file.
///
/// # Errors
/// When a map has keys that are no text.
pub fn pretty<T: Serialize + ?Sized>(value: &T) -> serde_json::Result<Vec<u8>> {
    written(value, PrettyFormatter::new())
}

fn written<T: Serialize + ?Sized>(value: &T, layout: impl Formatter) -> serde_json::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let figures = Figures {
        layout,
        key: Vec::new(),
        in_key: false,
    };
    value.serialize(&mut Serializer::with_formatter(&mut bytes, figures))?;
    Ok(bytes)
}

/// A layout whose numbers are rounded.
struct Figures<L> {
    layout: L,
    /// The name of the value being written.
    key: Vec<u8>,
    in_key: bool,
}

/// The figure as it is written; `counted` says that it is a time of the board's clock.
fn rounded(value: f64, counted: bool) -> f64 {
    if counted && value.abs() >= 1.0 {
        return (value * 1e6).round() / 1e6;
    }
    // By its digits, as no multiplication by a power of ten does it exactly.
    format!("{value:.*e}", DIGITS - 1).parse().unwrap_or(value)
}

impl<L: Formatter> Formatter for Figures<L> {
    fn write_f64<W: Write + ?Sized>(&mut self, writer: &mut W, value: f64) -> io::Result<()> {
        let counted = COUNTED.iter().any(|name| name.as_bytes() == self.key);
        self.layout.write_f64(writer, rounded(value, counted))
    }

    fn write_string_fragment<W: Write + ?Sized>(&mut self, writer: &mut W, fragment: &str) -> io::Result<()> {
        if self.in_key {
            self.key.extend_from_slice(fragment.as_bytes());
        }
        self.layout.write_string_fragment(writer, fragment)
    }

    fn begin_object_key<W: Write + ?Sized>(&mut self, writer: &mut W, first: bool) -> io::Result<()> {
        self.key.clear();
        self.in_key = true;
        self.layout.begin_object_key(writer, first)
    }

    fn end_object_key<W: Write + ?Sized>(&mut self, writer: &mut W) -> io::Result<()> {
        self.in_key = false;
        self.layout.end_object_key(writer)
    }

    fn begin_object_value<W: Write + ?Sized>(&mut self, writer: &mut W) -> io::Result<()> {
        self.layout.begin_object_value(writer)
    }

    fn end_object_value<W: Write + ?Sized>(&mut self, writer: &mut W) -> io::Result<()> {
        self.layout.end_object_value(writer)
    }

    fn begin_object<W: Write + ?Sized>(&mut self, writer: &mut W) -> io::Result<()> {
        self.layout.begin_object(writer)
    }

    fn end_object<W: Write + ?Sized>(&mut self, writer: &mut W) -> io::Result<()> {
        self.layout.end_object(writer)
    }

    fn begin_array<W: Write + ?Sized>(&mut self, writer: &mut W) -> io::Result<()> {
        self.layout.begin_array(writer)
    }

    fn end_array<W: Write + ?Sized>(&mut self, writer: &mut W) -> io::Result<()> {
        self.layout.end_array(writer)
    }

    fn begin_array_value<W: Write + ?Sized>(&mut self, writer: &mut W, first: bool) -> io::Result<()> {
        self.layout.begin_array_value(writer, first)
    }

    fn end_array_value<W: Write + ?Sized>(&mut self, writer: &mut W) -> io::Result<()> {
        self.layout.end_array_value(writer)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // A test may stop at once.

    use serde_json::json;

    use super::*;

    #[test]
    fn figures_have_seven_digits_and_counted_times_a_microsecond() {
        let value = json!({
            "score": 33_390_164.895_475_533,
            "size_A": -0.000_275_039_607_940_301_5,
            "start_s": 259_198.123_456_499_9,
            "time_constant_s": 259_198.123_456,
            "end_s": 0.1 + 0.2,
            "ratio": [0.318_863_112, 1.0],
            "hits": 12_345_678_901_u64,
            "words": "1.23456789012",
        });
        assert_eq!(
            line(&value).unwrap(),
            r#"{"end_s":0.3,"hits":12345678901,"ratio":[0.3188631,1.0],"score":33390160.0,"size_A":-0.0002750396,"start_s":259198.123456,"time_constant_s":259198.1,"words":"1.23456789012"}"#
        );
        let again: serde_json::Value = serde_json::from_slice(&pretty(&value).unwrap()).unwrap();
        assert_eq!(line(&again).unwrap(), line(&value).unwrap());
    }

    #[test]
    fn what_is_no_number_stays_none() {
        assert_eq!(
            line(&[f64::NAN, f64::INFINITY, -0.0]).unwrap(),
            "[null,null,-0.0]"
        );
    }
}
