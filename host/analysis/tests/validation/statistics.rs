//! Pages of the quantiles and of the two one-sided tests.

// What does not parse, or is refused, must fail the test.
#![allow(clippy::unwrap_used)]

use super::common::{json, number, numbers};
use super::page::{PUBLISHED, Row, keep, page, page_of, row};
use steadybench_analysis::statistics::quantile::NORMAL_CONSISTENCY;
use steadybench_analysis::statistics::{equivalence, median_absolute_deviation, normal_quantile, quantile};

#[test]
fn quantiles() {
    let reference = json(include_str!("../data/reference.json"));
    let mut rows = Vec::new();
    for case in reference["lists"].as_array().unwrap() {
        let values = numbers(&case["values"]);
        let length = values.len();
        for (p, want) in numbers(&case["probabilities"])
            .into_iter()
            .zip(numbers(&case["quantiles"]))
        {
            let what = format!("{length} values, quantile at {p}");
            rows.push(row(&what, want, quantile(&values, p).unwrap(), 9));
        }
        rows.push(row(
            &format!("{length} values, median absolute deviation"),
            number(&case["median_absolute_deviation"]),
            median_absolute_deviation(&values).unwrap(),
            9,
        ));
    }
    let factor = [
        row("factor for a normal distribution", 1.4826, NORMAL_CONSISTENCY, 5),
        row(
            "the same as 1/Φ⁻¹(3/4)",
            1.4826,
            1.0 / normal_quantile(0.75).unwrap(),
            5,
        ),
    ];
    let libraries = "numpy 2.4.6 (its default, definition 7 of Hyndman and Fan) and scipy 1.17.1, inputs and outputs in \
                     `tests/data/reference.json`, made by `tests/reference/make_reference.py`";
    keep(
        "quantile",
        &page_of(
            &[
                (libraries, PUBLISHED, &rows),
                (
                    "The factor as any text on robust statistics prints it",
                    PUBLISHED,
                    &factor,
                ),
            ],
            &[],
        ),
    );
}

#[test]
fn two_one_sided_tests() {
    let reference = json(include_str!("../data/reference.json"));
    let rows: Vec<Row> = reference["equivalence"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|case| {
            let field = |name: &str| number(&case[name]);
            let [difference, error, freedom, margin] =
                ["difference", "standard_error", "degrees_of_freedom", "margin"].map(field);
            let ours = equivalence(difference, error, freedom, margin, 0.05).unwrap();
            let what = format!("{difference:.4} ± {error:.4}, ν = {freedom}, margin {margin}");
            [
                row(
                    &format!("{what}, p above −margin"),
                    field("p_above_lower"),
                    ours.p_above_lower,
                    7,
                ),
                row(
                    &format!("{what}, p below +margin"),
                    field("p_below_upper"),
                    ours.p_below_upper,
                    7,
                ),
                row(&format!("{what}, p"), field("p"), ours.p, 7),
            ]
        })
        .collect();
    let source = "statsmodels 0.15.0, `ttost_mean` of thirty values, inputs and outputs in `tests/data/reference.json`, \
                  made by `tests/reference/make_reference.py`";
    keep("equivalence", &page(source, PUBLISHED, &rows, &[]));
}
