//! Printed tables that every text on statistics carries.

mod common;

use common::close;
use steadybench_analysis::statistics::{
    autocorrelation, clopper_pearson, effective_size_ar1, fisher_exact, poisson_interval,
    poisson_upper_limit, student_t_coverage_factor, student_t_quantile,
};

/// Half of the last printed digit.
#[track_caller]
fn printed(have: f64, want: f64, digits: i32, what: &str) {
    // Some makers of tables round halves the other way, hence the last part in a thousand.
    assert!(
        (have - want).abs() <= 0.501 * 10_f64.powi(-digits),
        "{what}: {have} against {want}"
    );
}

/// Student's t, the usual table (as in JCGM 100:2008, table G.2, and any textbook).
#[test]
fn student_t_table() {
    let table = [
        (1.0, 12.706),
        (2.0, 4.303),
        (3.0, 3.182),
        (4.0, 2.776),
        (5.0, 2.571),
        (6.0, 2.447),
        (7.0, 2.365),
        (8.0, 2.306),
        (9.0, 2.262),
        (10.0, 2.228),
        (16.0, 2.120),
        (20.0, 2.086),
        (30.0, 2.042),
        (60.0, 2.000),
        (120.0, 1.980),
        (f64::INFINITY, 1.960),
    ];
    for (freedom, t) in table {
        printed(student_t_quantile(0.975, freedom).unwrap(), t, 3, "t 0.975");
        close(
            student_t_quantile(0.025, freedom).unwrap(),
            -student_t_quantile(0.975, freedom).unwrap(),
            1e-12,
            "sign",
        );
    }
    printed(student_t_quantile(0.995, 9.0).unwrap(), 3.250, 3, "t 0.995");
    printed(student_t_quantile(0.995, 16.0).unwrap(), 2.921, 3, "t 0.995");
    // JCGM 100:2008, table G.2, row 16 and last row.
    for (coverage, freedom, k) in [(0.95, 16.0, 2.12), (0.9545, 16.0, 2.17), (0.99, 16.0, 2.92)] {
        printed(
            student_t_coverage_factor(coverage, freedom).unwrap(),
            k,
            2,
            "coverage factor",
        );
    }
    printed(
        student_t_coverage_factor(0.9545, f64::INFINITY).unwrap(),
        2.00,
        2,
        "coverage factor",
    );
}

/// F. Garwood, *Biometrika* 28 (1936) 437: 95 % limits of a Poisson expectation.
#[test]
fn garwood_limits() {
    let table = [
        (0, 0.0, 3.6889),
        (1, 0.0253, 5.5716),
        (2, 0.2422, 7.2247),
        (3, 0.6187, 8.7673),
        (4, 1.0899, 10.2416),
        (5, 1.6235, 11.6683),
        (6, 2.2019, 13.0595),
        (8, 3.4538, 15.7632),
        (10, 4.7954, 18.3904),
        (20, 12.2165, 30.8884),
    ];
    for (count, low, high) in table {
        let interval = poisson_interval(count, 0.95).unwrap();
        printed(interval.low, low, 4, "Garwood low");
        printed(interval.high, high, 4, "Garwood high");
    }
    for (count, limit) in [
        (0, 2.9957),
        (1, 4.7439),
        (2, 6.2958),
        (3, 7.7537),
        (5, 10.5130),
        (10, 16.9622),
    ] {
        printed(
            poisson_upper_limit(count, 0.95).unwrap(),
            limit,
            4,
            "one-sided limit",
        );
    }
}

/// The rule of three: nothing in n tries bounds the chance by 3/n, at 95 % one-sided, good from n = 30 on.
#[test]
fn rule_of_three() {
    for tries in [30_u64, 60, 100, 1000] {
        let one_sided = clopper_pearson(0, tries, 0.90).unwrap().high;
        let rule = 3.0 / tries as f64;
        assert!(
            one_sided < rule && one_sided > 0.94 * rule,
            "{tries}: {one_sided} against {rule}"
        );
        // In closed form the limit is 1 − 0.05^(1/n).
        close(
            one_sided,
            1.0 - 0.05_f64.powf(1.0 / tries as f64),
            1e-12,
            "closed form",
        );
    }
}

/// Eight cups of tea: R. A. Fisher, *The Design of Experiments*. Chances in 70; 0.486 is the two-sided figure of three of
/// four, not of four of four.
#[test]
fn eight_cups() {
    let perfect = fisher_exact([[4, 0], [0, 4]]).unwrap();
    close(perfect.p_greater, 1.0 / 70.0, 1e-12, "greater");
    close(perfect.p_two_sided, 2.0 / 70.0, 1e-12, "two-sided");
    assert!(perfect.odds_ratio.is_infinite());
    let three = fisher_exact([[3, 1], [1, 3]]).unwrap();
    close(three.p_greater, 17.0 / 70.0, 1e-12, "greater");
    close(three.p_two_sided, 34.0 / 70.0, 1e-12, "two-sided");
    // R prints 6.408309, found by a search that stops early; `reference_libraries.rs` has more digits.
    close(three.odds_ratio, 6.408_309, 1e-5, "conditional odds ratio");
    let other = fisher_exact([[8, 2], [1, 5]]).unwrap();
    close(other.p_greater, 0.024_475_524_475_524, 1e-12, "greater");
    close(other.p_two_sided, 0.034_965_034_965_035, 1e-12, "two-sided");
}

/// n·(1 − ρ)/(1 + ρ), and what it makes of two NIST sets (r1 from `nist_univariate.rs`): 100 readings of the speed of
/// light are worth about 30, and 50 of a filter's transmittance not even two.
#[test]
fn effective_sizes() {
    for (rho, size) in [(0.5, 33.3), (0.8, 11.1)] {
        printed(effective_size_ar1(100, rho).unwrap(), size, 1, "effective size");
    }
    for (rho, size) in [(0.9, 5.26), (0.95, 2.56), (0.99, 0.50)] {
        printed(effective_size_ar1(100, rho).unwrap(), size, 2, "effective size");
    }
    for (text, size) in [
        (include_str!("data/nist_univ_Michelso.csv"), 30.0),
        (include_str!("data/nist_univ_Mavro.csv"), 1.6),
    ] {
        let values = common::column(text, 0);
        let worth = effective_size_ar1(values.len(), autocorrelation(&values, 1).unwrap()).unwrap();
        assert!((worth / size - 1.0).abs() < 0.02, "{worth}");
    }
}
