//! The yearly flow of the Nile at Aswan, 1871–1970, a public data set (statsmodels carries it). Mann–Kendall's test has no
//! printed worked example that could be found; the figures here were made with pymannkendall 1.4.3 and scipy 1.17.1.

mod common;

use common::{close, column};
use steadybench_analysis::statistics::{
    autocorrelation, mann_kendall, mann_kendall_autocorrelated, moments, theil_sen,
};

#[test]
fn the_nile_falls() {
    let text = include_str!("data/nile_1871_1970.csv");
    let (years, flow) = (column(text, 0), column(text, 1));
    let moments = moments(&flow).unwrap();
    close(moments.mean, 919.35, 1e-14, "mean");
    close(moments.standard_deviation(), 169.227_500_630_650_95, 1e-13, "sd");
    close(
        autocorrelation(&flow, 1).unwrap(),
        0.498_408_184_133_028_95,
        1e-12,
        "r1",
    );

    let trend = mann_kendall(&flow).unwrap();
    assert_eq!(trend.s, -1387);
    close(trend.variance, 112_728.333_333_333_33, 1e-14, "variance");
    close(trend.z, -4.128_066_522_844_101, 1e-13, "z");
    close(trend.p_two_sided, 3.658_262_921_657_496e-5, 1e-9, "p");
    close(trend.tau_b, -0.280_741_334_724_631_3, 1e-13, "tau b");

    let line = theil_sen(&years, &flow, 0.95).unwrap();
    close(line.slope.value, -2.6, 1e-14, "slope");
    close(line.slope.low, -3.627_906_976_744_186, 1e-14, "low");
    close(line.slope.high, -1.428_571_428_571_428_6, 1e-14, "high");

    // Neighbouring years resemble one another, so the honest test is less sure, never surer.
    let corrected = mann_kendall_autocorrelated(&flow).unwrap();
    assert_eq!(corrected.s, trend.s);
    assert!(corrected.variance >= trend.variance && corrected.p_two_sided >= trend.p_two_sided);
}
