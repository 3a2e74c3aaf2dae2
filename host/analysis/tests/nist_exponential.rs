//! NIST/ITL Statistical Reference Datasets, non-linear regression, y = b1·(1 − exp(−b2·x)): Misra1a (lower difficulty) and
//! BoxBOD (higher difficulty, known for its start at (1, 1)), each from both certified starts and from no start at all.
//! Source of data and certified values: `data/nist_certified.json`.

mod common;

use common::{close, column, number, numbers};
use serde_json::Value;
use steadybench_analysis::statistics::fit_saturating;

#[test]
fn saturating_fits_reach_the_certified_values_from_every_start() {
    let certified: Value = serde_json::from_str(include_str!("data/nist_certified.json")).unwrap();
    for (name, text) in [
        ("Misra1a", include_str!("data/nist_nls_Misra1a.csv")),
        ("BoxBOD", include_str!("data/nist_nls_BoxBOD.csv")),
    ] {
        let (y, x) = (column(text, 0), column(text, 1));
        let want = &certified["nonlinear"][name];
        let start = |key: &str| numbers(&want[key]).try_into().unwrap();
        for start in [Some(start("start1")), Some(start("start2")), None] {
            let fit = fit_saturating(&x, &y, start).unwrap();
            let what = format!("{name} from {start:?}");
            close(fit.final_value, number(&want["b1"]), 1e-8, &what);
            close(fit.rate, number(&want["b2"]), 1e-8, &what);
            close(fit.final_value_error, number(&want["sd_b1"]), 1e-7, &what);
            close(fit.rate_error, number(&want["sd_b2"]), 1e-7, &what);
            close(fit.residual_sum_of_squares, number(&want["RSS"]), 1e-10, &what);
            assert_eq!(fit.degrees_of_freedom as u64, want["df"].as_u64().unwrap());
        }
    }
}
