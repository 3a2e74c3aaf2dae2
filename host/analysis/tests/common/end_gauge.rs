//! JCGM 100:2008, annex H.1: the length of an end gauge of 50 mm.

// What does not parse, or is refused, must fail the test.
#![allow(clippy::unwrap_used)]

use steadybench_analysis::uncertainty::{Budget, Component};

/// The budget of the annex.
pub(crate) fn end_gauge() -> Budget {
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
    Budget::new("length of the gauge", "nm", standard_nm + 215.0, components).unwrap()
}
