//! A budget on paper.

use super::{Budget, Evaluation};
use serde::{Deserialize, Serialize};
use std::fmt;

/// One line of a budget table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BudgetRow {
    /// What the source is.
    pub source: String,
    /// Estimate of the input with its unit.
    pub value: String,
    /// Standard uncertainty of the input with its unit.
    pub standard_uncertainty: String,
    /// Shape of the distribution.
    pub distribution: String,
    /// Type A or B.
    pub evaluation: String,
    /// Degrees of freedom, `∞` when taken as known.
    pub degrees_of_freedom: String,
    /// Sensitivity, with three significant digits.
    pub sensitivity: String,
    /// Contribution to the quantity's standard uncertainty with its unit.
    pub contribution: String,
    /// Share of the combined variance, from 0 to 1; NaN when that is zero.
    pub share_of_variance: f64,
}

impl Budget {
    /// The lines of the table, in the order of the components.
    #[must_use]
    pub fn rows(&self) -> Vec<BudgetRow> {
        let combined = self.combined_standard_uncertainty();
        let row = |component: &super::Component| BudgetRow {
            source: component.name.clone(),
            value: engineering(component.value, &component.unit, 5),
            standard_uncertainty: engineering(component.standard_uncertainty, &component.unit, 3),
            distribution: match component.distribution {
                super::Distribution::Normal => "normal",
                super::Distribution::Rectangular => "rectangular",
                super::Distribution::Triangular => "triangular",
                super::Distribution::ArcSine => "arc sine",
            }
            .to_owned(),
            evaluation: match component.evaluation {
                Evaluation::A => "A",
                Evaluation::B => "B",
            }
            .to_owned(),
            degrees_of_freedom: component
                .degrees_of_freedom
                .map_or_else(|| "∞".to_owned(), |freedom| format!("{freedom:.1}")),
            sensitivity: format!("{:.2e}", component.sensitivity),
            contribution: engineering(component.contribution(), &self.unit, 3),
            share_of_variance: (component.contribution() / combined).powi(2),
        };
        self.components.iter().map(row).collect()
    }
}

/// The table, under a line with the value and its expanded uncertainty at 95 %.
impl fmt::Display for Budget {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.expanded(0.95) {
            Ok(expanded) => {
                let figure = with_uncertainty(self.value, expanded.expanded_uncertainty, &self.unit);
                let freedom = expanded
                    .degrees_of_freedom
                    .map_or("∞".to_owned(), |freedom| freedom.to_string());
                writeln!(
                    f,
                    "{}: {figure} (95 %, k = {:.2}, degrees of freedom {freedom})",
                    self.quantity, expanded.coverage_factor
                )?;
            }
            Err(error) => writeln!(f, "{}: {error}", self.quantity)?,
        }
        let heading = [
            "source",
            "value",
            "u",
            "shape",
            "type",
            "dof",
            "sensitivity",
            "contribution",
            "share",
        ]
        .map(str::to_owned);
        let mut lines = vec![heading];
        lines.extend(self.rows().into_iter().map(|row| {
            [
                row.source,
                row.value,
                row.standard_uncertainty,
                row.distribution,
                row.evaluation,
                row.degrees_of_freedom,
                row.sensitivity,
                row.contribution,
                format!("{:.1} %", 100.0 * row.share_of_variance),
            ]
        }));
        let width = |column: usize| {
            lines
                .iter()
                .map(|line| line[column].chars().count())
                .max()
                .unwrap_or(0)
        };
        let widths: Vec<usize> = (0..9).map(width).collect();
        for line in &lines {
            let cells: Vec<String> = line
                .iter()
                .zip(&widths)
                .map(|(cell, &width)| format!("{cell:<width$}"))
                .collect();
            writeln!(f, "  {}", cells.join("  ").trim_end())?;
        }
        Ok(())
    }
}

/// Prefixes by power of a thousand, from 10⁻¹² to 10⁹.
const PREFIXES: [&str; 8] = ["p", "n", "µ", "m", "", "k", "M", "G"];

/// Whether a unit takes a prefix: degrees, shares and plain numbers do not.
fn takes_prefix(unit: &str) -> bool {
    !unit.is_empty() && !unit.starts_with('°') && !unit.contains(['%', '/', '·']) && unit != "ppm"
}

/// The power of a thousand that puts `value` between 1 and 1000, from −4 to 3.
fn thousands(value: f64) -> i32 {
    if value == 0.0 || !value.is_finite() {
        return 0;
    }
    ((value.abs().log10() / 3.0).floor() as i32).clamp(-4, 3)
}

/// `value` with `digits` significant digits and an SI prefix: `engineering(0.000_025, "V", 3)` is `25.0 µV`.
#[must_use]
pub fn engineering(value: f64, unit: &str, digits: usize) -> String {
    if takes_prefix(unit) {
        let power = thousands(value);
        let scaled = value / 1000_f64.powi(power);
        format!(
            "{} {}{unit}",
            significant(scaled, digits),
            PREFIXES[(power + 4) as usize]
        )
    } else {
        // Without a prefix a trace would be a row of zeros.
        let value = if value.abs() < 1e-9 { 0.0 } else { value };
        format!("{} {unit}", significant(value, digits))
            .trim_end()
            .to_owned()
    }
}

/// `value` ± `expanded` to two significant digits of the latter, both with the same prefix: `250.00 mA ± 0.32 mA`.
#[must_use]
pub fn with_uncertainty(value: f64, expanded: f64, unit: &str) -> String {
    let power = if takes_prefix(unit) {
        thousands(if value == 0.0 { expanded } else { value })
    } else {
        0
    };
    let scale = 1000_f64.powi(power);
    let unit = if takes_prefix(unit) {
        format!("{}{unit}", PREFIXES[(power + 4) as usize])
    } else {
        unit.into()
    };
    let places = decimals(expanded / scale, 2);
    format!(
        "{:.places$} {unit} ± {:.places$} {unit}",
        value / scale,
        expanded / scale
    )
}

/// Places after the point that show `digits` significant digits of `value`.
fn decimals(value: f64, digits: usize) -> usize {
    if value == 0.0 || !value.is_finite() {
        return digits;
    }
    // Rounding to the wanted digits first: 9.996 with three digits is 10.0, which has one place fewer.
    let rounded: f64 = format!("{value:.*e}", digits.saturating_sub(1))
        .parse()
        .unwrap_or(value);
    (digits as i32 - 1 - rounded.abs().log10().floor() as i32).clamp(0, 15) as usize
}

fn significant(value: f64, digits: usize) -> String {
    let places = decimals(value, digits);
    format!("{value:.places$}")
}

#[cfg(test)]
mod tests {
    use super::super::{Component, Distribution};
    use super::*;

    #[test]
    fn figures_carry_the_prefix_of_the_trade() {
        assert_eq!(engineering(0.000_025, "V", 3), "25.0 µV");
        assert_eq!(engineering(-0.25, "A", 4), "-250.0 mA");
        assert_eq!(engineering(10_000.0, "Ω", 3), "10.0 kΩ");
        assert_eq!(engineering(41.25, "°C", 4), "41.25 °C");
        assert_eq!(engineering(0.0, "V", 3), "0.000 V");
        assert_eq!(engineering(9.996, "V", 3), "10.0 V");
        assert_eq!(with_uncertainty(0.25, 0.000_32, "A"), "250.00 mA ± 0.32 mA");
        assert_eq!(with_uncertainty(41.234, 0.52, "°C"), "41.23 °C ± 0.52 °C");
        assert_eq!(with_uncertainty(0.0, 0.000_004, "A"), "0.0 µA ± 4.0 µA");
    }

    #[test]
    fn the_table_shows_every_source_and_its_share() {
        let budget = Budget::new(
            "current",
            "A",
            0.25,
            vec![
                Component::measured("reading", 0.025, "V", 1e-6, 9.0).sensitivity(10.0),
                Component::within("shunt", 0.1, "Ω", 0.001, Distribution::Rectangular).sensitivity(-2.5),
            ],
        )
        .unwrap();
        let text = budget.to_string();
        assert!(
            text.starts_with("current: 250.0 mA ± 2.8 mA (95 %, k = 1.96"),
            "{text}"
        );
        assert!(
            text.contains("rectangular") && text.contains("100.0 %") && text.contains("∞"),
            "{text}"
        );
        let rows = budget.rows();
        assert!((rows.iter().map(|row| row.share_of_variance).sum::<f64>() - 1.0).abs() < 1e-12);
        assert_eq!(rows[0].contribution, "10.0 µA");
        let back: Budget = serde_json::from_str(&serde_json::to_string(&budget).unwrap()).unwrap();
        assert_eq!(back, budget);
    }
}
