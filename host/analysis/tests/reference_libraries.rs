//! Figures of general-purpose libraries: numpy, scipy, statsmodels, pymannkendall. `reference/make_reference.py` made
//! `data/reference.json`, which holds the inputs, the outputs and the versions.

mod common;

use common::{close, json, number, numbers};
use serde_json::Value;
use steadybench_analysis::statistics::*;

fn reference(section: &str) -> Value {
    let section = json(include_str!("data/reference.json"))[section].clone();
    assert!(!section.is_null());
    section
}

fn cases(section: &Value) -> &Vec<Value> {
    let cases = section.as_array().expect("a list of cases");
    assert!(!cases.is_empty());
    cases
}

#[test]
fn quantiles_as_numpy_and_scipy() {
    for case in cases(&reference("lists")) {
        let values = numbers(&case["values"]);
        for (p, want) in numbers(&case["probabilities"])
            .iter()
            .zip(numbers(&case["quantiles"]))
        {
            close(quantile(&values, *p).unwrap(), want, 1e-13, "quantile");
        }
        let want = number(&case["median_absolute_deviation"]);
        close(
            median_absolute_deviation(&values).unwrap(),
            want,
            1e-13,
            "median absolute deviation",
        );
    }
}

#[test]
fn distributions_as_scipy() {
    let section = reference("distributions");
    let probabilities = numbers(&section["probabilities"]);
    for (p, want) in probabilities.iter().zip(numbers(&section["normal_quantile"])) {
        close(normal_quantile(*p).unwrap(), want, 1e-12, "normal quantile");
    }
    for case in cases(&section["student_t_quantile"]) {
        let freedom = number(&case["degrees_of_freedom"]);
        for (p, want) in probabilities.iter().zip(numbers(&case["quantiles"])) {
            // scipy's own figure at p = 0.5 is zero but for rounding.
            let have = student_t_quantile(*p, freedom).unwrap();
            if *p == 0.5 {
                assert!(have.abs() < 1e-12 && want.abs() < 1e-12);
            } else {
                close(have, want, 1e-8, &format!("t quantile {p} {freedom}"));
            }
        }
    }
    for case in cases(&section["student_t_two_sided_p"]) {
        let have = student_t_two_sided_p(number(&case["t"]), number(&case["degrees_of_freedom"])).unwrap();
        close(have, number(&case["p"]), 1e-8, "t tail");
    }
}

#[test]
fn counts_as_scipy() {
    let section = reference("counts");
    for case in cases(&section["poisson"]) {
        let count = case["count"].as_u64().unwrap();
        let want = |field: &str| number(&case[field]);
        let interval = poisson_interval(count, 0.95).unwrap();
        let what = format!("Poisson {count}");
        close(interval.low, want("low"), 1e-9, &what);
        close(interval.high, want("high"), 1e-9, &what);
        close(
            poisson_upper_limit(count, 0.95).unwrap(),
            want("upper_limit_95"),
            1e-9,
            &what,
        );
        close(
            poisson_at_least(count, want("expected")).unwrap(),
            want("at_least"),
            1e-8,
            &what,
        );
        close(
            poisson_at_most(count, want("expected")).unwrap(),
            want("at_most"),
            1e-8,
            &what,
        );
    }
    for case in cases(&section["binomial"]) {
        let (hits, tries) = (case["hits"].as_u64().unwrap(), case["tries"].as_u64().unwrap());
        let want = |field: &str| number(&case[field]);
        let interval = clopper_pearson(hits, tries, 0.95).unwrap();
        let what = format!("binomial {hits} of {tries}");
        close(interval.low, want("low"), 1e-9, &what);
        close(interval.high, want("high"), 1e-9, &what);
        close(
            binomial_at_least(hits, tries, want("p")).unwrap(),
            want("at_least"),
            1e-9,
            &what,
        );
        close(
            binomial_at_most(hits, tries, want("p")).unwrap(),
            want("at_most"),
            1e-9,
            &what,
        );
        close(
            binomial_two_sided(hits, tries, want("p")).unwrap(),
            want("two_sided"),
            1e-9,
            &what,
        );
    }
    for case in cases(&section["rates"]) {
        let pair = |key: &str| (case[key][0].as_u64().unwrap(), number(&case[key][1]));
        let have = compare_rates(pair("first"), pair("second"), 0.95).unwrap();
        close(have.ratio_low, number(&case["low"]), 1e-9, "rate ratio low");
        close(have.ratio_high, number(&case["high"]), 1e-9, "rate ratio high");
        close(have.p_two_sided, number(&case["p"]), 1e-9, "rate ratio p");
    }
}

#[test]
fn fisher_as_scipy() {
    for case in cases(&reference("fisher")) {
        let cell = |row: usize, column: usize| case["table"][row][column].as_u64().unwrap();
        let have = fisher_exact([[cell(0, 0), cell(0, 1)], [cell(1, 0), cell(1, 1)]]).unwrap();
        let what = case["table"].to_string();
        close(have.p_greater, number(&case["greater"]), 1e-9, &what);
        close(have.p_less, number(&case["less"]), 1e-9, &what);
        close(have.p_two_sided, number(&case["two_sided"]), 1e-9, &what);
        match case["odds_ratio"].as_f64() {
            Some(want) => close(have.odds_ratio, want, 1e-6, &what),
            None => assert!(have.odds_ratio.is_infinite(), "{what}"),
        }
    }
}

#[test]
fn corrections_as_statsmodels() {
    let section = reference("multiple");
    let p_values = numbers(&section["p_values"]);
    for (name, have) in [
        ("bonferroni", bonferroni(&p_values).unwrap()),
        ("sidak", sidak(&p_values).unwrap()),
        ("holm", holm(&p_values).unwrap()),
    ] {
        for (have, want) in have.iter().zip(numbers(&section[name])) {
            close(*have, want, 1e-10, name);
        }
    }
}

#[test]
fn trends_as_pymannkendall_and_scipy() {
    let mut widened = 0;
    for case in cases(&reference("trends")) {
        let values = numbers(&case["values"]);
        let name = case["name"].as_str().unwrap();
        let trend = mann_kendall(&values).unwrap();
        assert_eq!(trend.s, case["s"].as_i64().unwrap(), "{name}");
        close(trend.variance, number(&case["variance"]), 1e-12, name);
        close(trend.z, number(&case["z"]), 1e-12, name);
        // That library takes the tail as 1 − Φ, which has no digits left far out.
        let slack = 1e-8 * trend.p_two_sided + 1e-15;
        assert!(
            (trend.p_two_sided - number(&case["p"])).abs() <= slack,
            "{name}: p {}",
            trend.p_two_sided
        );
        close(trend.tau_b, number(&case["tau_b"]), 1e-12, name);
        // The published correction may also narrow; ours is held at the plain variance then.
        let want = number(&case["hamed_rao_variance"]).max(trend.variance);
        widened += usize::from(want > trend.variance);
        close(
            mann_kendall_autocorrelated(&values).unwrap().variance,
            want,
            1e-9,
            name,
        );
        let times: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
        let line = theil_sen(&times, &values, 0.95).unwrap();
        let want = numbers(&case["theil_sen"]);
        for (have, want) in [line.slope.value, line.slope.low, line.slope.high, line.intercept]
            .iter()
            .zip(want)
        {
            close(*have, want, 1e-11, name);
        }
        let want = numbers(&case["autocorrelations"]);
        for (have, want) in autocorrelations(&values, 20).unwrap().iter().zip(want) {
            assert!((have - want).abs() < 1e-12, "{name}: {have} {want}");
        }
    }
    assert!(widened > 0, "no case tries the correction");
}

#[test]
fn a_line_as_scipy() {
    let case = reference("line");
    let fit = fit_line(&numbers(&case["x"]), &numbers(&case["y"])).unwrap();
    close(fit.slope, number(&case["slope"]), 1e-12, "slope");
    close(
        fit.slope_error,
        number(&case["slope_error"]),
        1e-12,
        "slope error",
    );
    close(fit.intercept, number(&case["intercept"]), 1e-12, "intercept");
    close(
        fit.intercept_error,
        number(&case["intercept_error"]),
        1e-12,
        "intercept error",
    );
    close(fit.r_squared, number(&case["r_squared"]), 1e-12, "r squared");
}

#[test]
fn settling_as_scipy() {
    for case in cases(&reference("settling")) {
        let fit = fit_settling(&numbers(&case["times"]), &numbers(&case["values"])).unwrap();
        let have = [fit.final_value, fit.amplitude, fit.time_constant];
        let errors = [
            fit.final_value_error,
            fit.amplitude_error,
            fit.time_constant_error,
        ];
        for (have, want) in have.iter().zip(numbers(&case["parameters"])) {
            close(*have, want, 1e-6, "parameter");
        }
        for (have, want) in errors.iter().zip(numbers(&case["errors"])) {
            close(*have, want, 1e-4, "standard error");
        }
    }
}

#[test]
fn two_one_sided_tests_as_statsmodels() {
    for case in cases(&reference("equivalence")) {
        let field = |name: &str| number(&case[name]);
        let have = equivalence(
            field("difference"),
            field("standard_error"),
            field("degrees_of_freedom"),
            field("margin"),
            0.05,
        )
        .unwrap();
        close(have.p, field("p"), 1e-9, "p");
        close(have.p_above_lower, field("p_above_lower"), 1e-9, "lower");
        close(have.p_below_upper, field("p_below_upper"), 1e-9, "upper");
    }
}
