//! A figure with its bounds.

use serde::{Deserialize, Serialize};

/// A figure with the interval it is claimed to lie in, and the share of cases in which such a claim holds.
///
/// The unit is that of the field that carries it. `low <= value <= high`, except that an exact interval may leave out an
/// estimate on its edge. An interval open to one side has an infinite bound there.
///
/// ```
/// use steadybench_analysis::statistics::Bounded;
///
/// let draw_a = Bounded::symmetric(0.250, 0.004, 0.95);
/// assert!(draw_a.contains(0.253));
/// assert!(draw_a.excludes(0.0));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bounded {
    /// The estimate.
    pub value: f64,
    /// Lower bound.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
    /// Share of cases in which the bounds hold the true value, for instance 0.95.
    pub coverage: f64,
}

impl Bounded {
    /// A figure whose bounds lie `half_width` to both sides. The sign of `half_width` does not matter.
    #[must_use]
    pub fn symmetric(value: f64, half_width: f64, coverage: f64) -> Self {
        let half_width = half_width.abs();
        Self {
            value,
            low: value - half_width,
            high: value + half_width,
            coverage,
        }
    }

    /// Half the width of the interval.
    #[must_use]
    pub fn half_width(&self) -> f64 {
        (self.high - self.low) / 2.0
    }

    /// Whether `candidate` lies within the bounds, edges included.
    #[must_use]
    pub fn contains(&self, candidate: f64) -> bool {
        self.low <= candidate && candidate <= self.high
    }

    /// Whether `candidate` lies outside the bounds. A bound that is NaN excludes nothing.
    #[must_use]
    pub fn excludes(&self, candidate: f64) -> bool {
        candidate < self.low || candidate > self.high
    }

    /// The same claim in another unit: all three figures times `factor`. A negative factor exchanges the bounds.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        let (a, b) = (self.low * factor, self.high * factor);
        Self {
            value: self.value * factor,
            low: a.min(b),
            high: a.max(b),
            coverage: self.coverage,
        }
    }
}
