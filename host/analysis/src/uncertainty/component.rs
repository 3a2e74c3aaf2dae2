//! One source of uncertainty.

use serde::{Deserialize, Serialize};

/// How the uncertainty of a source was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Evaluation {
    /// From repeated readings (type A).
    A,
    /// From anything else: data sheet, certificate, judgement (type B).
    B,
}

/// The shape a half-width is taken to have.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Distribution {
    /// Bell-shaped; a half-width is two standard uncertainties.
    Normal,
    /// Every value within is as likely: a tolerance, a resolution.
    Rectangular,
    /// The middle is likelier: the sum of two equal tolerances.
    Triangular,
    /// The ends are likelier: a cycle seen at an unknown moment.
    ArcSine,
}

impl Distribution {
    /// What a half-width is divided by to give the standard uncertainty.
    #[must_use]
    pub fn divisor(self) -> f64 {
        match self {
            Self::Normal => 2.0,
            Self::Rectangular => 3.0_f64.sqrt(),
            Self::Triangular => 6.0_f64.sqrt(),
            Self::ArcSine => std::f64::consts::SQRT_2,
        }
    }
}

/// One source of uncertainty of a quantity.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Component {
    /// What it is, in words.
    pub name: String,
    /// Estimate of the input, in `unit`.
    pub value: f64,
    /// Unit of the input; empty for a plain number.
    pub unit: String,
    /// Standard uncertainty of the input, in `unit`; not negative.
    pub standard_uncertainty: f64,
    /// Type A or B.
    pub evaluation: Evaluation,
    /// Shape the uncertainty was taken to have.
    pub distribution: Distribution,
    /// Change of the quantity per unit change of the input, in the quantity's unit over `unit`.
    pub sensitivity: f64,
    /// Degrees of freedom; none when the uncertainty itself is taken as known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
}

impl Component {
    /// A source known to lie within `half_width` of `value` (type B), with sensitivity 1.
    #[must_use]
    pub fn within(name: &str, value: f64, unit: &str, half_width: f64, distribution: Distribution) -> Self {
        Self {
            name: name.to_owned(),
            value,
            unit: unit.to_owned(),
            standard_uncertainty: half_width.abs() / distribution.divisor(),
            evaluation: Evaluation::B,
            distribution,
            sensitivity: 1.0,
            degrees_of_freedom: None,
        }
    }

    /// A source whose standard uncertainty is stated (type B), with sensitivity 1.
    #[must_use]
    pub fn stated(name: &str, value: f64, unit: &str, standard_uncertainty: f64) -> Self {
        Self {
            standard_uncertainty,
            ..Self::within(name, value, unit, 0.0, Distribution::Normal)
        }
    }

    /// A source estimated from readings (type A), with sensitivity 1.
    #[must_use]
    pub fn measured(
        name: &str,
        value: f64,
        unit: &str,
        standard_uncertainty: f64,
        degrees_of_freedom: f64,
    ) -> Self {
        Self {
            evaluation: Evaluation::A,
            degrees_of_freedom: degrees_of_freedom.is_finite().then_some(degrees_of_freedom),
            ..Self::stated(name, value, unit, standard_uncertainty)
        }
    }

    /// The same source with another sensitivity.
    #[must_use]
    pub fn sensitivity(mut self, sensitivity: f64) -> Self {
        self.sensitivity = sensitivity;
        self
    }

    /// The same source with the degrees of freedom of its uncertainty stated.
    #[must_use]
    pub fn degrees_of_freedom(mut self, degrees_of_freedom: f64) -> Self {
        self.degrees_of_freedom = degrees_of_freedom.is_finite().then_some(degrees_of_freedom);
        self
    }

    /// What the source adds to the quantity's standard uncertainty, in the quantity's unit; not negative.
    #[must_use]
    pub fn contribution(&self) -> f64 {
        (self.sensitivity * self.standard_uncertainty).abs()
    }
}
