//! Reads what is stamped on a fuse's cap or printed beside its holder.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::gates::FuseStandard;

/// How quickly a fuse opens, by its letter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum FuseSpeed {
    /// FF: very quick.
    #[serde(rename = "FF")]
    VeryQuick,
    /// F: quick.
    #[serde(rename = "F")]
    Quick,
    /// M: medium.
    #[serde(rename = "M")]
    Medium,
    /// T: time-lag.
    #[serde(rename = "T")]
    TimeLag,
    /// TT: long time-lag.
    #[serde(rename = "TT")]
    LongTimeLag,
}

/// The current a fuse can interrupt, by its letter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum BreakingCapacity {
    /// L: low; glass.
    #[serde(rename = "L")]
    Low,
    /// E: enhanced.
    #[serde(rename = "E")]
    Enhanced,
    /// H: high; ceramic, filled.
    #[serde(rename = "H")]
    High,
}

impl BreakingCapacity {
    /// Amperes it can interrupt at its rated voltage: 35 A or ten times the rating (L), 150 A (E), 1500 A (H).
    ///
    /// From memory.
    #[must_use]
    pub fn amperes(self, rating_a: f64) -> f64 {
        match self {
            Self::Low => 35.0_f64.max(10.0 * rating_a),
            Self::Enhanced => 150.0,
            Self::High => 1500.0,
        }
    }
}

/// What a marking says.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FuseMarking {
    /// Rated current, in amperes.
    pub rating_a: f64,
    /// How quickly it opens, if marked.
    pub speed: Option<FuseSpeed>,
    /// What it can interrupt, if marked.
    pub breaking_capacity: Option<BreakingCapacity>,
    /// Rated voltage, if marked, in volts.
    pub voltage_v: Option<f64>,
}

impl FuseMarking {
    /// The sheet of IEC 60127-2 that goes with the letters, where there is one in the table.
    #[must_use]
    pub fn standard(&self) -> Option<FuseStandard> {
        match (self.speed?, self.breaking_capacity?) {
            (FuseSpeed::Quick, BreakingCapacity::High) => Some(FuseStandard::Sheet1),
            (FuseSpeed::Quick, BreakingCapacity::Low) => Some(FuseStandard::Sheet2),
            (FuseSpeed::TimeLag, BreakingCapacity::Low) => Some(FuseStandard::Sheet3),
            (FuseSpeed::TimeLag, BreakingCapacity::High) => Some(FuseStandard::Sheet5),
            _ => None,
        }
    }
}

/// Why a marking can't be read.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum MarkingError {
    /// No number in it.
    #[error("`{text}` has no rated current: write it as on the cap, such as `T1.6AL250V`")]
    NoRating {
        /// What was given.
        text: String,
    },
    /// A number without a unit.
    #[error("`{text}` says {number} without A or mA: older caps leave the unit out, so write it as meant")]
    NoUnit {
        /// What was given.
        text: String,
        /// The number.
        number: String,
    },
    /// A comma that may be a decimal or a thousands mark.
    #[error("`{text}`: {number} may be read with the comma as decimal or as thousands mark; write a point")]
    Comma {
        /// What was given.
        text: String,
        /// The number.
        number: String,
    },
    /// Something that isn't part of a marking.
    #[error(
        "`{text}`: don't know what `{part}` says; a marking is speed (FF F M T TT), current, L E or H, voltage"
    )]
    Unknown {
        /// What was given.
        text: String,
        /// The part.
        part: String,
    },
    /// A rating that no such fuse has.
    #[error("`{text}`: a rated current of {rating} A isn't between 0.001 and 100 A; check the unit")]
    OutOfRange {
        /// What was given.
        text: String,
        /// Amperes.
        rating: String,
    },
}

/// Reads a marking such as `T 1.6 A L 250 V`, `F2AH`, `T500mA`, `T3,15AL250V`.
///
/// # Errors
/// When there is no rated current, no unit, an ambiguous comma, or a part that means nothing; the message says what to
/// write.
///
/// ```
/// use steadybench_analysis::fuse::{FuseStandard, parse_marking};
///
/// let marking = parse_marking("T 1.6 A L 250 V")?;
/// assert_eq!(marking.rating_a, 1.6);
/// assert_eq!(marking.standard(), Some(FuseStandard::Sheet3));
/// assert!(parse_marking("T500").is_err());
/// # Ok::<(), steadybench_analysis::fuse::MarkingError>(())
/// ```
pub fn parse_marking(text: &str) -> Result<FuseMarking, MarkingError> {
    let own = || text.trim().to_owned();
    let mut rest: String = text
        .chars()
        .filter(|c| !c.is_whitespace() && *c != '/' && *c != '~')
        .collect();
    let mut marking = FuseMarking {
        rating_a: f64::NAN,
        speed: None,
        breaking_capacity: None,
        voltage_v: None,
    };
    for (letters, speed) in [
        ("FF", FuseSpeed::VeryQuick),
        ("TT", FuseSpeed::LongTimeLag),
        ("F", FuseSpeed::Quick),
        ("M", FuseSpeed::Medium),
        ("T", FuseSpeed::TimeLag),
    ] {
        if let Some(tail) = rest.strip_prefix(letters) {
            marking.speed = Some(speed);
            rest = tail.to_owned();
            break;
        }
    }
    let (number, tail) = split_number(&rest);
    if number.is_empty() {
        return Err(MarkingError::NoRating { text: own() });
    }
    let value = read_number(&number, text)?;
    let (rating_a, tail) = if let Some(tail) = tail.strip_prefix("mA") {
        (value / 1000.0, tail)
    } else if let Some(tail) = tail.strip_prefix('A') {
        (value, tail)
    } else {
        return Err(MarkingError::NoUnit { text: own(), number });
    };
    if !(0.001..=100.0).contains(&rating_a) {
        return Err(MarkingError::OutOfRange {
            text: own(),
            rating: rating_a.to_string(),
        });
    }
    marking.rating_a = rating_a;
    let mut tail = tail.to_owned();
    for (letter, capacity) in [
        ('L', BreakingCapacity::Low),
        ('E', BreakingCapacity::Enhanced),
        ('H', BreakingCapacity::High),
    ] {
        if let Some(after) = tail.strip_prefix(letter) {
            marking.breaking_capacity = Some(capacity);
            tail = after.to_owned();
            break;
        }
    }
    if !tail.is_empty() {
        let (number, unit) = split_number(&tail);
        if number.is_empty() || !matches!(unit, "V" | "VAC" | "Vac" | "v") {
            return Err(MarkingError::Unknown {
                text: own(),
                part: tail,
            });
        }
        marking.voltage_v = Some(read_number(&number, text)?);
    }
    Ok(marking)
}

/// Splits the digits, points and commas off the front.
fn split_number(text: &str) -> (String, &str) {
    let end = text
        .find(|c: char| !c.is_ascii_digit() && c != '.' && c != ',')
        .unwrap_or(text.len());
    (text[..end].to_owned(), &text[end..])
}

fn read_number(number: &str, text: &str) -> Result<f64, MarkingError> {
    // Continental caps print `3,15A`; three digits after the comma might also be thousands.
    let comma = |_| MarkingError::Comma {
        text: text.trim().to_owned(),
        number: number.to_owned(),
    };
    crate::planning::with_point(number)
        .map_err(comma)?
        .parse()
        .map_err(|_| MarkingError::Unknown {
            text: text.trim().to_owned(),
            part: number.to_owned(),
        })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn markings_as_printed() {
        for (text, rating, speed, capacity, voltage) in [
            (
                "T 1.6 A L 250 V",
                1.6,
                Some(FuseSpeed::TimeLag),
                Some(BreakingCapacity::Low),
                Some(250.0),
            ),
            (
                "F2AH",
                2.0,
                Some(FuseSpeed::Quick),
                Some(BreakingCapacity::High),
                None,
            ),
            ("T500mA", 0.5, Some(FuseSpeed::TimeLag), None, None),
            (
                "T3,15AL250V",
                3.15,
                Some(FuseSpeed::TimeLag),
                Some(BreakingCapacity::Low),
                Some(250.0),
            ),
            ("FF800mA", 0.8, Some(FuseSpeed::VeryQuick), None, None),
            ("TT2A", 2.0, Some(FuseSpeed::LongTimeLag), None, None),
            ("M1A", 1.0, Some(FuseSpeed::Medium), None, None),
            ("10A 250V~", 10.0, None, None, Some(250.0)),
            (
                "T1.25A E 300V",
                1.25,
                Some(FuseSpeed::TimeLag),
                Some(BreakingCapacity::Enhanced),
                Some(300.0),
            ),
        ] {
            let marking = parse_marking(text).unwrap();
            assert_eq!(
                marking,
                FuseMarking {
                    rating_a: rating,
                    speed,
                    breaking_capacity: capacity,
                    voltage_v: voltage
                },
                "{text}"
            );
        }
    }

    #[test]
    fn refused_with_a_remedy() {
        for (text, part) in [
            ("T315", "without A or mA"),
            ("T1,600mA", "comma"),
            ("slow", "no rated current"),
            ("T2AQ", "don't know"),
            ("T2000A", "between"),
            ("", "no rated current"),
            ("T2AL250", "don't know"),
        ] {
            let message = parse_marking(text).unwrap_err().to_string();
            assert!(message.contains(part), "{text}: {message}");
        }
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused_without_panic(text in "\\PC{0,24}") {
            let _ = parse_marking(&text);
        }
    }
}
