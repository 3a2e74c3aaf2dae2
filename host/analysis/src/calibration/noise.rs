//! Noise of the monitor chip by conversion time and averaging.

use super::ShuntRange;

/// Conversion times of the chip in microseconds: the columns of the tables.
pub const CONVERSION_TIMES_US: [u32; 8] = [50, 84, 150, 280, 540, 1052, 2074, 4120];

/// Conversions averaged into one: the rows of the tables.
pub const AVERAGES: [u32; 8] = [1, 4, 16, 64, 128, 256, 512, 1024];

/// Noise-free bits over ±163.84 mV. INA228 data sheet (TI SLYS021A), table 8-2.
const BITS_WIDE: [[f64; 8]; 8] = [
    [12.4, 12.6, 13.3, 13.8, 14.2, 14.5, 15.3, 16.0],
    [13.1, 13.9, 14.3, 14.9, 15.1, 15.8, 16.1, 16.5],
    [13.9, 14.7, 15.1, 15.8, 16.3, 16.5, 17.1, 17.7],
    [15.0, 15.9, 16.4, 16.9, 17.7, 17.7, 18.1, 18.7],
    [15.5, 16.3, 16.9, 17.1, 18.1, 18.1, 18.7, 19.7],
    [15.5, 16.7, 17.4, 17.7, 18.7, 18.7, 19.7, 19.7],
    [16.7, 17.4, 17.7, 18.7, 18.7, 19.7, 19.7, 19.7],
    [17.1, 17.7, 18.1, 18.7, 19.7, 19.7, 19.7, 20.0],
];

/// Noise-free bits over ±40.96 mV. The same table.
const BITS_NARROW: [[f64; 8]; 8] = [
    [10.4, 10.4, 11.4, 11.8, 12.4, 12.6, 13.3, 13.8],
    [11.4, 11.8, 12.2, 12.8, 13.0, 13.8, 14.3, 14.4],
    [12.3, 12.9, 13.0, 13.7, 14.3, 14.6, 15.3, 15.9],
    [13.3, 13.8, 14.4, 14.5, 15.3, 15.9, 16.3, 16.5],
    [13.4, 14.3, 14.7, 15.2, 15.9, 16.4, 16.9, 17.1],
    [14.4, 14.7, 15.3, 15.7, 16.1, 16.7, 17.4, 17.7],
    [14.3, 15.4, 15.5, 16.3, 16.5, 17.4, 17.7, 18.7],
    [15.0, 15.9, 16.0, 16.9, 17.1, 17.7, 18.1, 18.7],
];

/// Peak-to-peak noise is taken as so many standard deviations: 99.9 % of a normal distribution (common practice in
/// converter data sheets, from memory).
const PEAK_TO_PEAK_DEVIATIONS: f64 = 6.6;

/// Peak-to-peak noise of the shunt voltage in volts: full scale over 2 to the noise-free bits. `None` for a conversion time or
/// an average the chip does not have.
///
/// ```
/// use steadybench_analysis::calibration::{ShuntRange, noise_peak_to_peak_v};
///
/// let at_1000_per_second = noise_peak_to_peak_v(540, 1, ShuntRange::Wide).unwrap();
/// assert!((at_1000_per_second - 17.4e-6).abs() < 0.1e-6);
/// ```
#[must_use]
pub fn noise_peak_to_peak_v(conversion_time_us: u32, averages: u32, range: ShuntRange) -> Option<f64> {
    let column = CONVERSION_TIMES_US
        .iter()
        .position(|&time| time == conversion_time_us)?;
    let row = AVERAGES.iter().position(|&average| average == averages)?;
    let bits = match range {
        ShuntRange::Wide => BITS_WIDE[row][column],
        ShuntRange::Narrow => BITS_NARROW[row][column],
    };
    Some(2.0 * range.full_scale_v() / bits.exp2())
}

/// Standard deviation of one reading of the shunt voltage in volts, by the same table.
#[must_use]
pub fn noise_standard_deviation_v(conversion_time_us: u32, averages: u32, range: ShuntRange) -> Option<f64> {
    noise_peak_to_peak_v(conversion_time_us, averages, range).map(|noise| noise / PEAK_TO_PEAK_DEVIATIONS)
}
