//! Findings as a page for a person: words first, then the figures, each with its bound.

mod power_up;
mod soak;
mod tap;
mod twins;

use super::Findings;

/// The page.
#[must_use]
pub fn of(findings: &Findings) -> String {
    match findings {
        Findings::PowerUp(findings) => power_up::page(findings),
        Findings::Soak(findings) => soak::page(findings),
        Findings::Tap(findings) => tap::page(findings),
        Findings::Twins(findings) => twins::page(findings),
    }
}

/// A value with the ends of its interval, in a unit with a prefix that suits it: `312.4 mA (311.0 to 313.9 mA)`.
///
/// As many digits are shown as the interval bears out: its half-width keeps two.
pub(crate) fn bounded(value: f64, low: Option<f64>, high: Option<f64>, unit: &str) -> String {
    let (scale, prefix) = prefix_for(value.abs().max(low.map_or(0.0, f64::abs)), unit);
    let width = match (low, high) {
        (Some(low), Some(high)) => (high - low).abs() / 2.0,
        (Some(end), None) | (None, Some(end)) => (value - end).abs(),
        (None, None) => 0.0,
    };
    let decimals = decimals_for(width / scale, value / scale);
    let show = |value: f64| format!("{:.decimals$}", value / scale);
    let value_shown = show(value);
    match (low, high) {
        (Some(low), Some(high)) => format!(
            "{value_shown} {prefix}{unit} ({} to {} {prefix}{unit})",
            show(low),
            show(high)
        ),
        (Some(low), None) => format!(
            "{value_shown} {prefix}{unit} (at least {} {prefix}{unit}, no upper bound)",
            show(low)
        ),
        (None, Some(high)) => format!(
            "{value_shown} {prefix}{unit} (at most {} {prefix}{unit})",
            show(high)
        ),
        (None, None) => format!("{value_shown} {prefix}{unit}"),
    }
}

/// A bare value with a suiting prefix and four digits.
pub(crate) fn plain(value: f64, unit: &str) -> String {
    let (scale, prefix) = prefix_for(value.abs(), unit);
    format!(
        "{:.*} {prefix}{unit}",
        decimals_for(value.abs() / scale * 1e-3, value / scale),
        value / scale
    )
}

fn prefix_for(magnitude: f64, unit: &str) -> (f64, &'static str) {
    match magnitude {
        // A prefix before a squared unit is squared with it, and read wrongly.
        _ if unit.contains('²') => (1.0, ""),
        m if !m.is_finite() || m >= 1.0 || m == 0.0 => (1.0, ""),
        m if m >= 1e-3 => (1e-3, "m"),
        m if m >= 1e-6 => (1e-6, "µ"),
        _ => (1e-9, "n"),
    }
}

/// Decimals that leave two digits of `width`; three significant digits of `value` where there is no width.
fn decimals_for(width: f64, value: f64) -> usize {
    let wanted = if width > 0.0 && width.is_finite() {
        1.0 - width.log10().floor()
    } else if value != 0.0 && value.is_finite() {
        2.0 - value.abs().log10().floor()
    } else {
        0.0
    };
    wanted.clamp(0.0, 6.0) as usize
}

/// A length of time in the unit a person would use.
pub(crate) fn duration(seconds: f64) -> String {
    match seconds.abs() {
        s if s < 1e-3 => format!("{:.0} µs", seconds * 1e6),
        s if s < 1.0 => format!("{:.1} ms", seconds * 1e3),
        s if s < 120.0 => format!("{seconds:.1} s"),
        s if s < 7_200.0 => format!("{:.0} min", seconds / 60.0),
        _ => format!("{:.1} h", seconds / 3_600.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_carry_the_digits_their_bound_bears_out() {
        assert_eq!(
            bounded(0.312_417, Some(0.311), Some(0.3139), "A"),
            "312.4 mA (311.0 to 313.9 mA)"
        );
        assert_eq!(
            bounded(12.0, Some(11.5), None, "A"),
            "12.00 A (at least 11.50 A, no upper bound)"
        );
        assert_eq!(bounded(0.0, None, None, "A"), "0 A");
        assert_eq!(plain(0.005, "V"), "5.0000 mV");
    }

    #[test]
    fn durations_are_in_a_unit_that_suits_them() {
        assert_eq!(duration(0.000_25), "250 µs");
        assert_eq!(duration(0.0321), "32.1 ms");
        assert_eq!(duration(61.0), "61.0 s");
        assert_eq!(duration(1_800.0), "30 min");
        assert_eq!(duration(36_000.0), "10.0 h");
    }
}
