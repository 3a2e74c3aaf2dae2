//! Reads quantities as people write them.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::unit::{Unit, prefix_factor};

/// A number with its unit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Quantity {
    /// In the unit's SI measure (degrees Celsius for a temperature).
    pub value: f64,
    /// What it counts.
    pub unit: Unit,
}

/// Why a quantity can't be read.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum QuantityError {
    /// Nothing was written.
    #[error("{wanted} is wanted, but nothing was given; write it like {example}")]
    Empty {
        /// What is wanted.
        wanted: &'static str,
        /// How to write it.
        example: &'static str,
    },
    /// It doesn't begin with a number.
    #[error("`{text}` doesn't begin with a number; write {wanted} like {example}")]
    NoNumber {
        /// What was given.
        text: String,
        /// What is wanted.
        wanted: &'static str,
        /// How to write it.
        example: &'static str,
    },
    /// A comma that may be a decimal or a thousands mark.
    #[error(
        "`{text}`: the comma may stand for a decimal point or for thousands; write {as_point} or {as_thousands}"
    )]
    Comma {
        /// What was given.
        text: String,
        /// The number with a point.
        as_point: String,
        /// The number without it.
        as_thousands: String,
    },
    /// The unit isn't one of the quantity wanted.
    #[error("`{text}`: `{spelling}` is no unit of {wanted}; write it like {example}")]
    WrongUnit {
        /// What was given.
        text: String,
        /// The unit as written.
        spelling: String,
        /// What is wanted.
        wanted: &'static str,
        /// How to write it.
        example: &'static str,
    },
    /// There is no unit and nothing says which is meant.
    #[error("`{text}` has no unit; write one, such as 24V, 1.5A, 50mOhm or 25°C")]
    NoUnit {
        /// What was given.
        text: String,
    },
    /// Below 0, or not a number that can be had.
    #[error("`{text}`: {wanted} can't be {value}; give one above 0")]
    OutOfRange {
        /// What was given.
        text: String,
        /// What is wanted.
        wanted: &'static str,
        /// The value read.
        value: String,
    },
}

/// Reads a quantity of the kind wanted, such as `24V`, `50mΩ`, `4k7`, `0R05`, `25°C`, `3 min`.
///
/// A number alone, or with a prefix alone (`10k`, `50m`), is taken in the unit wanted. A decimal comma is taken where
/// it can be nothing else.
///
/// # Errors
/// When there is no number, the unit is of another kind, the comma may mean thousands (`1,500`), or the value is
/// negative or not finite; the message says what to write.
///
/// ```
/// use steadybench_analysis::planning::{Unit, parse_quantity};
///
/// assert_eq!(parse_quantity("4k7", Unit::Ohm)?, 4700.0);
/// assert_eq!(parse_quantity("50mΩ", Unit::Ohm)?, 0.05);
/// assert_eq!(parse_quantity("3 min", Unit::Second)?, 180.0);
/// assert!(parse_quantity("1,500A", Unit::Ampere).is_err());
/// # Ok::<(), steadybench_analysis::planning::QuantityError>(())
/// ```
pub fn parse_quantity(text: &str, wanted: Unit) -> Result<f64, QuantityError> {
    let parts = Parts::of(text, wanted)?;
    let value = parts
        .value(text, wanted)
        .ok_or_else(|| QuantityError::WrongUnit {
            text: text.trim().to_owned(),
            spelling: parts.spelling.clone(),
            wanted: wanted.name(),
            example: wanted.example(),
        })?;
    if !value.is_finite()
        || (value < 0.0 && !wanted.may_be_negative())
        || (wanted == Unit::Celsius && value < -273.15)
    {
        return Err(QuantityError::OutOfRange {
            text: text.trim().to_owned(),
            wanted: wanted.name(),
            value: value.to_string(),
        });
    }
    Ok(value)
}

/// Reads a quantity whose unit says what it is, as in `24V 1.5A 50mOhm`.
///
/// # Errors
/// As [`parse_quantity`], and when there is no unit.
///
/// ```
/// use steadybench_analysis::planning::{Unit, parse_any_quantity};
///
/// assert_eq!(parse_any_quantity("50mOhm")?.unit, Unit::Ohm);
/// assert_eq!(parse_any_quantity("3V3")?.value, 3.3);
/// assert!(parse_any_quantity("24").is_err());
/// # Ok::<(), steadybench_analysis::planning::QuantityError>(())
/// ```
pub fn parse_any_quantity(text: &str) -> Result<Quantity, QuantityError> {
    let parts = Parts::of(text, Unit::Volt)?;
    // A prefix alone says how many, not of what; only of ohms is it written so (4k7).
    let is_prefix =
        parts.spelling.chars().count() == 1 && parts.spelling.chars().all(|c| prefix_factor(c).is_some());
    if is_prefix && !parts.tail.is_empty() {
        return parse_quantity(text, Unit::Ohm).map(|value| Quantity {
            value,
            unit: Unit::Ohm,
        });
    }
    if parts.spelling.is_empty() || is_prefix {
        return Err(QuantityError::NoUnit {
            text: text.trim().to_owned(),
        });
    }
    let unit = Unit::ALL
        .into_iter()
        .find(|unit| unit.factor(&parts.spelling).is_some());
    match unit {
        Some(unit) => parse_quantity(text, unit).map(|value| Quantity { value, unit }),
        None => Err(QuantityError::WrongUnit {
            text: text.trim().to_owned(),
            spelling: parts.spelling,
            wanted: "anything planning asks for",
            example: "24V, 1.5A, 50mOhm or 25°C",
        }),
    }
}

/// A text taken apart: number, unit, and digits after the unit as in `4k7`.
struct Parts {
    number: String,
    spelling: String,
    tail: String,
}

impl Parts {
    fn of(text: &str, wanted: Unit) -> Result<Self, QuantityError> {
        let plain: String = text
            .chars()
            .filter(|c| !c.is_whitespace() && *c != '\u{a0}' && *c != '\u{202f}')
            .map(|c| match c {
                'µ' | 'μ' => 'u',
                '\u{2126}' => 'Ω',
                '\u{2212}' => '-',
                '²' => '2',
                'º' => '°',
                other => other,
            })
            .collect();
        if plain.is_empty() {
            return Err(QuantityError::Empty {
                wanted: wanted.name(),
                example: wanted.example(),
            });
        }
        let end = number_end(&plain);
        let (number, rest) = plain.split_at(end);
        // `R05` and `.5A` begin with something other than a digit.
        let leading_letter = number.is_empty() && rest.starts_with(['R', 'r']);
        if !number.contains(|c: char| c.is_ascii_digit()) && !leading_letter {
            return Err(QuantityError::NoNumber {
                text: text.trim().to_owned(),
                wanted: wanted.name(),
                example: wanted.example(),
            });
        }
        let number = with_point(number).map_err(|(as_point, as_thousands)| QuantityError::Comma {
            text: text.trim().to_owned(),
            as_point,
            as_thousands,
        })?;
        // Digits after the unit belong to the number (4k7), but not those of `A2s`.
        let letters = rest.trim_end_matches(|c: char| c.is_ascii_digit());
        let (spelling, tail) = rest.split_at(letters.len());
        Ok(Self {
            number,
            spelling: spelling.to_owned(),
            tail: tail.to_owned(),
        })
    }

    /// The value in the unit wanted, or `None` if the spelling isn't one of its.
    fn value(&self, _text: &str, wanted: Unit) -> Option<f64> {
        let single = (self.spelling.chars().count() == 1)
            .then(|| self.spelling.chars().next())
            .flatten();
        // A bare prefix is a prefix of the unit wanted, unless the letter is the unit itself.
        let factor = if self.spelling.is_empty() {
            if !self.tail.is_empty() {
                return None;
            }
            Some(1.0)
        } else {
            let bare = single
                .and_then(prefix_factor)
                .filter(|_| takes_bare_prefix(wanted));
            wanted
                .factor(&self.spelling)
                .or(bare)
                .or_else(|| (wanted == Unit::Ohm && self.spelling == "r").then_some(1.0))
        }?;
        let number = if self.tail.is_empty() {
            self.number.clone()
        } else {
            // Letter and digits stand for a point: only after a whole number, and only a single letter.
            if self.number.contains(['.', 'e', 'E']) || single.is_none() {
                return None;
            }
            format!(
                "{}.{}",
                if self.number.is_empty() { "0" } else { &self.number },
                self.tail
            )
        };
        number.parse::<f64>().ok().map(|value| value * factor)
    }
}

fn takes_bare_prefix(unit: Unit) -> bool {
    !matches!(
        unit,
        Unit::Celsius
            | Unit::Second
            | Unit::Metre
            | Unit::Share
            | Unit::SharePerKelvin
            | Unit::Count
            | Unit::Kelvin
    )
}

/// Where the number at the front ends: sign, digits, points, commas, and an exponent if digits follow it.
fn number_end(text: &str) -> usize {
    let bytes = text.as_bytes();
    let mut end = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    while bytes
        .get(end)
        .is_some_and(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b','))
    {
        end += 1;
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) && end > 0 {
        let mut after = end + 1;
        if matches!(bytes.get(after), Some(b'+' | b'-')) {
            after += 1;
        }
        let digits = bytes[after.min(bytes.len())..]
            .iter()
            .take_while(|byte| byte.is_ascii_digit())
            .count();
        if digits > 0 {
            end = after + digits;
        }
    }
    end
}

/// Turns a decimal comma into a point where it can't mean thousands.
///
/// # Errors
/// The number with a point and the number without the comma, for a message, where the comma could be either.
pub(crate) fn with_point(number: &str) -> Result<String, (String, String)> {
    let Some((before, after)) = number.split_once(',') else {
        return Ok(number.to_owned());
    };
    let digits = after.chars().take_while(char::is_ascii_digit).count();
    let one_mark = !after.contains([',', '.']) && !before.contains('.');
    let leading_zero = before
        .trim_start_matches(['+', '-'])
        .trim_start_matches('0')
        .is_empty();
    if one_mark && (digits != 3 || leading_zero) {
        return Ok(format!("{before}.{after}"));
    }
    Err((
        number.replacen(',', ".", 1).replace(',', ""),
        number.replace(',', ""),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn as_people_write_them() {
        for (text, unit, value) in [
            ("24V", Unit::Volt, 24.0),
            ("24", Unit::Volt, 24.0),
            ("3V3", Unit::Volt, 3.3),
            ("500 mV", Unit::Volt, 0.5),
            ("1.5A", Unit::Ampere, 1.5),
            ("1,5A", Unit::Ampere, 1.5),
            ("0,500A", Unit::Ampere, 0.5),
            ("250mA", Unit::Ampere, 0.25),
            ("50mOhm", Unit::Ohm, 0.05),
            ("50mΩ", Unit::Ohm, 0.05),
            ("50m", Unit::Ohm, 0.05),
            ("0R05", Unit::Ohm, 0.05),
            ("R05", Unit::Ohm, 0.05),
            ("4R7", Unit::Ohm, 4.7),
            ("4k7", Unit::Ohm, 4700.0),
            ("10k", Unit::Ohm, 10_000.0),
            ("10K", Unit::Ohm, 10_000.0),
            ("2M2", Unit::Ohm, 2.2e6),
            ("1e3", Unit::Ohm, 1000.0),
            ("25°C", Unit::Celsius, 25.0),
            ("-10 C", Unit::Celsius, -10.0),
            ("\u{2212}10°C", Unit::Celsius, -10.0),
            ("3 min", Unit::Second, 180.0),
            ("20ms", Unit::Second, 0.02),
            ("2h", Unit::Second, 7200.0),
            ("3977K", Unit::Kelvin, 3977.0),
            ("470µF", Unit::Farad, 470e-6),
            ("35um", Unit::Metre, 35e-6),
            ("0.3mm", Unit::Metre, 0.3e-3),
            ("2oz", Unit::Metre, 70e-6),
            ("0.144A²s", Unit::AmpereSquaredSecond, 0.144),
            ("3mW/K", Unit::WattPerKelvin, 3e-3),
            ("1%", Unit::Share, 0.01),
            ("75ppm/K", Unit::SharePerKelvin, 75e-6),
            ("12bit", Unit::Count, 12.0),
            (".5A", Unit::Ampere, 0.5),
        ] {
            let found = parse_quantity(text, unit).unwrap_or_else(|error| panic!("{error}"));
            assert!((found - value).abs() <= 1e-12 * value.abs(), "{text}: {found}");
        }
    }

    #[test]
    fn refused_with_a_remedy() {
        for (text, unit, part) in [
            ("1,500A", Unit::Ampere, "1.500 or 1500"),
            ("24A", Unit::Volt, "no unit of a voltage"),
            ("", Unit::Volt, "nothing was given"),
            ("about 3A", Unit::Ampere, "begin with a number"),
            ("-3A", Unit::Ampere, "above 0"),
            ("-300°C", Unit::Celsius, "can't be"),
            ("1e999V", Unit::Volt, "can't be"),
            ("50°F", Unit::Celsius, "no unit of a temperature"),
            ("1.2.3V", Unit::Volt, "no unit"),
        ] {
            let message = parse_quantity(text, unit).unwrap_err().to_string();
            assert!(message.contains(part), "{text}: {message}");
        }
    }

    #[test]
    fn the_unit_says_what_it_is() {
        for (text, unit) in [
            ("24V", Unit::Volt),
            ("1.5A", Unit::Ampere),
            ("50mOhm", Unit::Ohm),
            ("4k7", Unit::Ohm),
            ("0R05", Unit::Ohm),
            ("25°C", Unit::Celsius),
            ("3 min", Unit::Second),
            ("0.3mm", Unit::Metre),
            ("0.144A2s", Unit::AmpereSquaredSecond),
        ] {
            assert_eq!(parse_any_quantity(text).unwrap().unit, unit, "{text}");
        }
        assert!(matches!(
            parse_any_quantity("24"),
            Err(QuantityError::NoUnit { .. })
        ));
        assert!(matches!(
            parse_any_quantity("10k"),
            Err(QuantityError::NoUnit { .. })
        ));
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused_without_panic(text in "\\PC{0,16}", index in 0_usize..16) {
            let _ = parse_quantity(&text, Unit::ALL[index]);
            let _ = parse_any_quantity(&text);
        }

        #[test]
        fn what_is_written_is_read_back(value in 1e-3..1e3_f64) {
            let read = parse_quantity(&format!("{value} mV"), Unit::Volt).unwrap();
            prop_assert!((read - value * 1e-3).abs() < 1e-12);
        }
    }
}
