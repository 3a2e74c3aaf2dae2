//! Findings as words and as figures. A figure cannot be made without its bound, or the reason why it has none.

mod power_up;
mod soak;
mod tap;
mod twins;

use serde::Serialize;

use crate::examine::Findings;
use crate::examine::words::{bounded, duration, plain};

/// How a word is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Tone {
    /// It speaks for the unit.
    Good,
    /// It speaks against it.
    Bad,
    /// It decides nothing yet.
    Open,
}

/// A word on a run or a channel, with its reason.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Word {
    /// Channel 1 or 2; `None` when it is on both together.
    pub channel: Option<u8>,
    /// The word: `settled`, `this joint`, `normal`.
    pub word: String,
    /// How it is meant.
    pub tone: Tone,
    /// Why.
    pub reason: String,
}

/// A figure with its bound.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Figure {
    /// Channel 1 or 2; `None` when it is on both together.
    pub channel: Option<u8>,
    /// What it is.
    pub what: String,
    /// Its value.
    pub value: f64,
    /// Its unit; `s` is shown in the unit that suits, an empty one is a bare number.
    pub unit: &'static str,
    /// Its bound.
    pub bound: Bound,
}

/// What bounds a figure.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "bound", rename_all = "kebab-case")]
pub enum Bound {
    /// A 95 % interval.
    Interval {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
    },
    /// It is at least the low end; nothing bounds it above.
    AtLeast {
        /// Lower end.
        low: f64,
    },
    /// No bound is given, and this is why.
    None {
        /// Why.
        reason: String,
    },
}

impl Bound {
    /// An interval, where both ends are known; else the reason.
    fn of(low: Option<f64>, high: Option<f64>, otherwise: &str) -> Self {
        match (low, high) {
            (Some(low), Some(high)) => Self::Interval { low, high },
            (Some(low), None) => Self::AtLeast { low },
            _ => Self::none(otherwise),
        }
    }

    fn none(reason: &str) -> Self {
        Self::None {
            reason: reason.to_owned(),
        }
    }
}

impl Figure {
    /// The value with as many digits as its bound bears out.
    #[must_use]
    pub fn value_words(&self) -> String {
        match (self.unit, &self.bound) {
            ("s", _) => duration(self.value),
            ("", Bound::Interval { low, high }) => bare(self.value, high - low),
            ("", _) => bare(self.value, 0.01 * self.value.abs()),
            (unit, Bound::Interval { low, high }) => {
                let whole = bounded(self.value, Some(*low), Some(*high), unit);
                whole.split(" (").next().unwrap_or_default().trim_end().to_owned()
            }
            (unit, Bound::AtLeast { low }) => {
                let whole = bounded(self.value, Some(*low), None, unit);
                whole.split(" (").next().unwrap_or_default().trim_end().to_owned()
            }
            (unit, Bound::None { .. }) => plain(self.value, unit).trim_end().to_owned(),
        }
    }

    /// The bound, or the reason why there is none.
    #[must_use]
    pub fn bound_words(&self) -> String {
        let inner = |whole: String| {
            whole.split_once(" (").map_or(String::new(), |(_, inner)| {
                inner.trim_end_matches(')').trim_end().to_owned()
            })
        };
        match (self.unit, &self.bound) {
            ("s", Bound::Interval { low, high }) => format!("{} to {}", duration(*low), duration(*high)),
            ("", Bound::Interval { low, high }) => {
                format!("{} to {}", bare(*low, high - low), bare(*high, high - low))
            }
            ("", Bound::AtLeast { low }) => format!("at least {}", bare(*low, 0.01 * low.abs())),
            ("s", Bound::AtLeast { low }) => format!("at least {}", duration(*low)),
            (unit, Bound::Interval { low, high }) => {
                inner(bounded(self.value, Some(*low), Some(*high), unit))
            }
            (unit, Bound::AtLeast { low }) => inner(bounded(self.value, Some(*low), None, unit)),
            (_, Bound::None { reason }) => reason.clone(),
        }
    }
}

/// A number without a unit, with two digits of a width.
fn bare(value: f64, width: f64) -> String {
    let decimals = if width > 0.0 && width.is_finite() {
        (1.0 - width.log10().floor()).clamp(0.0, 6.0) as usize
    } else {
        2
    };
    format!("{value:.decimals$}")
}

/// Where the readers of a run's findings put its words and figures.
#[derive(Debug, Default)]
pub(super) struct Told {
    pub(super) words: Vec<Word>,
    pub(super) figures: Vec<Figure>,
}

impl Told {
    fn word(&mut self, channel: Option<u8>, word: impl Into<String>, tone: Tone, reason: impl Into<String>) {
        self.words.push(Word {
            channel,
            word: word.into(),
            tone,
            reason: reason.into(),
        });
    }

    fn figure(
        &mut self,
        channel: Option<u8>,
        what: impl Into<String>,
        value: f64,
        unit: &'static str,
        bound: Bound,
    ) {
        self.figures.push(Figure {
            channel,
            what: what.into(),
            value,
            unit,
            bound,
        });
    }
}

/// Findings as words and figures. `asked` is whether the run was recorded for that question, or examined so for want of
/// one.
pub(super) fn told(findings: &Findings, asked: bool) -> Told {
    let mut told = Told::default();
    match findings {
        Findings::PowerUp(findings) => power_up::tell(findings, &mut told),
        Findings::Soak(findings) => soak::tell(findings, &mut told),
        Findings::Tap(findings) => tap::tell(findings, asked, &mut told),
        Findings::Twins(findings) => twins::tell(findings, &mut told),
    }
    told
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_shows_its_bound_or_says_why_there_is_none() {
        let figure = |value, unit, bound| Figure {
            channel: None,
            what: String::new(),
            value,
            unit,
            bound,
        };
        let between = figure(0.312_417, "A", Bound::of(Some(0.311), Some(0.3139), "-"));
        assert_eq!(
            (between.value_words().as_str(), between.bound_words().as_str()),
            ("312.4 mA", "311.0 to 313.9 mA")
        );
        let least = figure(12.0, "A", Bound::of(Some(11.5), None, "-"));
        assert_eq!(least.bound_words(), "at least 11.50 A, no upper bound");
        let time = figure(0.032, "s", Bound::of(Some(0.03), Some(0.034), "-"));
        assert_eq!(
            (time.value_words().as_str(), time.bound_words().as_str()),
            ("32.0 ms", "30.0 ms to 34.0 ms")
        );
        let ratio = figure(0.318_9, "", Bound::of(Some(0.318_6), Some(0.319_1), "-"));
        assert_eq!(
            (ratio.value_words().as_str(), ratio.bound_words().as_str()),
            ("0.31890", "0.31860 to 0.31910")
        );
        let bare = figure(0.01, "A", Bound::of(None, None, "one reading"));
        assert_eq!(bare.bound_words(), "one reading");
    }
}
