//! Melting I²t: what it takes to melt the wire, and how much of it a pulse may bring.

use serde::{Deserialize, Serialize};

use super::gates::Vouched;

/// Makers' typical melting values by rating, in ampere² seconds: not limits of the standard.
///
/// From their data sheets: Littelfuse 213 (sheet 3) and 216SP (sheet 1), Bel 5HT and Schurter SMD-SPT (sheet 5, at ten
/// times the rating). At one rating they differ by up to seventeen times, so a check must say whose value it used.
#[rustfmt::skip]
const TYPICAL: [(MeltingSeries, &[(f64, f64)]); 4] = [
    (MeltingSeries::Littelfuse213, &[
        (0.2, 0.225), (0.25, 0.555), (0.315, 1.14), (0.4, 1.36), (0.5, 2.905), (0.63, 4.8), (0.8, 9.42), (1.0, 19.2),
        (1.25, 27.15), (1.6, 44.2), (2.0, 92.705), (2.5, 138.0), (3.15, 202.0), (4.0, 226.505), (5.0, 314.0), (6.3, 600.0),
    ]),
    (MeltingSeries::Bel5Ht, &[
        (1.0, 1.7), (1.25, 3.2), (1.6, 5.9), (2.0, 11.0), (2.5, 20.3), (3.15, 38.0), (4.0, 69.0), (5.0, 128.0),
        (6.3, 237.0), (8.0, 439.0), (10.0, 812.0),
    ]),
    (MeltingSeries::SchurterSmdSpt, &[
        (1.0, 1.1), (1.25, 1.86), (1.6, 4.35), (2.0, 9.2), (2.5, 11.7), (3.15, 33.7), (4.0, 62.4), (5.0, 97.5),
        (6.3, 171.0), (8.0, 268.0), (10.0, 400.0), (12.5, 563.0), (16.0, 1272.0),
    ]),
    (MeltingSeries::Littelfuse216Sp, &[
        (1.0, 0.18), (1.6, 1.005), (2.0, 1.87), (2.5, 3.672), (5.0, 27.46), (6.3, 56.43),
    ]),
];

/// A maker's series of which typical melting values are known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum MeltingSeries {
    /// Time-lag, glass, sheet 3.
    #[serde(rename = "Littelfuse 213")]
    Littelfuse213,
    /// Time-lag, ceramic, sheet 5.
    #[serde(rename = "Bel 5HT")]
    Bel5Ht,
    /// Time-lag, ceramic, sheet 5.
    #[serde(rename = "Schurter SMD-SPT")]
    SchurterSmdSpt,
    /// Quick, ceramic, sheet 1.
    #[serde(rename = "Littelfuse 216SP")]
    Littelfuse216Sp,
}

impl std::fmt::Display for MeltingSeries {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(match self {
            Self::Littelfuse213 => "Littelfuse 213 (time-lag, glass)",
            Self::Bel5Ht => "Bel 5HT (time-lag, ceramic)",
            Self::SchurterSmdSpt => "Schurter SMD-SPT (time-lag, ceramic)",
            Self::Littelfuse216Sp => "Littelfuse 216SP (quick, ceramic)",
        })
    }
}

/// Typical melting I²t of a series at a rating, in ampere² seconds.
///
/// ```
/// use steadybench_analysis::fuse::{MeltingSeries, typical_melting_i2t_a2s};
///
/// assert_eq!(typical_melting_i2t_a2s(MeltingSeries::Bel5Ht, 1.6), Some(5.9));
/// assert_eq!(typical_melting_i2t_a2s(MeltingSeries::Bel5Ht, 0.5), None);
/// ```
#[must_use]
pub fn typical_melting_i2t_a2s(series: MeltingSeries, rating_a: f64) -> Option<f64> {
    TYPICAL
        .iter()
        .find(|(known, _)| *known == series)?
        .1
        .iter()
        .find(|(rating, _)| (rating - rating_a).abs() < 1e-6 * rating)
        .map(|(_, value)| *value)
}

/// Where a melting value comes from.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MeltingSource {
    /// From the fuse's own data sheet, given by the user, in ampere² seconds.
    Given(f64),
    /// One maker's typical value; another maker's may differ many times over.
    Typical(MeltingSeries),
    /// None: only the gates of the standard, which leave a wide span.
    GatesOnly,
}

/// Share of the melting I²t a pulse may bring, by the number of pulses over the fuse's life (at least 10 s apart).
///
/// Littelfuse fuse catalogue, page 12, rev. 03/2017.
const SHARES: [(f64, f64); 4] = [(100.0, 0.48), (1000.0, 0.38), (10_000.0, 0.29), (100_000.0, 0.22)];

/// Share of the melting I²t that one of `pulses` pulses may bring.
///
/// Between the published numbers the next higher is taken. Below 100 pulses still 0.48, above 100 000 nothing is
/// published: `None`.
///
/// ```
/// use steadybench_analysis::fuse::pulse_share;
///
/// assert_eq!(pulse_share(10_000), Some(0.29));
/// assert_eq!(pulse_share(1), Some(0.48));
/// assert_eq!(pulse_share(1_000_000), None);
/// ```
#[must_use]
pub fn pulse_share(pulses: u64) -> Option<f64> {
    SHARES
        .iter()
        .find(|(number, _)| pulses as f64 <= *number)
        .map(|(_, share)| *share)
}

/// How many pulses of `ratio` of the melting I²t the rule allows; `None` above 0.48, where it allows none it speaks of.
#[must_use]
pub fn pulses_allowed(ratio: f64) -> Option<u64> {
    SHARES
        .iter()
        .rev()
        .find(|(_, share)| ratio <= *share)
        .map(|(number, _)| *number as u64)
}

/// A pulse's shape, for an I²t from its height and length.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PulseShape {
    /// Stays at its height.
    Rectangle,
    /// Dies away; the length is its time constant, and all of the tail is counted.
    ExponentialDecay,
    /// Half a sine; the length is the half period.
    HalfSine,
    /// Falls, or rises, or both, in straight lines.
    Triangle,
    /// Falls in a straight line from its height to this current, in amperes.
    Trapezoid {
        /// Current at the other end, in amperes.
        other_a: f64,
    },
    /// Falls as a parabola that ends flat at 0.
    Parabola,
}

/// I²t of one pulse, in ampere² seconds, from its height and length.
///
/// Wave-shape rules of the Littelfuse fuse catalogue, page 12, rev. 03/2017. `½·Ip²·τ` is exact for an exponential
/// whose time constant is τ.
///
/// ```
/// use steadybench_analysis::fuse::{PulseShape, pulse_i2t_a2s};
///
/// // 12 V through 0.5 Ω into 1000 µF: V²C/(2R) = 0.144 A²s.
/// assert!((pulse_i2t_a2s(PulseShape::ExponentialDecay, 24.0, 0.5e-3) - 0.144).abs() < 1e-12);
/// ```
#[must_use]
pub fn pulse_i2t_a2s(shape: PulseShape, height_a: f64, length_s: f64) -> f64 {
    let square = height_a * height_a * length_s;
    match shape {
        PulseShape::Rectangle => square,
        PulseShape::ExponentialDecay | PulseShape::HalfSine => square / 2.0,
        PulseShape::Triangle => square / 3.0,
        PulseShape::Trapezoid { other_a } => {
            (height_a * height_a + height_a * other_a + other_a * other_a) * length_s / 3.0
        }
        PulseShape::Parabola => square / 5.0,
    }
}

/// A melting I²t as a span, with whose it is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MeltingI2t {
    /// Lowest, in ampere² seconds; `None` where nothing bounds it from below.
    #[serde(rename = "low_A2s")]
    pub low_a2s: Option<f64>,
    /// Highest, in ampere² seconds; `None` where nothing bounds it from above.
    #[serde(rename = "high_A2s")]
    pub high_a2s: Option<f64>,
    /// Whose value, in words.
    pub whose: String,
    /// How well it is vouched for.
    pub vouched: Vouched,
}

#[cfg(test)]
mod tests {
    use super::*;

    const TABLE: &str = include_str!("../../tests/data/fuse_i2t_5x20.csv");

    #[test]
    fn the_melting_values_are_those_of_the_gathered_table() {
        let mut reader = csv::ReaderBuilder::new()
            .comment(Some(b'#'))
            .from_reader(TABLE.as_bytes());
        let mut rows = 0;
        for record in reader.records() {
            let record = record.unwrap();
            let series = match &record[0] {
                name if name.starts_with("Littelfuse 213") => MeltingSeries::Littelfuse213,
                name if name.starts_with("Littelfuse 216SP") => MeltingSeries::Littelfuse216Sp,
                name if name.starts_with("Bel 5HT") => MeltingSeries::Bel5Ht,
                _ => MeltingSeries::SchurterSmdSpt,
            };
            let value = typical_melting_i2t_a2s(series, record[2].parse().unwrap());
            assert_eq!(value, Some(record[3].parse().unwrap()), "{record:?}");
            rows += 1;
        }
        assert_eq!(
            rows,
            TYPICAL.iter().map(|(_, values)| values.len()).sum::<usize>()
        );
    }

    #[test]
    fn wave_shapes_against_their_integrals() {
        let integrate = |wave: &dyn Fn(f64) -> f64, to: f64| {
            let steps = 20_000;
            (0..steps)
                .map(|k| wave((f64::from(k) + 0.5) * to / f64::from(steps)).powi(2))
                .sum::<f64>()
                * to
                / f64::from(steps)
        };
        let height = 7.0;
        let length = 0.01;
        for (shape, wave, to) in [
            (
                PulseShape::ExponentialDecay,
                &(|t: f64| height * (-t / length).exp()) as &dyn Fn(f64) -> f64,
                0.2,
            ),
            (
                PulseShape::HalfSine,
                &|t: f64| height * (std::f64::consts::PI * t / length).sin(),
                length,
            ),
            (
                PulseShape::Triangle,
                &|t: f64| height * (1.0 - t / length),
                length,
            ),
            (
                PulseShape::Trapezoid { other_a: 2.0 },
                &|t: f64| height + (2.0 - height) * t / length,
                length,
            ),
            (
                PulseShape::Parabola,
                &|t: f64| height * (1.0 - t / length).powi(2),
                length,
            ),
        ] {
            let found = pulse_i2t_a2s(shape, height, length);
            assert!((found / integrate(wave, to) - 1.0).abs() < 1e-3, "{shape:?}");
        }
    }

    #[test]
    fn more_pulses_never_allow_more_each() {
        let mut before = f64::INFINITY;
        for pulses in [1, 99, 100, 101, 1000, 5000, 10_000, 99_999, 100_000] {
            let share = pulse_share(pulses).unwrap();
            assert!(share <= before);
            assert!(pulses_allowed(share).unwrap() >= pulses);
            before = share;
        }
        assert_eq!(pulses_allowed(0.5), None);
    }
}
