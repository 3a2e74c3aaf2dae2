//! Copper: resistivity and what temperature does to it.

/// Resistivity of annealed copper at 20 °C in ohm metres: 0.017241 Ω·mm²/m (IEC 60028, the 100 % IACS standard).
pub const COPPER_RESISTIVITY_OHM_M: f64 = 1.7241e-8;

/// Temperature coefficient of copper at 20 °C, per kelvin (IACS: conductivity falls 0.393 % per kelvin).
pub const COPPER_COEFFICIENT_PER_K: f64 = 3.93e-3;

/// Resistance of a copper conductor in ohms, from its length and cross-section in metres and square metres.
///
/// `R = ρ20·L/A·(1 + α20·(T − 20))`
///
/// ```
/// use steadybench_analysis::planning::copper_resistance_ohm;
///
/// // 10 mm of 0.3 mm wire: about 2.4 mΩ.
/// let area_m2 = std::f64::consts::PI * 0.15e-3 * 0.15e-3;
/// assert!((copper_resistance_ohm(10e-3, area_m2, 20.0) - 2.44e-3).abs() < 0.01e-3);
/// ```
#[must_use]
pub fn copper_resistance_ohm(length_m: f64, area_m2: f64, temperature_c: f64) -> f64 {
    COPPER_RESISTIVITY_OHM_M * length_m / area_m2 * (1.0 + COPPER_COEFFICIENT_PER_K * (temperature_c - 20.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 35 µm: 0.4926 mΩ per square, 34 µm: 0.5071 mΩ, computed from IEC 60028's resistivity; a published table of
    /// printed-board copper gives about 0.5 mΩ for one ounce, 1.0 for half, 0.25 for two.
    #[test]
    fn a_square_of_foil() {
        for (thickness_m, milliohm) in [(35e-6, 0.4926), (34e-6, 0.5071)] {
            let found = copper_resistance_ohm(1e-3, 1e-3 * thickness_m, 20.0) * 1e3;
            assert!((found - milliohm).abs() < 5e-5, "{found}");
        }
    }

    /// A published worked value: 4 mm of 0.2 mm by 35 µm track is 9.85 mΩ.
    #[test]
    fn a_narrow_track() {
        let found = copper_resistance_ohm(4e-3, 0.2e-3 * 35e-6, 20.0);
        assert!((found - 9.85e-3).abs() < 0.005e-3);
    }

    /// The inferred zero resistance lies at −234.5 °C: R2/R1 = (234.5 + t2)/(234.5 + t1).
    #[test]
    fn the_ratio_of_two_temperatures() {
        for (t1, t2) in [(20.0, 60.0), (0.0, 100.0), (-20.0, 45.0)] {
            let ratio = copper_resistance_ohm(1.0, 1e-6, t2) / copper_resistance_ohm(1.0, 1e-6, t1);
            assert!((ratio - (234.5 + t2) / (234.5 + t1)).abs() < 2e-4);
        }
    }
}
