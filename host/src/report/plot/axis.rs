//! Ranges, units and labels of axes.

use std::ops::Range;

/// An axis: its range in the quantity's own unit, and how its labels are written.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// From where to where, in amperes, volts or seconds.
    pub range: Range<f64>,
    /// What a label's number is multiplied by.
    scale: f64,
    decimals: usize,
    /// The unit of the labels.
    pub unit: String,
}

/// Labels wanted along an axis.
const LABELS: f64 = 8.0;

impl Axis {
    /// An axis for a quantity between `low` and `high` with room around it; from zero on, where that costs little.
    #[must_use]
    pub fn of_quantity(low: f64, high: f64, unit: &str) -> Self {
        let (low, high) = if low.is_finite() && high.is_finite() {
            (low, high)
        } else {
            (0.0, 0.0)
        };
        let largest = low.abs().max(high.abs());
        let least_span = (largest * 1e-4).max(1e-6);
        let span = (high - low).max(least_span);
        let (mut from, mut to) = (low - 0.08 * span, high + 0.22 * span);
        if low >= 0.0 && high - low > 0.4 * high {
            from = -0.02 * to;
        }
        if high <= 0.0 && high - low > 0.4 * -low {
            to = -0.02 * from;
        }
        let (scale, prefix) = prefix_of(largest);
        Self {
            decimals: decimals((to - from) * scale / 5.0),
            range: from..to,
            scale,
            unit: format!("{prefix}{unit}"),
        }
    }

    /// An axis of time in the unit that suits its length. `from_zero` writes labels as time since its beginning.
    #[must_use]
    pub fn of_time(from_s: f64, to_s: f64) -> Self {
        let to_s = if to_s > from_s { to_s } else { from_s + 1e-3 };
        let length_s = to_s - from_s;
        let (scale, unit) = match length_s {
            s if s < 0.5 && to_s < 10.0 => (1e3, "ms"),
            s if s < 300.0 => (1.0, "s"),
            s if s < 7_200.0 => (1.0 / 60.0, "min"),
            _ => (1.0 / 3_600.0, "h"),
        };
        Self {
            range: from_s..to_s,
            scale,
            decimals: decimals(length_s * scale / LABELS),
            unit: unit.to_owned(),
        }
    }

    /// A quantity in the unit of the labels, by which the axis is drawn so that its lines stand at round numbers.
    #[must_use]
    pub fn at(&self, value: f64) -> f64 {
        value * self.scale
    }

    /// The range in the unit of the labels.
    #[must_use]
    pub fn drawn(&self) -> Range<f64> {
        self.at(self.range.start)..self.at(self.range.end)
    }

    /// The label of a number in the unit of the labels.
    #[must_use]
    pub fn label(&self, at: f64) -> String {
        let shown = format!("{:.*}", self.decimals, at);
        // Rounding may leave a minus before a zero.
        let zero = shown
            .trim_start_matches('-')
            .chars()
            .all(|c| c == '0' || c == '.');
        if zero {
            shown.trim_start_matches('-').to_owned()
        } else {
            shown
        }
    }

    /// Whether zero lies on the axis.
    #[must_use]
    pub fn holds_zero(&self) -> bool {
        self.range.contains(&0.0)
    }
}

fn prefix_of(largest: f64) -> (f64, &'static str) {
    match largest {
        l if l >= 1.0 || l == 0.0 => (1.0, ""),
        l if l >= 1e-3 => (1e3, "m"),
        _ => (1e6, "µ"),
    }
}

/// Decimals that tell labels `step` apart.
fn decimals(step: f64) -> usize {
    if step > 0.0 && step.is_finite() {
        (0.7 - step.log10()).ceil().clamp(0.0, 6.0) as usize
    } else {
        0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_are_in_a_unit_that_suits_and_tell_their_places_apart() {
        let axis = Axis::of_quantity(0.0, 0.268, "A");
        assert!(axis.holds_zero());
        assert_eq!(
            (axis.unit.as_str(), axis.label(axis.at(0.25))),
            ("mA", "250".to_owned())
        );
        let settled = Axis::of_quantity(0.0905, 0.0907, "A");
        assert!(!settled.holds_zero());
        assert_ne!(
            settled.label(settled.at(0.0905)),
            settled.label(settled.at(0.09055))
        );
        let night = Axis::of_time(0.0, 43_200.0);
        assert_eq!(
            (night.unit.as_str(), night.label(night.at(7_200.0))),
            ("h", "2.0".to_owned())
        );
        assert!((night.drawn().end - 12.0).abs() < 1e-9);
        assert_eq!(Axis::of_time(0.0, 0.05).unit, "ms");
        let nothing = Axis::of_quantity(f64::INFINITY, f64::NEG_INFINITY, "A");
        assert!(nothing.range.start < nothing.range.end && !nothing.label(-1e-12).starts_with('-'));
    }
}
