//! Pages of the thermistor and of the budget of uncertainty.

// What does not parse, or is refused, must fail the test.
#![allow(clippy::unwrap_used)]

use super::common::column;
use super::end_gauge::end_gauge;
use super::page::{Curve as Drawn, PUBLISHED, Row, keep, page, page_of, picture, row, said};
use steadybench_analysis::thermistor::{Curve, ICE_POINT_K};

const PART: Curve = Curve::NTC_10K_B3977;
const BETA: Curve = Curve::Beta {
    r25_ohm: 10_000.0,
    beta_k: 3_977.0,
};

fn table_and_worked_examples() -> Vec<Row> {
    let text = include_str!("../data/ntc_10k_B3977_RT.csv");
    let mut rows: Vec<Row> = column(text, 0)
        .into_iter()
        .zip(column(text, 1))
        .map(|(t, ohm)| row(&format!("table, {t} °C, Ω"), ohm, PART.resistance_ohm(t), 5))
        .collect();
    rows.push(row(
        "worked point, 42.5 °C, Ω",
        4_824.0,
        PART.resistance_ohm(42.5),
        5,
    ));
    let inverse = |t: f64| 1.0 / (t + ICE_POINT_K);
    for (r25, beta, t, ohm) in [
        (1.05, -0.0075, 10.0, 20_755.0),
        (1.05, -0.0075, 50.0, 3_815.0),
        (0.95, 0.0075, 10.0, 18_979.0),
        (0.95, 0.0075, 50.0, 3_399.0),
    ] {
        let ours = PART.resistance_ohm(t) * r25 * (3_977.0_f64 * beta * (inverse(t) - inverse(25.0))).exp();
        let what = format!(
            "tolerance, R25 {:+} %, B {:+} %, {t} °C, Ω",
            if r25 > 1.0 { 5 } else { -5 },
            100.0 * beta
        );
        rows.push(row(&what, ohm, ours, 5));
    }
    rows
}

/// Coefficients through three points, and the points between.
fn steinhart_hart() -> Vec<Row> {
    let mut rows = Vec::new();
    for (name, points, want, between) in [
        (
            "0, 25, 50 °C",
            [(0.0, 32_128.0), (25.0, 9_814.0), (50.0, 3_542.0)],
            [1.104_159_12e-3, 2.389_179_47e-4, 6.931_626_53e-8],
            vec![(10.0, 19_549.0), (20.0, 12_262.0), (30.0, 7_908.0)],
        ),
        (
            "5, 25, 45 °C",
            [(5.0, 25_000.0), (25.0, 10_000.0), (45.0, 4_000.0)],
            [2.108_508_17e-3, 7.979_204_73e-5, 6.535_076_31e-7],
            vec![(36.167_4, 6_000.0)],
        ),
    ] {
        let curve = Curve::through(points).unwrap();
        let Curve::SteinhartHart { a, b, c } = curve else {
            panic!("another kind of curve")
        };
        for ((letter, want), have) in ["A", "B", "C"].iter().zip(want).zip([a, b, c]) {
            rows.push(row(&format!("through {name}, {letter}"), want, have, 9));
        }
        for (t, ohm) in between {
            let ours = curve.temperature_c(ohm);
            rows.push(row(&format!("through {name}, {ohm} Ω, °C"), t, ours, 5));
        }
    }
    rows
}

/// A curve through three points of a maker's table against the rest of it.
fn other_makers() -> Vec<Row> {
    let text = include_str!("../data/ntc_10k_kernel_tables.csv");
    let temperatures = column(text, 0);
    let mut rows = Vec::new();
    for (index, name) in [(1, "Murata NCPxxXH103"), (2, "EPCOS B57330V2103")] {
        let ohms = column(text, index);
        let at = |t: f64| ohms[temperatures.iter().position(|&row| row == t).unwrap()];
        let curve = Curve::through([0.0, 50.0, 100.0].map(|t| (t, at(t)))).unwrap();
        for t in [10.0, 25.0, 40.0, 60.0, 80.0] {
            let ours = curve.temperature_c(at(t));
            rows.push(said(
                &format!("{name}, {} Ω", at(t)),
                &format!("{t:.0} °C"),
                &format!("{ours:.2} °C"),
                &format!("{:.2} K", (ours - t).abs()),
            ));
        }
    }
    rows
}

#[test]
fn thermistor() {
    let text = include_str!("../data/ntc_10k_B3977_RT.csv");
    let points = column(text, 0)
        .into_iter()
        .zip(column(text, 1))
        .map(|(t, ohm)| (t, BETA.temperature_c(ohm) - t))
        .collect();
    let line = (0..=85)
        .map(|t| {
            let t = f64::from(t);
            (t, BETA.temperature_c(PART.resistance_ohm(t)) - t)
        })
        .collect();
    let picture = picture(
        "what the Beta formula reads too much",
        "temperature, °C",
        "error, K",
        &[
            Drawn {
                name: "at the table's resistances",
                points,
                dots: true,
            },
            Drawn {
                name: "at those of the four coefficients",
                points: line,
                dots: false,
            },
        ],
    );
    let part = "10 kΩ, B25/85 = 3977 K: the part's table as quoted in public code (15 °C from memory, for a misprint of \
                15872 Ω goes round); worked point and tolerances of Vishay application note 29089";
    let curve = "Steinhart–Hart: points of a temperature controller's manual (ILX Lightwave, appendix A), and a triple in \
                 general circulation (from memory); the coefficients were computed apart from this crate. The manual's \
                 row of 40 °C, 5331 Ω, is off by 0.47 K, so misprinted, and left out";
    let makers = "A Steinhart–Hart curve through 0, 50 and 100 °C of two other makers' tables, as Linux has them in \
                  drivers/hwmon/ntc_thermistor.c, against the rows between";
    keep(
        "thermistor",
        &page_of(
            &[
                (part, PUBLISHED, &table_and_worked_examples()),
                (curve, PUBLISHED, &steinhart_hart()),
                (makers, ["published", "ours", "difference"], &other_makers()),
            ],
            &[picture],
        ),
    );
}

#[test]
fn uncertainty() {
    let budget = end_gauge();
    let printed = |what: &str, published: &str, ours: String, difference: f64| {
        said(what, published, &ours, &format!("{difference:+.2}"))
    };
    let mut rows: Vec<Row> = budget
        .components
        .iter()
        .zip([25.0, 9.7, 0.0, 0.0, 2.9, 16.6])
        .map(|(component, want)| {
            let ours = component.contribution();
            let what = format!("contribution of the {}, nm", component.name);
            printed(&what, &format!("{want:.1}"), format!("{ours:.2}"), ours - want)
        })
        .collect();
    let combined = budget.combined_standard_uncertainty();
    let freedom = budget.effective_degrees_of_freedom();
    let expanded = budget.expanded(0.99).unwrap();
    for (what, published, ours, decimals) in [
        ("combined variance, nm²", 1002.0, combined.powi(2), 0),
        ("combined standard uncertainty, nm", 32.0, combined, 0),
        ("effective degrees of freedom", 16.7, freedom, 1),
        ("coverage factor at 99 %", 2.92, expanded.coverage_factor, 2),
        (
            "expanded uncertainty at 99 %, nm",
            93.0,
            expanded.expanded_uncertainty,
            0,
        ),
        ("length, nm", 50_000_838.0, budget.value, 0),
    ] {
        rows.push(printed(
            what,
            &format!("{published:.decimals$}"),
            format!("{ours:.*}", decimals + 1),
            ours - published,
        ));
    }
    let source = "JCGM 100:2008, annex H.1, calibration of an end gauge of 50 mm. The annex adds contributions it has \
                  rounded before, hence its 1002 nm²; the coverage factor is that of 16 degrees of freedom, cut from 16.7";
    keep(
        "uncertainty",
        &page(source, ["published", "ours", "difference"], &rows, &[]),
    );
}
