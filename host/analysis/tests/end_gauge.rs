//! JCGM 100:2008, annex H.1: calibration of an end gauge of 50 mm. The figures are those of the annex, as three
//! independent public test suites quote them.

#[path = "common/end_gauge.rs"]
mod budget;

use budget::end_gauge;
use steadybench_analysis::uncertainty::Component;

#[test]
fn annex_h1() {
    let budget = end_gauge();
    assert_eq!(budget.value, 50_000_838.0);

    let contributions: Vec<f64> = budget.components.iter().map(Component::contribution).collect();
    for (have, printed) in contributions.iter().zip([25.0, 9.7, 0.0, 0.0, 2.9, 16.6]) {
        assert!((have - printed).abs() < 0.09, "{have} against {printed}");
    }
    let combined = budget.combined_standard_uncertainty();
    // The annex prints 1002 nm² from contributions it has rounded before; unrounded it is 1005.
    assert!(
        (combined.powi(2) - 1002.0).abs() < 4.0 && combined.round() == 32.0,
        "{combined}"
    );
    let freedom = budget.effective_degrees_of_freedom();
    assert!((freedom - 16.7).abs() < 0.15, "{freedom}");
    let expanded = budget.expanded(0.99).unwrap();
    assert_eq!(expanded.degrees_of_freedom, Some(16.0));
    assert!((expanded.coverage_factor - 2.92).abs() < 0.005);
    assert_eq!(expanded.expanded_uncertainty.round(), 93.0);
}
