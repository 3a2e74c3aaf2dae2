//! The time limits ("gates") within which a fuse must, or must not, open at multiples of its rating.

use serde::{Deserialize, Serialize};

/// How well a number is vouched for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Vouched {
    /// Given by the person asking.
    #[serde(rename = "as given")]
    Given,
    /// Seen in makers' data sheets that declare the standard's sheet; the standard's own text was not seen.
    #[serde(rename = "verified second-hand")]
    SecondHand,
    /// Recalled, not seen.
    #[serde(rename = "from memory")]
    FromMemory,
    /// What people at the bench do; no source.
    #[serde(rename = "common practice, no source")]
    CommonPractice,
}

impl std::fmt::Display for Vouched {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(match self {
            Self::Given => "as given",
            Self::SecondHand => "verified second-hand",
            Self::FromMemory => "from memory",
            Self::CommonPractice => "common practice, no source",
        })
    }
}

/// The rule a fuse is made to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum FuseStandard {
    /// IEC 60127-2 sheet 1: 5 × 20 mm, quick, high breaking capacity, ceramic.
    #[serde(rename = "IEC 60127-2 sheet 1")]
    Sheet1,
    /// IEC 60127-2 sheet 2: 5 × 20 mm, quick, low breaking capacity, glass.
    #[serde(rename = "IEC 60127-2 sheet 2")]
    Sheet2,
    /// IEC 60127-2 sheet 3: 5 × 20 mm, time-lag, low breaking capacity, glass.
    #[serde(rename = "IEC 60127-2 sheet 3")]
    Sheet3,
    /// IEC 60127-2 sheet 5: 5 × 20 mm, time-lag, high breaking capacity, ceramic.
    #[serde(rename = "IEC 60127-2 sheet 5")]
    Sheet5,
    /// UL 248-14, supplemental fuses.
    #[serde(rename = "UL 248-14")]
    Ul248,
}

impl std::fmt::Display for FuseStandard {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(match self {
            Self::Sheet1 => "IEC 60127-2 sheet 1",
            Self::Sheet2 => "IEC 60127-2 sheet 2",
            Self::Sheet3 => "IEC 60127-2 sheet 3",
            Self::Sheet5 => "IEC 60127-2 sheet 5",
            Self::Ul248 => "UL 248-14",
        })
    }
}

/// A time in seconds, and how well it is vouched for.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TimeLimit {
    /// Seconds.
    pub seconds: f64,
    /// How well it is vouched for.
    pub vouched: Vouched,
}

/// One gate: at this multiple of the rated current the fuse opens no sooner and no later than this.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gate {
    /// Multiple of the rated current.
    pub multiple: f64,
    /// No sooner than this.
    pub at_least: Option<TimeLimit>,
    /// No later than this.
    pub at_most: Option<TimeLimit>,
}

/// The gates of the ratings from `lowest_a` to `highest_a`.
#[derive(Clone, Copy, Debug)]
struct Row {
    standard: FuseStandard,
    lowest_a: f64,
    highest_a: f64,
    /// At 1.5 at least; 2.1 at most; 2.75 at least, at most; 4 at least, at most; 10 at least, at most. NaN: no limit.
    times_s: [f64; 8],
    /// Of the 1.5 gate, and of the others.
    vouched: [Vouched; 2],
}

const SEEN: Vouched = Vouched::SecondHand;
const MEMORY: Vouched = Vouched::FromMemory;
const NONE: f64 = f64::NAN;

/// IEC 60127-2, 5 × 20 mm, as printed in makers' data sheets that declare the sheet: sheet 1 Littelfuse 216SP, sheet 2
/// Littelfuse 617 (06/2015), sheet 3 Littelfuse 213 and Schurter FST 5x20, sheet 5 Schurter SPT 5x20 and Littelfuse 215
/// (rev. 04/2018). Rows and cells marked "from memory" were not in them.
#[rustfmt::skip]
const ROWS: [Row; 15] = [
    Row { standard: FuseStandard::Sheet1, lowest_a: 0.05, highest_a: 0.8, times_s: [3600.0, 1800.0, 0.01, 2.0, 0.003, 0.3, NONE, 0.02], vouched: [MEMORY, MEMORY] },
    Row { standard: FuseStandard::Sheet1, lowest_a: 1.0, highest_a: 4.0, times_s: [3600.0, 1800.0, 0.01, 2.0, 0.003, 0.3, NONE, 0.02], vouched: [MEMORY, SEEN] },
    Row { standard: FuseStandard::Sheet1, lowest_a: 5.0, highest_a: 6.3, times_s: [3600.0, 1800.0, 0.01, 3.0, 0.003, 0.3, NONE, 0.02], vouched: [MEMORY, SEEN] },
    Row { standard: FuseStandard::Sheet1, lowest_a: 8.0, highest_a: 10.0, times_s: [1800.0, 1800.0, 0.04, 20.0, 0.01, 1.0, NONE, 0.03], vouched: [MEMORY, SEEN] },
    Row { standard: FuseStandard::Sheet2, lowest_a: 0.032, highest_a: 0.1, times_s: [3600.0, 1800.0, 0.01, 0.5, 0.003, 0.1, NONE, 0.02], vouched: [MEMORY, MEMORY] },
    Row { standard: FuseStandard::Sheet2, lowest_a: 0.125, highest_a: 0.315, times_s: [3600.0, 1800.0, 0.05, 2.0, 0.01, 0.3, NONE, 0.02], vouched: [MEMORY, MEMORY] },
    Row { standard: FuseStandard::Sheet2, lowest_a: 0.4, highest_a: 6.3, times_s: [3600.0, 1800.0, 0.05, 2.0, 0.01, 0.3, NONE, 0.02], vouched: [SEEN, SEEN] },
    Row { standard: FuseStandard::Sheet2, lowest_a: 8.0, highest_a: 10.0, times_s: [1800.0, 1800.0, 0.05, 2.0, 0.01, 0.4, NONE, 0.04], vouched: [SEEN, SEEN] },
    Row { standard: FuseStandard::Sheet3, lowest_a: 0.032, highest_a: 0.1, times_s: [3600.0, 120.0, 0.2, 10.0, 0.04, 3.0, 0.01, 0.3], vouched: [SEEN, SEEN] },
    Row { standard: FuseStandard::Sheet3, lowest_a: 0.125, highest_a: 6.3, times_s: [3600.0, 120.0, 0.6, 10.0, 0.15, 3.0, 0.02, 0.3], vouched: [SEEN, SEEN] },
    Row { standard: FuseStandard::Sheet3, lowest_a: 8.0, highest_a: 10.0, times_s: [1800.0, 120.0, 0.6, 10.0, 0.15, 3.0, 0.02, 0.3], vouched: [SEEN, SEEN] },
    Row { standard: FuseStandard::Sheet5, lowest_a: 0.125, highest_a: 0.8, times_s: [3600.0, 1800.0, 0.25, 80.0, 0.05, 5.0, 0.005, 0.15], vouched: [SEEN, SEEN] },
    Row { standard: FuseStandard::Sheet5, lowest_a: 1.0, highest_a: 3.15, times_s: [3600.0, 1800.0, 0.75, 80.0, 0.095, 5.0, 0.01, 0.15], vouched: [SEEN, SEEN] },
    Row { standard: FuseStandard::Sheet5, lowest_a: 4.0, highest_a: 6.3, times_s: [3600.0, 1800.0, 0.75, 80.0, 0.15, 5.0, 0.02, 0.15], vouched: [SEEN, SEEN] },
    Row { standard: FuseStandard::Sheet5, lowest_a: 8.0, highest_a: 10.0, times_s: [1800.0, 1800.0, 0.75, 80.0, 0.15, 5.0, 0.02, 0.15], vouched: [SEEN, SEEN] },
];

impl Row {
    fn gates(&self) -> Vec<Gate> {
        let limit = |index: usize, vouched: Vouched| {
            let seconds = self.times_s[index];
            seconds.is_finite().then_some(TimeLimit { seconds, vouched })
        };
        let [first, rest] = self.vouched;
        vec![
            Gate {
                multiple: 1.5,
                at_least: limit(0, first),
                at_most: None,
            },
            Gate {
                multiple: 2.1,
                at_least: None,
                at_most: limit(1, rest),
            },
            Gate {
                multiple: 2.75,
                at_least: limit(2, rest),
                at_most: limit(3, rest),
            },
            Gate {
                multiple: 4.0,
                at_least: limit(4, rest),
                at_most: limit(5, rest),
            },
            Gate {
                multiple: 10.0,
                at_least: limit(6, rest),
                at_most: limit(7, rest),
            },
        ]
    }
}

/// The gates of a fuse of this rating, lowest multiple first; `None` where the table has no such rating.
///
/// Ratings between two rows of the table (such as 0.9 A, which isn't a preferred one) have none. UL 248-14 as quoted by
/// the Littelfuse Fuseology guide, page 12: opens at 135 % within 60 min and at 200 % within 2 min (up to 30 A) or
/// 4 min (35 to 60 A).
///
/// ```
/// use steadybench_analysis::fuse::{FuseStandard, gates};
///
/// let gates = gates(FuseStandard::Sheet3, 1.6).unwrap();
/// let at_ten = gates.last().unwrap();
/// assert_eq!(at_ten.multiple, 10.0);
/// assert_eq!(at_ten.at_most.unwrap().seconds, 0.3);
/// ```
#[must_use]
pub fn gates(standard: FuseStandard, rating_a: f64) -> Option<Vec<Gate>> {
    let slack = 1e-9;
    if standard == FuseStandard::Ul248 {
        let within_s = match rating_a {
            rating if rating > 0.0 && rating <= 30.0 => 120.0,
            rating if rating > 30.0 && rating <= 60.0 => 240.0,
            _ => return None,
        };
        let at_most = |seconds| {
            Some(TimeLimit {
                seconds,
                vouched: SEEN,
            })
        };
        return Some(vec![
            Gate {
                multiple: 1.35,
                at_least: None,
                at_most: at_most(3600.0),
            },
            Gate {
                multiple: 2.0,
                at_least: None,
                at_most: at_most(within_s),
            },
        ]);
    }
    ROWS.iter()
        .find(|row| {
            row.standard == standard && rating_a >= row.lowest_a - slack && rating_a <= row.highest_a + slack
        })
        .map(Row::gates)
}

#[cfg(test)]
mod tests {
    use super::*;

    const TABLE: &str = include_str!("../../tests/data/fuse_gates_iec60127-2.csv");

    /// The table kept beside the tests was gathered from the sheets named above, row by row, with its marks.
    #[test]
    fn the_gates_are_those_of_the_gathered_table() {
        let mut reader = csv::ReaderBuilder::new()
            .comment(Some(b'#'))
            .from_reader(TABLE.as_bytes());
        let mut rows = 0;
        for record in reader.records() {
            let record = record.unwrap();
            let standard = match &record[0] {
                "1" => FuseStandard::Sheet1,
                "2" => FuseStandard::Sheet2,
                "3" => FuseStandard::Sheet3,
                "5" => FuseStandard::Sheet5,
                other => panic!("sheet {other}"),
            };
            for column in [2, 3] {
                let gates = gates(standard, record[column].parse().unwrap()).unwrap();
                let found: Vec<Option<f64>> = gates
                    .iter()
                    .flat_map(|gate| [gate.at_least, gate.at_most])
                    .map(|limit| limit.map(|limit| limit.seconds))
                    .collect();
                let wanted: Vec<Option<f64>> = (4..12).map(|index| record[index].parse().ok()).collect();
                let order = [0, 3, 4, 5, 6, 7, 8, 9].map(|index| found[index]);
                assert_eq!(order.as_slice(), wanted.as_slice(), "{record:?}");
                let of_memory = record[12].starts_with("memory");
                assert_eq!(
                    gates[4].at_most.unwrap().vouched == Vouched::FromMemory,
                    of_memory,
                    "{record:?}"
                );
                let first_of_memory = of_memory || record[12].contains("except 1.5In");
                assert_eq!(
                    gates[0].at_least.unwrap().vouched == Vouched::FromMemory,
                    first_of_memory
                );
            }
            rows += 1;
        }
        assert_eq!(rows, ROWS.len());
    }

    #[test]
    fn limits_shorten_as_the_current_rises_and_never_cross() {
        for row in &ROWS {
            let gates = row.gates();
            for pair in gates.windows(2) {
                for (now, next) in [
                    (pair[0].at_least, pair[1].at_least),
                    (pair[0].at_most, pair[1].at_most),
                ] {
                    if let (Some(now), Some(next)) = (now, next) {
                        assert!(next.seconds < now.seconds);
                    }
                }
            }
            for gate in gates {
                if let (Some(least), Some(most)) = (gate.at_least, gate.at_most) {
                    assert!(least.seconds < most.seconds);
                }
            }
        }
    }

    #[test]
    fn a_rating_between_the_rows_has_no_gates() {
        assert!(gates(FuseStandard::Sheet3, 7.0).is_none());
        assert!(gates(FuseStandard::Sheet5, 0.05).is_none());
        assert!(gates(FuseStandard::Ul248, 35.0).is_some());
        assert!(gates(FuseStandard::Ul248, f64::NAN).is_none());
    }
}
