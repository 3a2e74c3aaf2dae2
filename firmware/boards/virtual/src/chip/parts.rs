//! What differs from chip to chip.

use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

/// Errors of one chip, drawn within the data sheet's limits (TI SLYS021A, section 6.5, at 25 °C).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChipParts {
    /// Offset of the shunt input in volts: typically ±0.3 µV, at most ±1 µV.
    pub shunt_offset_v: f64,
    /// Gain error of the shunt input as a share: typically ±0.01 %, at most ±0.05 %.
    pub shunt_gain: f64,
    /// Offset of the rail input in volts: typically ±1 mV, at most ±2.5 mV.
    pub rail_offset_v: f64,
    /// Gain error of the rail input as a share: typically ±0.01 %, at most ±0.05 %.
    pub rail_gain: f64,
    /// Error of the temperature sensor in kelvins, at most ±1.
    pub temperature_offset_k: f64,
    /// The chip's seconds in a true second: 1 ± 0.005.
    pub oscillator: f64,
}

impl ChipParts {
    /// A chip without errors.
    pub const PERFECT: Self = Self {
        shunt_offset_v: 0.0,
        shunt_gain: 0.0,
        rail_offset_v: 0.0,
        rail_gain: 0.0,
        temperature_offset_k: 0.0,
        oscillator: 1.0,
    };

    /// Draws a chip.
    pub fn draw(random: &mut impl Rng) -> Self {
        // The typical value is taken as one standard deviation (common practice, no source).
        let mut within = |typical: f64, most: f64| {
            let drawn: f64 = StandardNormal.sample(random);
            (typical * drawn).clamp(-most, most)
        };
        Self {
            shunt_offset_v: within(0.3e-6, 1e-6),
            shunt_gain: within(1e-4, 5e-4),
            rail_offset_v: within(1e-3, 2.5e-3),
            rail_gain: within(1e-4, 5e-4),
            temperature_offset_k: within(0.4, 1.0),
            oscillator: 1.0 + random.random_range(-5e-3..=5e-3),
        }
    }
}
