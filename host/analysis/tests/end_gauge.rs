//! JCGM 100:2008, annex H.1: calibration of an end gauge of 50 mm. The figures are those of the annex, as three
//! independent public test suites quote them.

use steadybench_analysis::uncertainty::{Budget, Component};

#[test]
fn end_gauge_h1() {
    let standard_nm = 50_000_623.0;
    let (alpha_per_k, theta_k) = (11.5e-6, -0.1);
    // l = ls + d − ls·(δα·θ + αs·δθ); at the estimates δα = δθ = 0 the sensitivities to αs and θ vanish.
    let components = vec![
        Component::measured("length of the standard", standard_nm, "nm", 25.0, 18.0),
        Component::measured("measured difference", 215.0, "nm", 9.7, 25.6),
        Component::stated("expansion of the standard", alpha_per_k, "1/K", 1.2e-6).sensitivity(0.0),
        Component::stated("temperature of the bed", theta_k, "K", 0.41).sensitivity(0.0),
        Component::stated("difference of the expansions", 0.0, "1/K", 0.58e-6)
            .sensitivity(-standard_nm * theta_k)
            .degrees_of_freedom(50.0),
        Component::stated("difference of the temperatures", 0.0, "K", 0.029)
            .sensitivity(-standard_nm * alpha_per_k)
            .degrees_of_freedom(2.0),
    ];
    let budget = Budget::new("length of the gauge", "nm", standard_nm + 215.0, components).unwrap();
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
