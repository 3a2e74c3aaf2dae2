//! The shunt, and the scale of the monitor chip over it.

use serde::{Deserialize, Serialize};

/// Rail voltage of one step of the chip, in volts. INA228 data sheet (TI SLYS021A), `VBUS` register.
pub const RAIL_STEP_V: f64 = 195.3125e-6;

/// Temperature of one step of the chip's own sensor, in kelvin. The same data sheet, `DIETEMP` register.
pub const DIE_TEMPERATURE_STEP_C: f64 = 7.8125e-3;

/// The chip's range of shunt voltage.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ShuntRange {
    /// ±163.84 mV, 312.5 nV a step.
    Wide,
    /// ±40.96 mV, 78.125 nV a step.
    Narrow,
}

impl ShuntRange {
    /// Shunt voltage of one step, in volts.
    #[must_use]
    pub fn step_v(self) -> f64 {
        match self {
            Self::Wide => 312.5e-9,
            Self::Narrow => 78.125e-9,
        }
    }

    /// Largest shunt voltage to either side, in volts.
    #[must_use]
    pub fn full_scale_v(self) -> f64 {
        match self {
            Self::Wide => 0.163_84,
            Self::Narrow => 0.040_96,
        }
    }
}

/// A shunt as its maker describes it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shunt {
    /// Nominal resistance in ohms, above 0.
    pub nominal_ohm: f64,
    /// Tolerance, relative, to either side: 0.01 for 1 %.
    pub tolerance: f64,
    /// Largest temperature coefficient to either side, relative per kelvin: 75e-6 for 75 ppm/K.
    pub temperature_coefficient_per_k: f64,
}
