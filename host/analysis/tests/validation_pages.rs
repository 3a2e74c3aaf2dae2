//! The pages of validation that the documentation of each method includes: `docs/validation/*.md`. Each is made anew here
//! and must equal the file that is kept; `WRITE_VALIDATION=1` writes the files instead.

#[path = "validation/bench.rs"]
mod bench;
mod common;
#[path = "common/end_gauge.rs"]
mod end_gauge;
#[path = "validation/fuses.rs"]
mod fuses;
#[path = "validation/measuring.rs"]
mod measuring;
#[path = "common/page.rs"]
mod page;
#[path = "common/random.rs"]
mod random;
#[path = "validation/repairs.rs"]
mod repairs;
#[path = "validation/simulated.rs"]
mod simulated;
#[path = "validation/soaks.rs"]
mod soaks;
#[path = "validation/statistics.rs"]
mod statistics;
#[path = "validation/taps.rs"]
mod taps;

use common::{column, json, number, numbers};
use page::{Curve, PUBLISHED, Row, keep, page, picture, row};
use serde_json::Value;
use steadybench_analysis::power_up::{PowerUpExamination, PowerUpSettings};
use steadybench_analysis::sample::Sample;
use steadybench_analysis::statistics::{
    autocorrelation, effective_size_ar1, fisher_exact, fit_line, fit_saturating, mann_kendall, moments,
    poisson_interval, student_t_quantile, theil_sen,
};

const NIST: &str = "NIST/ITL Statistical Reference Datasets, certified values";

fn certified() -> Value {
    json(include_str!("data/nist_certified.json"))
}

const UNIVARIATE: [(&str, &str); 8] = [
    ("Michelso", include_str!("data/nist_univ_Michelso.csv")),
    ("Mavro", include_str!("data/nist_univ_Mavro.csv")),
    ("Lew", include_str!("data/nist_univ_Lew.csv")),
    ("Lottery", include_str!("data/nist_univ_Lottery.csv")),
    ("NumAcc1", include_str!("data/nist_univ_NumAcc1.csv")),
    ("NumAcc2", include_str!("data/nist_univ_NumAcc2.csv")),
    ("NumAcc3", include_str!("data/nist_univ_NumAcc3.csv")),
    ("NumAcc4", include_str!("data/nist_univ_NumAcc4.csv")),
];

#[test]
fn moments_and_autocorrelation() {
    let certified = certified();
    let (mut spreads, mut lags) = (Vec::new(), Vec::new());
    for (name, text) in UNIVARIATE {
        let values = column(text, 0);
        let want = |field: &str| number(&certified["univariate"][name][field]);
        let have = moments(&values).unwrap();
        spreads.push(row(&format!("{name}, mean"), want("mean"), have.mean, 15));
        spreads.push(row(
            &format!("{name}, standard deviation"),
            want("sd_n_minus_1"),
            have.standard_deviation(),
            15,
        ));
        let r1 = autocorrelation(&values, 1).unwrap();
        lags.push(row(&format!("{name}, lag 1"), want("lag1_autocorr"), r1, 15));
    }
    keep("moments", &page(NIST, PUBLISHED, &spreads, &[]));
    keep("autocorrelation", &page(NIST, PUBLISHED, &lags, &[]));
}

#[test]
fn straight_line() {
    let text = include_str!("data/nist_lin_Norris.csv");
    let (y, x) = (column(text, 0), column(text, 1));
    let fit = fit_line(&x, &y).unwrap();
    let certified = certified();
    let want = |field: &str| number(&certified["linear"]["Norris"][field]);
    let rows: Vec<Row> = [
        ("B0", fit.intercept),
        ("B1", fit.slope),
        ("sd_B0", fit.intercept_error),
        ("sd_B1", fit.slope_error),
        ("residual_sd", fit.residual_sd),
    ]
    .map(|(name, ours)| {
        row(
            &format!("Norris, {}", name.replace('_', " ")),
            want(name),
            ours,
            13,
        )
    })
    .into();
    let points = x.iter().copied().zip(y.iter().map(|y| y / 1000.0)).collect();
    let ends = [0.0, 1000.0].map(|x| (x, (fit.intercept + fit.slope * x) / 1000.0));
    let picture = picture(
        "Norris with the line",
        "x",
        "y / 1000",
        &[
            Curve {
                name: "data",
                points,
                dots: true,
            },
            Curve {
                name: "line",
                points: ends.into(),
                dots: false,
            },
        ],
    );
    keep("line", &page(NIST, PUBLISHED, &rows, &[picture]));
}

#[test]
fn saturating_curve() {
    let certified = certified();
    let (mut rows, mut pictures) = (Vec::new(), Vec::new());
    for (name, text) in [
        ("Misra1a", include_str!("data/nist_nls_Misra1a.csv")),
        ("BoxBOD", include_str!("data/nist_nls_BoxBOD.csv")),
    ] {
        let (y, x) = (column(text, 0), column(text, 1));
        let want = &certified["nonlinear"][name];
        let start = numbers(&want["start1"]).try_into().unwrap();
        let fit = fit_saturating(&x, &y, Some(start)).unwrap();
        for (field, ours) in [
            ("b1", fit.final_value),
            ("b2", fit.rate),
            ("sd_b1", fit.final_value_error),
            ("RSS", fit.residual_sum_of_squares),
        ] {
            let what = format!("{name} from its first start, {}", field.replace('_', " "));
            rows.push(row(&what, number(&want[field]), ours, 9));
        }
        let last = x.last().unwrap();
        let curve = (0..=60)
            .map(|k| {
                let x = last * f64::from(k) / 60.0;
                (x, fit.final_value * (1.0 - (-fit.rate * x).exp()))
            })
            .collect();
        pictures.push(picture(
            name,
            "x",
            "y",
            &[
                Curve {
                    name: "data",
                    points: x.iter().copied().zip(y).collect(),
                    dots: true,
                },
                Curve {
                    name: "fit",
                    points: curve,
                    dots: false,
                },
            ],
        ));
    }
    keep("exponential", &page(NIST, PUBLISHED, &rows, &pictures));
}

#[test]
fn counts_tables_and_quantiles() {
    let rows: Vec<Row> = [
        (1, 0.0253, 5.5716),
        (3, 0.6187, 8.7673),
        (10, 4.7954, 18.3904),
        (20, 12.2165, 30.8884),
    ]
    .into_iter()
    .flat_map(|(count, low, high)| {
        let ours = poisson_interval(count, 0.95).unwrap();
        [
            row(&format!("{count} events, lower limit"), low, ours.low, 4),
            row(&format!("{count} events, upper limit"), high, ours.high, 4),
        ]
    })
    .collect();
    keep(
        "counts",
        &page(
            "F. Garwood, *Biometrika* 28 (1936) 437, 95 % limits as printed",
            PUBLISHED,
            &rows,
            &[],
        ),
    );

    let tea = fisher_exact([[4, 0], [0, 4]]).unwrap();
    let three = fisher_exact([[3, 1], [1, 3]]).unwrap();
    let rows = [
        row("four of four, greater (1/70)", 1.0 / 70.0, tea.p_greater, 6),
        row("three of four, greater (17/70)", 17.0 / 70.0, three.p_greater, 6),
        row(
            "three of four, two-sided (34/70)",
            34.0 / 70.0,
            three.p_two_sided,
            6,
        ),
    ];
    let source = "R. A. Fisher, *The Design of Experiments*: eight cups of tea";
    keep("fisher", &page(source, PUBLISHED, &rows, &[]));

    let rows: Vec<Row> = [
        (1.0, 12.706),
        (2.0, 4.303),
        (5.0, 2.571),
        (10.0, 2.228),
        (30.0, 2.042),
        (120.0, 1.980),
    ]
    .into_iter()
    .map(|(freedom, t)| {
        row(
            &format!("t 0.975, ν = {freedom}"),
            t,
            student_t_quantile(0.975, freedom).unwrap(),
            4,
        )
    })
    .collect();
    keep(
        "distributions",
        &page(
            "JCGM 100:2008, table G.2, and any textbook",
            PUBLISHED,
            &rows,
            &[],
        ),
    );

    let rows: Vec<Row> = [(0.5, 33.3), (0.8, 11.1), (0.9, 5.26), (0.95, 2.56)]
        .into_iter()
        .map(|(rho, size)| {
            let ours = effective_size_ar1(100, rho).unwrap();
            row(&format!("100 readings, ρ = {rho}"), size, ours, 3)
        })
        .collect();
    let source = "n (1 − ρ)/(1 + ρ) as tabulated in lecture notes of computational physics";
    keep("effective_size", &page(source, PUBLISHED, &rows, &[]));
}

#[test]
fn the_nile() {
    let text = include_str!("data/nile_1871_1970.csv");
    let (years, flow) = (column(text, 0), column(text, 1));
    let test = mann_kendall(&flow).unwrap();
    let line = theil_sen(&years, &flow, 0.95).unwrap();
    let rows = [
        row("Mann–Kendall, S", -1387.0, test.s as f64, 4),
        row("Mann–Kendall, z", -4.128_066_522_844_101, test.z, 10),
        row("Theil–Sen slope", -2.6, line.slope.value, 5),
        row("lower limit", -3.627_906_976_744_186, line.slope.low, 10),
        row("upper limit", -1.428_571_428_571_428_6, line.slope.high, 10),
    ];
    let (middle_x, middle_y) = (0.5 * (years[49] + years[50]), moments(&flow).unwrap().mean);
    let ends = [years[0], years[99]].map(|year| (year, middle_y + line.slope.value * (year - middle_x)));
    let picture = picture(
        "the Nile at Aswan, 10^8 m³ a year, with the Theil–Sen slope through its mean",
        "year",
        "flow",
        &[
            Curve {
                name: "flow",
                points: years.iter().copied().zip(flow).collect(),
                dots: true,
            },
            Curve {
                name: "slope",
                points: ends.into(),
                dots: false,
            },
        ],
    );
    let source = "Yearly flow of the Nile, a public data set; pymannkendall 1.4.3 and scipy 1.17.1";
    keep("trend", &page(source, PUBLISHED, &rows, &[picture]));
}

#[test]
fn power_up_in_closed_form() {
    let (mut rows, mut pictures) = (Vec::new(), Vec::new());
    for (what, peak, tau, i2t, charge) in [
        ("12 V, 0.5 Ω, 1000 µF", 24.0, 0.5e-3, 0.144, 12e-3),
        ("325 V, 10 Ω, 100 µF", 32.5, 1e-3, 0.528_125, 32.5e-3),
    ] {
        let reading_s = 2e-5;
        let mut examination = PowerUpExamination::new(PowerUpSettings {
            mains_hz: Some(50.0),
            i2t_window_s: 0.2,
            ..PowerUpSettings::default()
        });
        let mut points = Vec::new();
        for index in 0..50_000_u32 {
            let start_s = f64::from(index) * reading_s;
            let since = |time_s: f64| (time_s - 0.3_f64).max(0.0);
            let (from, to) = (since(start_s), since(start_s + reading_s));
            let current = peak * tau * ((-from / tau).exp() - (-to / tau).exp()) / reading_s;
            examination.push(&Sample {
                current_a: [current, f64::NAN],
                ..Sample::missing_at(start_s)
            });
            if (14_950..15_250).contains(&index) && index % 3 == 0 {
                points.push((1000.0 * (start_s - 0.3), current));
            }
        }
        let findings = examination.finish();
        let found = findings.channel(1).unwrap();
        rows.push(row(&format!("{what}, peak, A"), peak, found.peak_a.unwrap(), 4));
        rows.push(row(&format!("{what}, I²t, A²s"), i2t, found.i2t_a2s.unwrap(), 4));
        rows.push(row(
            &format!("{what}, charge, C"),
            charge,
            found.charge_as.unwrap(),
            4,
        ));
        let level = found.peak_a.unwrap();
        pictures.push(picture(
            what,
            "time after switch-on, ms",
            "current, A",
            &[
                Curve {
                    name: "means over 20 µs",
                    points,
                    dots: true,
                },
                Curve {
                    name: "peak found",
                    points: vec![(-1.0, level), (5.0, level)],
                    dots: false,
                },
            ],
        ));
    }
    let source = "A capacitor charged through a resistor in closed form, i = (V/R)·exp(−t/RC), I²t = V²C/2R, Q = CV; a \
                  reading is a mean over 20 µs and so a little below the peak. A rectifier supply against a circuit \
                  simulator: `tests/power_up.rs`";
    keep("power_up", &page(source, PUBLISHED, &rows, &pictures));
}
