//! Numbers as a sentence needs them.

/// Three significant figures with a unit prefix, such as `47.0 mΩ`.
pub(crate) fn engineering(value: f64, unit: &str) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value} {unit}");
    }
    let exponent = (value.abs() * (1.0 + 1e-12))
        .log10()
        .div_euclid(3.0)
        .clamp(-4.0, 3.0) as i32;
    let prefix = ["p", "n", "µ", "m", "", "k", "M", "G"][(exponent + 4) as usize];
    let scaled = value / 1000.0_f64.powi(exponent);
    let decimals = (2 - scaled.abs().max(1e-9).log10().floor() as i32).clamp(0, 3) as usize;
    format!("{scaled:.decimals$} {prefix}{unit}")
}

#[cfg(test)]
mod tests {
    use super::engineering;

    #[test]
    fn three_figures_and_a_prefix() {
        for (value, text) in [
            (0.047, "47.0 mΩ"),
            (4700.0, "4.70 kΩ"),
            (1.0, "1.00 Ω"),
            (999.6, "1000 Ω"),
            (3.125e-7, "312 nΩ"),
            (0.0, "0 Ω"),
            (-0.02, "-20.0 mΩ"),
        ] {
            assert_eq!(engineering(value, "Ω"), text);
        }
        assert_eq!(engineering(f64::NAN, "Ω"), "NaN Ω");
    }
}
