//! Why a statistic could not be given.

/// Why a statistic could not be given: the value, the rule it broke, and what to do.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum StatisticsError {
    /// Fewer values than the method needs at all.
    #[error("{what} needs at least {need} values and has {have}; record longer")]
    NotEnough {
        /// The method or its input.
        what: &'static str,
        /// Values given.
        have: usize,
        /// Values needed at least.
        need: usize,
    },
    /// Enough values, but they repeat one another so much that too few independent ones are among them.
    #[error(
        "{what}: {have} readings are worth only {effective:.1} independent ones, and {need:.0} are needed; record about {factor:.1} times as long"
    )]
    TooCorrelated {
        /// The method.
        what: &'static str,
        /// Values given.
        have: usize,
        /// Independent values they are worth.
        effective: f64,
        /// Independent values needed.
        need: f64,
        /// How many times longer the record should be; a rough figure.
        factor: f64,
    },
    /// A value is NaN or infinite.
    #[error("value {index} of {what} is {value}, not a finite number; leave gaps out before the calculation")]
    NotFinite {
        /// The list the value is in.
        what: &'static str,
        /// Its place, counted from 0.
        index: usize,
        /// The value.
        value: f64,
    },
    /// A setting outside its range.
    #[error("{what} is {value}, but must be {rule}")]
    OutOfRange {
        /// The setting.
        what: &'static str,
        /// Its value.
        value: f64,
        /// The range, in words.
        rule: &'static str,
    },
    /// Two lists that belong together differ in length.
    #[error("{what} have {first} and {second} values, but must have equally many")]
    LengthsDiffer {
        /// The two lists.
        what: &'static str,
        /// Length of the first.
        first: usize,
        /// Length of the second.
        second: usize,
    },
    /// The values allow no answer, for instance all times are equal.
    #[error("{what} cannot be told: {why}")]
    Degenerate {
        /// The quantity asked for.
        what: &'static str,
        /// The reason and the remedy.
        why: &'static str,
    },
}

/// Refuses a list with a value that is not finite, or with fewer than `need` values.
pub(crate) fn require(what: &'static str, values: &[f64], need: usize) -> Result<(), StatisticsError> {
    if values.len() < need {
        return Err(StatisticsError::NotEnough {
            what,
            have: values.len(),
            need,
        });
    }
    match values.iter().position(|value| !value.is_finite()) {
        Some(index) => Err(StatisticsError::NotFinite {
            what,
            index,
            value: values[index],
        }),
        None => Ok(()),
    }
}

/// Refuses a pair of lists of different length, with a value that is not finite, or with fewer than `need` values.
pub(crate) fn require_pair(
    what: &'static str,
    x: &[f64],
    y: &[f64],
    need: usize,
) -> Result<(), StatisticsError> {
    if x.len() != y.len() {
        return Err(StatisticsError::LengthsDiffer {
            what,
            first: x.len(),
            second: y.len(),
        });
    }
    require(what, x, need)?;
    require(what, y, need)
}

/// Refuses a coverage that is not strictly between 0 and 1.
pub(crate) fn require_coverage(coverage: f64) -> Result<(), StatisticsError> {
    if coverage > 0.0 && coverage < 1.0 {
        Ok(())
    } else {
        Err(StatisticsError::OutOfRange {
            what: "the coverage",
            value: coverage,
            rule: "between 0 and 1, for instance 0.95",
        })
    }
}

/// Refuses a probability outside 0 to 1.
pub(crate) fn require_probability(what: &'static str, value: f64) -> Result<(), StatisticsError> {
    if (0.0..=1.0).contains(&value) {
        Ok(())
    } else {
        Err(StatisticsError::OutOfRange {
            what,
            value,
            rule: "a probability from 0 to 1",
        })
    }
}
