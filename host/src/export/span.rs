//! From when to when.

use std::str::FromStr;

use jiff::Timestamp;

use crate::quantity::parse_duration;
use crate::stream::When;

/// An end of a span: by the run's own time, or by UTC.
///
/// ```
/// use steadybench_host::export::Bound;
///
/// assert_eq!("90s".parse(), Ok(Bound::Elapsed { micros: 90_000_000 }));
/// assert_eq!("1h30m".parse(), Ok(Bound::Elapsed { micros: 5_400_000_000 }));
/// assert!(matches!("2026-11-25T03:10:00+01:00".parse(), Ok(Bound::Utc(_))));
/// assert!("03:10".parse::<Bound>().is_err());
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bound {
    /// Board time since the run's first reading.
    Elapsed {
        /// In microseconds.
        micros: i64,
    },
    /// An instant.
    Utc(Timestamp),
}

impl FromStr for Bound {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if let Ok(elapsed) = parse_duration(text) {
            let micros = i64::try_from(elapsed.as_micros()).unwrap_or(i64::MAX);
            return Ok(Self::Elapsed { micros });
        }
        text.trim().parse().map(Self::Utc).map_err(|_| {
            format!(
                "`{text}` is no time: write the run's elapsed time as 90s, 10min or 1h30m, or an instant by RFC 3339 as \
                 2026-11-25T03:10:00Z"
            )
        })
    }
}

impl Bound {
    /// Whether it lies after `when`; `None` when that is not known.
    fn is_after(self, when: When) -> Option<bool> {
        match self {
            Self::Elapsed { micros } => when.elapsed_us.map(|elapsed_us| elapsed_us < micros),
            Self::Utc(utc) => when.utc.map(|instant| instant.utc < utc),
        }
    }
}

impl std::fmt::Display for Bound {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Elapsed { micros } => write!(f, "{} s elapsed", *micros as f64 * 1e-6),
            Self::Utc(utc) => write!(f, "{utc}"),
        }
    }
}

/// From its first bound, to before its second; what has no bound is open.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Span {
    /// From here on.
    pub from: Option<Bound>,
    /// Up to here, this instant left out.
    pub to: Option<Bound>,
}

impl Span {
    /// Whether an instant lies in it. One that the bound cannot be held against lies outside.
    #[must_use]
    pub fn holds(&self, when: When) -> bool {
        self.from.is_none_or(|from| from.is_after(when) == Some(false))
            && self.to.is_none_or(|to| to.is_after(when) == Some(true))
    }

    /// Whether an instant lies behind it, so that nothing in it follows.
    #[must_use]
    pub fn is_over(&self, when: When) -> bool {
        self.to.is_some_and(|to| to.is_after(when) == Some(false))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::UtcInstant;

    fn at(elapsed_s: i64) -> When {
        let utc = Timestamp::from_second(1_000_000 + elapsed_s).unwrap();
        When {
            elapsed_us: Some(elapsed_s * 1_000_000),
            utc: Some(UtcInstant { utc, bound_s: 1e-3 }),
        }
    }

    #[test]
    fn a_span_takes_its_beginning_and_leaves_its_end() {
        let span = Span {
            from: Some("10s".parse().unwrap()),
            to: Some(Bound::Utc(Timestamp::from_second(1_000_020).unwrap())),
        };
        let held: Vec<i64> = (0..30).filter(|second| span.holds(at(*second))).collect();
        assert_eq!(held, (10..20).collect::<Vec<_>>());
        assert!(span.is_over(at(20)) && !span.is_over(at(19)));
        assert!(Span::default().holds(When::default()) && !span.holds(When::default()));
    }
}
