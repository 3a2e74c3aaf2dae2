//! The monitor chip's data sheet (TI SLYS021A, INA228) and published rules for copper.

mod common;

use common::column;
use steadybench_analysis::calibration::{
    ChannelCalibration, DIE_TEMPERATURE_STEP_C, RAIL_STEP_V, Shunt, ShuntRange, copper, noise_peak_to_peak_v,
};

/// Section 8.2, tables 8-3 and 8-4: 16.2 mΩ, 97.2 mV, 6 A, 48 V, 25 °C. The sheet truncates CURRENT to 314572 (exactly
/// 314572.8) and prints POWER as 4718604 where exact scaling gives 4718592; neither register is used here.
#[test]
fn worked_design_example() {
    let shunt = Shunt {
        nominal_ohm: 0.016_2,
        tolerance: 0.01,
        temperature_coefficient_per_k: 75e-6,
    };
    let channel = ChannelCalibration::uncalibrated(shunt);
    assert!((311_040.0 * ShuntRange::Wide.step_v() - 97.2e-3_f64).abs() < 1e-12);
    assert!((channel.current_a(311_040.0, ShuntRange::Wide) - 6.0).abs() < 1e-12);
    // 1011 0100 0001 0000 0000b in two's complement.
    let negative = ((0b1011_0100_0001_0000_0000_u32 << 12) as i32) >> 12;
    assert_eq!(negative, -311_040);
    assert!((channel.current_a(f64::from(negative), ShuntRange::Wide) + 6.0).abs() < 1e-12);
    assert!((channel.rail_v(245_760.0) - 48.0).abs() < 1e-12);
    assert!((3200.0 * DIE_TEMPERATURE_STEP_C - 25.0_f64).abs() < 1e-12);
    // 10 A is 162 mV and within the range, 10.2 A is not.
    assert!(10.0 * shunt.nominal_ohm < ShuntRange::Wide.full_scale_v());
    assert!(10.2 * shunt.nominal_ohm > ShuntRange::Wide.full_scale_v());
    // Full scale is 2¹⁹ steps in either range.
    for range in [ShuntRange::Wide, ShuntRange::Narrow] {
        assert!((range.full_scale_v() / range.step_v() - 524_288.0).abs() < 1e-6);
    }
}

/// Vectors of the crate ina228 0.2.0: 61440 is 12.0 V, ±3200 is ±1 mV.
#[test]
fn vectors_of_a_public_driver() {
    assert!((61_440.0 * RAIL_STEP_V - 12.0_f64).abs() < 1e-12);
    assert!((3_200.0 * ShuntRange::Wide.step_v() - 1e-3_f64).abs() < 1e-15);
}

/// All 64 rows of table 8-2, in both ranges, against the microvolts worked out from them.
#[test]
fn noise_table() {
    let text = include_str!("data/ina228_noise_table_8-2.csv");
    let [time, averages, wide, narrow] = [0, 1, 5, 6].map(|index| column(text, index));
    assert_eq!(time.len(), 64);
    for row in 0..64 {
        for (range, want) in [(ShuntRange::Wide, wide[row]), (ShuntRange::Narrow, narrow[row])] {
            let have =
                noise_peak_to_peak_v(time[row] as u32, averages[row] as u32, range).expect("in the table");
            assert!(
                (have * 1e6 - want).abs() <= 0.000_51,
                "{} us x {}: {have}",
                time[row],
                averages[row]
            );
        }
    }
    assert!(noise_peak_to_peak_v(540, 2, ShuntRange::Wide).is_none());
}

/// Copper: 1 oz has about half a milliohm a square, 10 mm of 0.3 mm wire 2.4 mΩ, 4 mm of a 0.2 mm track 10 mΩ, and two per
/// cent of copper in a resistor's path add about 80 ppm/K (published rules of thumb; IEC 60028 for the constants).
#[test]
fn copper_rules() {
    assert!((copper::ohm_per_square(35e-6, 20.0) - 0.492_6e-3).abs() < 1e-7);
    assert!((copper::ohm_per_square(34e-6, 20.0) - 0.507_1e-3).abs() < 1e-7);
    let wire_m2 = std::f64::consts::PI * (0.15e-3_f64).powi(2);
    assert!((copper::resistance_ohm(0.01, wire_m2, 20.0) - 2.44e-3).abs() < 5e-6);
    assert!((copper::resistance_ohm(4e-3, 0.2e-3 * 35e-6, 20.0) - 9.85e-3).abs() < 5e-6);
    // The inferred zero follows from the coefficient at 20 °C.
    let zero_c = 20.0 - 1.0 / copper::TEMPERATURE_COEFFICIENT_20C_PER_K;
    assert!((zero_c - copper::INFERRED_ZERO_C).abs() < 0.06);
    let whole = |temperature_c: f64| 0.98 + 0.02 * copper::resistance_ratio(20.0, temperature_c);
    assert!(((whole(21.0) - whole(20.0)) * 1e6 - 79.0).abs() < 1.0);
}
