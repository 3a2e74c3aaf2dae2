//! Mean, standard deviation and lag-1 autocorrelation of the NIST/ITL Statistical Reference Datasets, univariate summary
//! statistics. Data and certified values: `data/nist_certified.json` names where each came from. The tolerances are those
//! of the test suite of the GNU Scientific Library (`statistics/test_nist.c`) where its algorithm reaches them in double
//! precision; ours are never wider.

mod common;

use common::{close, column, json, number};
use serde_json::Value;
use steadybench_analysis::statistics::{RunningMoments, autocorrelation, moments};

fn certified() -> Value {
    json(include_str!("data/nist_certified.json"))
}

/// Set, data, and relative tolerance of mean, standard deviation and lag-1 autocorrelation.
const SETS: [(&str, &str, [f64; 3]); 8] = [
    (
        "Michelso",
        include_str!("data/nist_univ_Michelso.csv"),
        [1e-15, 1e-13, 1e-13],
    ),
    (
        "Mavro",
        include_str!("data/nist_univ_Mavro.csv"),
        [1e-15, 1e-13, 1e-13],
    ),
    (
        "Lew",
        include_str!("data/nist_univ_Lew.csv"),
        [1e-15, 1e-15, 1e-14],
    ),
    (
        "Lottery",
        include_str!("data/nist_univ_Lottery.csv"),
        [1e-15, 1e-15, 1e-14],
    ),
    (
        "NumAcc1",
        include_str!("data/nist_univ_NumAcc1.csv"),
        [1e-15, 1e-15, 1e-15],
    ),
    (
        "NumAcc2",
        include_str!("data/nist_univ_NumAcc2.csv"),
        [1e-15, 1e-15, 1e-10],
    ),
    (
        "NumAcc3",
        include_str!("data/nist_univ_NumAcc3.csv"),
        [1e-15, 1e-9, 1e-10],
    ),
    (
        "NumAcc4",
        include_str!("data/nist_univ_NumAcc4.csv"),
        [1e-15, 1e-7, 1e-10],
    ),
];

#[test]
fn summary_statistics_have_the_certified_digits() {
    let certified = certified();
    for (name, text, [mean, sd, correlation]) in SETS {
        let values = column(text, 0);
        let want = &certified["univariate"][name];
        assert_eq!(values.len() as u64, want["n"].as_u64().unwrap(), "{name}");
        let have = moments(&values).unwrap();
        // The certified values are printed with 15 digits, so the last one is worth at most 5 in 10¹⁵; where the decimal
        // value has more, the 60-digit one stands beside it in the file.
        let exact = |field: &str, printed: &str| {
            want.get("recomputed_60_digit")
                .map_or_else(|| number(&want[printed]), |more| number(&more[field]))
        };
        close(have.mean, exact("mean", "mean"), mean, name);
        close(have.standard_deviation(), exact("sd", "sd_n_minus_1"), sd, name);
        close(
            autocorrelation(&values, 1).unwrap(),
            exact("r1", "lag1_autocorr"),
            correlation,
            name,
        );
        close(
            exact("sd", "sd_n_minus_1"),
            number(&want["sd_n_minus_1"]),
            6e-15,
            name,
        );
        close(
            exact("r1", "lag1_autocorr"),
            number(&want["lag1_autocorr"]),
            6e-15,
            name,
        );
    }
}

/// A stream has one pass only; Welford's recurrence loses a digit or two there and no more. The sum of squares less n
/// times the squared mean would have no correct digit in NumAcc4.
#[test]
fn a_stream_keeps_the_digits_that_one_pass_can() {
    let certified = certified();
    let tolerances = [1e-12, 1e-11, 1e-13, 1e-13, 1e-15, 1e-13, 1e-8, 1e-7];
    for ((name, text, _), tolerance) in SETS.iter().zip(tolerances) {
        let running: RunningMoments = column(text, 0).into_iter().collect();
        let want = &certified["univariate"][*name];
        close(running.mean(), number(&want["mean"]), 1e-14, name);
        close(
            running.standard_deviation(),
            number(&want["sd_n_minus_1"]),
            tolerance,
            name,
        );
    }
}
