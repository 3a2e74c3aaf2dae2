//! NIST/ITL Statistical Reference Datasets, linear regression: Norris. Source of data and certified values:
//! `data/nist_certified.json`.

mod common;

use common::{close, column, number};
use serde_json::Value;
use steadybench_analysis::statistics::fit_line;

#[test]
fn norris_has_the_certified_digits() {
    let text = include_str!("data/nist_lin_Norris.csv");
    let (y, x) = (column(text, 0), column(text, 1));
    let certified: Value = serde_json::from_str(include_str!("data/nist_certified.json")).unwrap();
    let want = |field: &str| number(&certified["linear"]["Norris"][field]);
    let fit = fit_line(&x, &y).unwrap();
    close(fit.intercept, want("B0"), 1e-12, "B0");
    close(fit.slope, want("B1"), 1e-14, "B1");
    close(fit.intercept_error, want("sd_B0"), 1e-12, "sd B0");
    close(fit.slope_error, want("sd_B1"), 1e-12, "sd B1");
    close(fit.residual_sd, want("residual_sd"), 1e-12, "residual sd");
    close(
        fit.residual_sum_of_squares,
        want("residual_SS"),
        1e-12,
        "residual sum of squares",
    );
    close(fit.r_squared, want("R2"), 1e-14, "R squared");
    assert_eq!(fit.degrees_of_freedom, want("df"));
}
