//! Copper: what a track or a wire adds to a shunt.
//!
//! # Source
//! Annealed copper after IEC 60028: 0.017241 Ω·mm²/m at 20 °C, temperature coefficient 3.93·10⁻³/K there; hence a
//! resistance proportional to 234.5 °C + t.
//!
//! # Validation
//! Published rules: half a milliohm per square at 1 oz, 2.4 mΩ for 10 mm of 0.3 mm wire, 10 mΩ for 4 mm of a 0.2 mm track,
//! +80 ppm/K for two per cent of copper in a resistor's path (`tests/monitor_chip.rs`).

/// Resistivity at 20 °C, in ohm-metres.
pub const RESISTIVITY_20C_OHM_M: f64 = 1.724_1e-8;

/// Temperature coefficient at 20 °C, relative per kelvin.
pub const TEMPERATURE_COEFFICIENT_20C_PER_K: f64 = 3.93e-3;

/// Where the straight line of resistance against temperature reaches zero, in °C.
pub const INFERRED_ZERO_C: f64 = -234.5;

/// How many times larger a copper resistance is at `at_c` than at `from_c`, both in °C.
///
/// ```
/// use steadybench_analysis::calibration::copper::resistance_ratio;
/// assert!((resistance_ratio(20.0, 70.0) - 1.196).abs() < 1e-3);
/// ```
#[must_use]
pub fn resistance_ratio(from_c: f64, at_c: f64) -> f64 {
    (at_c - INFERRED_ZERO_C) / (from_c - INFERRED_ZERO_C)
}

/// Resistance in ohms of copper of a length in metres and a cross-section in square metres, at a temperature in °C.
#[must_use]
pub fn resistance_ohm(length_m: f64, cross_section_m2: f64, temperature_c: f64) -> f64 {
    RESISTIVITY_20C_OHM_M * length_m / cross_section_m2 * resistance_ratio(20.0, temperature_c)
}

/// Resistance in ohms of a square of track of a thickness in metres (35 µm for 1 oz), at a temperature in °C.
#[must_use]
pub fn ohm_per_square(thickness_m: f64, temperature_c: f64) -> f64 {
    resistance_ohm(1.0, thickness_m, temperature_c)
}
