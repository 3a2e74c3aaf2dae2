//! The thermistor and its divider.

use steadybench_protocol::DividerDescription;

/// Resistance in ohms of a 10 kΩ thermistor with B25/85 = 3977 K at a temperature in degrees Celsius.
///
/// Curve and coefficients: Vishay application note 29089, appendix.
#[must_use]
pub fn resistance_ohm(temperature_c: f64) -> f64 {
    let t = temperature_c + 273.15;
    10_000.0 * (-14.633_72 + 4_791.842 / t - 115_334.0 / t.powi(2) - 3_730_535.0 / t.powi(3)).exp()
}

/// What sits where a thermistor should be.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ThermistorFault {
    /// A thermistor.
    #[default]
    None,
    /// A broken lead.
    Open,
    /// A short.
    Shorted,
}

/// Dissipation factor in watts a kelvin of the thermistor in air: 7 mW/K (Vishay document 29049, NTCLE100E3).
const DISSIPATION_W_PER_K: f64 = 7e-3;

/// The converter's reference in volts.
const REFERENCE_V: f64 = 3.3;

/// Where the divider's voltage stands in codes, before noise and rounding. The thermistor heats itself a little.
#[must_use]
pub fn divider_code(temperature_c: f64, divider: &DividerDescription, fault: ThermistorFault) -> f64 {
    let full_scale = f64::from(divider.full_scale_code);
    let series = f64::from(divider.series_ohm);
    match fault {
        ThermistorFault::Open => full_scale,
        ThermistorFault::Shorted => 0.0,
        ThermistorFault::None => {
            let cold = resistance_ohm(temperature_c);
            let power_w = (REFERENCE_V / (cold + series)).powi(2) * cold;
            let ohm = resistance_ohm(temperature_c + power_w / DISSIPATION_W_PER_K);
            full_scale * ohm / (ohm + series)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DIVIDER: DividerDescription = DividerDescription {
        series_ohm: 10_000,
        full_scale_code: 4_096,
    };

    /// Table of the NTCLE100E3103 as published in code (the 15 °C row there is a misprint: 15872; 15698 from memory and
    /// by the curve).
    #[test]
    fn the_published_table_comes_out() {
        let rows = include_str!("../../data/ntc_10k_B3977_RT.csv")
            .lines()
            .filter(|line| line.starts_with(|first: char| first.is_ascii_digit()));
        let mut seen = 0;
        for row in rows {
            let mut cells = row.split(',').map(|cell| cell.parse::<f64>().unwrap());
            let (celsius, ohm) = (cells.next().unwrap(), cells.next().unwrap());
            // Rounded to a whole ohm in the table.
            let ours = resistance_ohm(celsius);
            assert!((ours - ohm).abs() < 1.01, "{celsius} °C: {ours} {ohm}");
            seen += 1;
        }
        assert_eq!(seen, 21);
    }

    /// From a code back to the table's resistance: half a step of the converter, and the thermistor's own heat.
    #[test]
    fn the_divider_gives_the_table_back() {
        for (celsius, ohm) in [
            (0.0, 32_554.0),
            (25.0, 10_000.0),
            (50.0, 3_605.0),
            (85.0, 1_070.0),
        ] {
            let share = divider_code(celsius, &DIVIDER, ThermistorFault::None) / 4_096.0;
            let back = 10_000.0 * share / (1.0 - share);
            assert!((back / ohm - 1.0).abs() < 3e-3, "{celsius} °C: {back}");
        }
    }

    /// 0.272 mW at 25 °C and 7 mW/K make 0.039 K.
    #[test]
    fn the_thermistor_heats_itself() {
        let code = divider_code(25.0, &DIVIDER, ThermistorFault::None);
        let hotter = resistance_ohm(25.039);
        assert!((code - 4_096.0 * hotter / (hotter + 10_000.0)).abs() < 0.01);
    }
}
