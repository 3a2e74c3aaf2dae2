//! The chip's noise by conversion time and averaging, from the data sheet's own table.

use std::sync::LazyLock;

use steadybench_protocol::ShuntRange;

/// Table 8-2 of the INA228 data sheet, TI SLYS021A (May 2022), with the peak-to-peak columns worked out.
const TABLE: &str = include_str!("../../data/ina228_noise_table_8-2.csv");

/// Peak-to-peak over rms: the data sheet counts noise-free bits, and 6.6 standard deviations hold all but one reading
/// in a thousand. Common practice, no source.
pub const PEAK_TO_PEAK_OVER_RMS: f64 = 6.6;

/// Conversion times in microseconds by the code of the fields `VBUSCT`, `VSHCT` and `VTCT`.
pub const CONVERSION_US: [u32; 8] = [50, 84, 150, 280, 540, 1_052, 2_074, 4_120];

/// Conversions averaged by the code of the field `AVG`.
pub const AVERAGED: [u32; 8] = [1, 4, 16, 64, 128, 256, 512, 1_024];

/// Noise-free bits by code of averaging, code of conversion time and range.
static BITS: LazyLock<[[[f64; 2]; 8]; 8]> = LazyLock::new(|| {
    let mut bits = [[[f64::NAN; 2]; 8]; 8];
    for line in TABLE.lines() {
        let mut cells = line.split(',').map(str::parse::<f64>);
        let (Some(Ok(time)), Some(Ok(averaged)), Some(Ok(_)), Some(Ok(wide)), Some(Ok(narrow))) = (
            cells.next(),
            cells.next(),
            cells.next(),
            cells.next(),
            cells.next(),
        ) else {
            continue;
        };
        let time_code = CONVERSION_US
            .iter()
            .position(|us| f64::from(*us).total_cmp(&time).is_eq());
        let average_code = AVERAGED
            .iter()
            .position(|n| f64::from(*n).total_cmp(&averaged).is_eq());
        if let (Some(time), Some(average)) = (time_code, average_code) {
            bits[average][time] = [wide, narrow];
        }
    }
    bits
});

/// Whole range of the shunt input in volts, from the lowest to the highest code.
#[must_use]
pub const fn shunt_span_v(range: ShuntRange) -> f64 {
    match range {
        ShuntRange::Millivolts164 => 0.327_68,
        ShuntRange::Millivolts41 => 0.081_92,
    }
}

/// Noise of one result at the shunt input, volts rms. Codes above 7 are taken as 7.
#[must_use]
pub fn shunt_noise_v(time_code: u8, average_code: u8, range: ShuntRange) -> f64 {
    let column = match range {
        ShuntRange::Millivolts164 => 0,
        ShuntRange::Millivolts41 => 1,
    };
    let bits = BITS[usize::from(average_code.min(7))][usize::from(time_code.min(7))][column];
    shunt_span_v(range) / bits.exp2() / PEAK_TO_PEAK_OVER_RMS
}

/// Noise of one result at the rail input, volts rms. The data sheet's table is about the shunt input; the same bits on
/// the rail's 102.4 V are an assumption.
#[must_use]
pub fn rail_noise_v(time_code: u8, average_code: u8) -> f64 {
    shunt_noise_v(time_code, average_code, ShuntRange::Millivolts164)
        / shunt_span_v(ShuntRange::Millivolts164)
        * 102.4
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows of table 8-2 as the facts excerpt them: conversion time, averaging, noise-free bits of both ranges.
    #[test]
    fn rows_of_the_data_sheet() {
        for (time, average, wide, narrow) in [
            (0, 0, 12.4, 10.4),
            (4, 0, 14.2, 12.4),
            (5, 3, 17.7, 15.9),
            (7, 7, 20.0, 18.7),
        ] {
            let found = |range| {
                (shunt_span_v(range) / PEAK_TO_PEAK_OVER_RMS / shunt_noise_v(time, average, range)).log2()
            };
            assert!((found(ShuntRange::Millivolts164) - wide).abs() < 1e-9);
            assert!((found(ShuntRange::Millivolts41) - narrow).abs() < 1e-9);
        }
    }

    #[test]
    fn no_cell_of_the_table_is_missing() {
        assert!(
            BITS.iter()
                .flatten()
                .flatten()
                .all(|bits| (10.0..=20.0).contains(bits))
        );
    }

    /// The table's own derived column: 17.4 µV peak to peak at 540 µs.
    #[test]
    fn the_derived_column_agrees() {
        for line in TABLE
            .lines()
            .filter(|line| line.starts_with(|c: char| c.is_ascii_digit()))
        {
            let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
            let time = CONVERSION_US
                .iter()
                .position(|us| f64::from(*us) == cells[0])
                .unwrap();
            let average = AVERAGED.iter().position(|n| f64::from(*n) == cells[1]).unwrap();
            for (range, uv) in [
                (ShuntRange::Millivolts164, cells[5]),
                (ShuntRange::Millivolts41, cells[6]),
            ] {
                let ours = shunt_noise_v(time as u8, average as u8, range) * PEAK_TO_PEAK_OVER_RMS * 1e6;
                assert!((ours - uv).abs() < 6e-4, "{ours} {uv}");
            }
        }
    }
}
