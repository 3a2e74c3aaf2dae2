//! The budget: its sum, its degrees of freedom, its bounds.

use super::Component;
use crate::statistics::{Bounded, StatisticsError, student_t_coverage_factor};
use serde::{Deserialize, Serialize};

/// Why a budget could not be made.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum UncertaintyError {
    /// A component carries a figure that cannot be.
    #[error("the source \"{name}\" has {what} {value}, but it must be {rule}")]
    Component {
        /// Name of the component.
        name: String,
        /// The figure.
        what: &'static str,
        /// Its value.
        value: f64,
        /// The range, in words.
        rule: &'static str,
    },
    /// The coverage is out of range.
    #[error(transparent)]
    Statistics(#[from] StatisticsError),
}

/// A quantity with the sources of its uncertainty.
///
/// ```
/// use steadybench_analysis::uncertainty::{Budget, Component, Distribution};
///
/// // 25 mV over a shunt of 100 mΩ ± 1 %.
/// let budget = Budget::new("current", "A", 0.250, vec![
///     Component::stated("shunt voltage", 0.025, "V", 2e-6).sensitivity(10.0),
///     Component::within("shunt", 0.100, "Ω", 0.001, Distribution::Rectangular).sensitivity(-2.5),
/// ])?;
/// assert!((budget.combined_standard_uncertainty() - 0.001_443_5).abs() < 1e-6);
/// println!("{budget}");
/// # Ok::<(), steadybench_analysis::uncertainty::UncertaintyError>(())
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// What is measured, in words.
    pub quantity: String,
    /// Unit of the value and of all contributions.
    pub unit: String,
    /// The estimate.
    pub value: f64,
    /// The sources.
    pub components: Vec<Component>,
}

/// An expanded uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Expanded {
    /// Half-width U = k·u, in the quantity's unit.
    pub expanded_uncertainty: f64,
    /// Coverage factor k.
    pub coverage_factor: f64,
    /// Share of cases the interval holds the quantity in.
    pub coverage: f64,
    /// Whole degrees of freedom k was taken for; none when unlimited.
    pub degrees_of_freedom: Option<f64>,
}

impl Budget {
    /// A budget of the given components.
    ///
    /// # Errors
    /// A standard uncertainty that is negative or not finite, a sensitivity that is not finite, or degrees of freedom not
    /// above 0.
    pub fn new(
        quantity: &str,
        unit: &str,
        value: f64,
        components: Vec<Component>,
    ) -> Result<Self, UncertaintyError> {
        for component in &components {
            let refuse = |what, value, rule| {
                Err(UncertaintyError::Component {
                    name: component.name.clone(),
                    what,
                    value,
                    rule,
                })
            };
            let u = component.standard_uncertainty;
            if !u.is_finite() || u < 0.0 {
                return refuse("the standard uncertainty", u, "0 or above, and finite");
            }
            if !component.sensitivity.is_finite() {
                return refuse("the sensitivity", component.sensitivity, "finite");
            }
            match component.degrees_of_freedom {
                Some(freedom) if freedom.is_nan() || freedom <= 0.0 => {
                    return refuse("the degrees of freedom", freedom, "above 0");
                }
                _ => {}
            }
        }
        Ok(Self {
            quantity: quantity.to_owned(),
            unit: unit.to_owned(),
            value,
            components,
        })
    }

    /// The combined standard uncertainty, in the quantity's unit.
    #[must_use]
    pub fn combined_standard_uncertainty(&self) -> f64 {
        self.components
            .iter()
            .map(|component| component.contribution().powi(2))
            .sum::<f64>()
            .sqrt()
    }

    /// The effective degrees of freedom by Welch and Satterthwaite; infinite when every source is taken as known.
    #[must_use]
    pub fn effective_degrees_of_freedom(&self) -> f64 {
        let combined = self.combined_standard_uncertainty();
        if combined == 0.0 {
            return f64::INFINITY;
        }
        let limited = self.components.iter().filter_map(|component| {
            component
                .degrees_of_freedom
                .map(|freedom| (component.contribution() / combined).powi(4) / freedom)
        });
        // The sum of nothing is −0 in Rust, and its inverse would be −∞.
        1.0 / limited.fold(0.0, |sum, term| sum + term)
    }

    /// The expanded uncertainty at the given coverage. Effective degrees of freedom are cut to a whole number, and to 1 at
    /// least, as the guide does.
    ///
    /// # Errors
    /// Coverage not between 0 and 1.
    pub fn expanded(&self, coverage: f64) -> Result<Expanded, UncertaintyError> {
        let freedom = self.effective_degrees_of_freedom().floor().max(1.0);
        let coverage_factor = student_t_coverage_factor(coverage, freedom)?;
        Ok(Expanded {
            expanded_uncertainty: coverage_factor * self.combined_standard_uncertainty(),
            coverage_factor,
            coverage,
            degrees_of_freedom: freedom.is_finite().then_some(freedom),
        })
    }

    /// The value with its bounds at the given coverage.
    ///
    /// # Errors
    /// Coverage not between 0 and 1.
    pub fn bounded(&self, coverage: f64) -> Result<Bounded, UncertaintyError> {
        Ok(Bounded::symmetric(
            self.value,
            self.expanded(coverage)?.expanded_uncertainty,
            coverage,
        ))
    }

    /// The source that contributes most; none in an empty budget.
    #[must_use]
    pub fn largest(&self) -> Option<&Component> {
        self.components
            .iter()
            .max_by(|a, b| a.contribution().total_cmp(&b.contribution()))
    }
}

#[cfg(test)]
mod tests {
    use super::super::Distribution;
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_sum_lies_between_the_largest_source_and_all_of_them_added(
            sources in prop::collection::vec((0.0..10.0_f64, -5.0..5.0_f64, 1.0..50.0_f64), 1..8),
        ) {
            let components: Vec<Component> = sources
                .iter()
                .map(|(u, c, freedom)| Component::measured("s", 1.0, "V", *u, *freedom).sensitivity(*c))
                .collect();
            let budget = Budget::new("q", "V", 1.0, components.clone()).unwrap();
            let u = budget.combined_standard_uncertainty();
            let all: f64 = components.iter().map(Component::contribution).sum();
            prop_assert!(budget.largest().unwrap().contribution() <= u * (1.0 + 1e-12) && u <= all * (1.0 + 1e-12));
            // Welch–Satterthwaite lies between the least of the degrees of freedom and their sum.
            let freedom = budget.effective_degrees_of_freedom();
            let least = sources.iter().map(|s| s.2).fold(f64::INFINITY, f64::min);
            let sum: f64 = sources.iter().map(|s| s.2).sum();
            prop_assert!(u == 0.0 || (freedom >= least * (1.0 - 1e-9) && freedom <= sum * (1.0 + 1e-9)));
            let (wide, narrow) = (budget.bounded(0.99).unwrap(), budget.bounded(0.9).unwrap());
            prop_assert!(wide.half_width() >= narrow.half_width() && wide.contains(1.0));
        }
    }

    #[test]
    fn a_source_that_cannot_be_is_named() {
        let bad = |component| {
            Budget::new("current", "A", 1.0, vec![component])
                .unwrap_err()
                .to_string()
        };
        assert!(bad(Component::stated("shunt", 0.1, "Ω", -1.0)).contains("shunt"));
        assert!(bad(Component::stated("shunt", 0.1, "Ω", 1.0).sensitivity(f64::NAN)).contains("sensitivity"));
        assert!(bad(Component::stated("shunt", 0.1, "Ω", 1.0).degrees_of_freedom(0.0)).contains("freedom"));
    }

    #[test]
    fn a_half_width_is_divided_by_its_shape() {
        for (shape, u) in [
            (Distribution::Normal, 3.0),
            (Distribution::Rectangular, 3.464_101_615_137_755),
            (Distribution::Triangular, 2.449_489_742_783_178),
            (Distribution::ArcSine, 4.242_640_687_119_285),
        ] {
            let have = Component::within("s", 0.0, "V", 6.0, shape).standard_uncertainty;
            assert!((have - u).abs() < 1e-12, "{shape:?}");
        }
    }

    #[test]
    fn an_empty_budget_knows_its_value_exactly() {
        let budget = Budget::new("q", "V", 2.0, Vec::new()).unwrap();
        let bounded = budget.bounded(0.95).unwrap();
        assert_eq!((bounded.low, bounded.high), (2.0, 2.0));
        assert!(budget.largest().is_none() && budget.effective_degrees_of_freedom().is_infinite());
        let known = Budget::new("q", "V", 2.0, vec![Component::stated("s", 2.0, "V", 1.0)]).unwrap();
        let expanded = known.expanded(0.95).unwrap();
        assert!((expanded.coverage_factor - 1.96).abs() < 1e-3 && expanded.degrees_of_freedom.is_none());
    }
}
