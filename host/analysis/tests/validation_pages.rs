//! The pages of validation that the documentation of each method includes: `docs/validation/*.md`. Each is made anew here
//! and must equal the file that is kept; `WRITE_VALIDATION=1` writes the files instead.

mod common;
#[path = "common/page.rs"]
mod page;

use std::path::Path;

use common::{column, json, number, numbers};
use page::{Curve, Row, page, picture, row, said};
use serde_json::Value;
use steadybench_analysis::events::{EventDetector, EventSettings};
use steadybench_analysis::power_up::{PowerUpExamination, PowerUpSettings};
use steadybench_analysis::sample::Sample;
use steadybench_analysis::statistics::{
    autocorrelation, effective_size_ar1, fisher_exact, fit_line, fit_saturating, mann_kendall, moments,
    poisson_interval, student_t_quantile, theil_sen,
};
use steadybench_analysis::twins::{TwinExamination, TwinSettings};

const PUBLISHED: [&str; 3] = ["published", "ours", "relative difference"];
const NIST: &str = "NIST/ITL Statistical Reference Datasets, certified values";

fn certified() -> Value {
    json(include_str!("data/nist_certified.json"))
}

/// Fails unless the page kept under `name` is `text`.
fn keep(name: &str, text: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("docs/validation")
        .join(format!("{name}.md"));
    if std::env::var_os("WRITE_VALIDATION").is_some() {
        std::fs::write(&path, text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == text,
        "{} is out of date; write it anew with WRITE_VALIDATION=1 and look at what changed",
        path.display()
    );
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

/// SplitMix64 (Steele, Lea and Flood 2014), and twelve uniform numbers for a normal one: no library function whose last
/// bit differs from machine to machine.
struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

#[test]
fn twins_over_kinds_of_noise() {
    const RECORDS: u64 = 50;
    let mut rows = Vec::new();
    for (what, memory_s, share) in [
        ("white noise", 0.0, 0.0),
        ("half as much again that remembers for 0.3 s", 0.3, 0.5),
        ("the same for 1 s", 1.0, 0.5),
        (
            "the same for 10 s, a third of the record: beyond what is assumed",
            10.0,
            0.5,
        ),
    ] {
        let (mut held, mut width) = (0, 0.0);
        for record in 0..RECORDS {
            let mut random = Random(record);
            let mut twins = TwinExamination::new(TwinSettings {
                mains_hz: Some(50.0),
                ..TwinSettings::default()
            });
            let keeps = if memory_s > 0.0 {
                1.0 - 0.004 / memory_s
            } else {
                0.0
            };
            let kick = share * (1.0_f64 - keeps * keeps).sqrt();
            let mut wander = [share * random.normal(), share * random.normal()];
            for index in 0..7500_u32 {
                let current_a = [0, 1].map(|channel: usize| {
                    wander[channel] = keeps * wander[channel] + kick * random.normal();
                    0.25 + 1e-3 * (random.normal() + wander[channel])
                });
                twins.push(&Sample {
                    current_a,
                    ..Sample::missing_at(f64::from(index) * 0.004)
                });
            }
            let compare = twins.finish().compare;
            let (low, high) = (compare.ci_low.unwrap(), compare.ci_high.unwrap());
            held += u64::from(low <= 0.0 && 0.0 <= high);
            width += (high - low) / (1e-3 * std::f64::consts::SQRT_2) / RECORDS as f64;
        }
        rows.push(said(
            what,
            "95 %",
            &format!("{} %", 100 * held / RECORDS),
            &format!("{width:.2}"),
        ));
    }
    let source = "Simulation, no source: fifty records of 30 s at 250 readings/s of two equal stages each";
    let columns = [
        "claimed",
        "intervals that held the true difference",
        "mean width, sd of a reading",
    ];
    keep("twins", &page(source, columns, &rows, &[]));
}

#[test]
fn events_in_a_picture() {
    let mut detector = EventDetector::new(EventSettings::default());
    let mut random = Random(7);
    let mut points = Vec::new();
    let truth = [(8.1, 8.13, -0.02), (8.4, 8.41, 0.03), (8.7, 8.9, -0.012)];
    for index in 0..12_000_u32 {
        let time_s = f64::from(index) * 1e-3;
        let event: f64 = truth
            .iter()
            .filter(|(from, to, _)| (*from..*to).contains(&time_s))
            .map(|event| event.2)
            .sum();
        let current_a = [
            0.25 + event + 1e-3 * random.normal(),
            0.25 + 1e-3 * random.normal(),
        ];
        detector.push(&Sample {
            current_a,
            ..Sample::missing_at(time_s)
        });
        if (8000..9000).contains(&index) && index % 2 == 0 {
            points.push((time_s, 1000.0 * current_a[0]));
        }
    }
    detector.finish();
    let mut found = Vec::new();
    while let Some(update) = detector.next_update() {
        let event = update.event().clone();
        found.retain(|(id, _): &(u64, _)| *id != event.id);
        found.push((event.id, event));
    }
    let mut rows = Vec::new();
    let mut curve = vec![(8.0, 250.0)];
    assert_eq!(found.len(), truth.len(), "{found:#?}");
    for ((from, to, size), (_, event)) in truth.iter().zip(&found) {
        rows.push(said(
            &format!("{:?}, onset and end, s", event.kind).to_lowercase(),
            &format!("{from:.3}, {to:.3}"),
            &format!("{:.3}, {:.3}", event.start_s, event.end_s),
            &format!("{:+.1} mA for {:+.1} mA", 1000.0 * event.size_a, 1000.0 * size),
        ));
        let level = 250.0 + 1000.0 * event.size_a;
        for point in [
            (event.start_s, 250.0),
            (event.start_s, level),
            (event.end_s, level),
            (event.end_s, 250.0),
        ] {
            curve.push(point);
        }
    }
    curve.push((9.0, 250.0));
    let picture = picture(
        "a simulated second with what was found in it",
        "time, s",
        "current, mA",
        &[
            Curve {
                name: "readings",
                points,
                dots: true,
            },
            Curve {
                name: "found",
                points: curve,
                dots: false,
            },
        ],
    );
    let source = "Simulation, no source: 1 mA of white noise on 250 mA at 1000 readings/s";
    keep(
        "events",
        &page(
            source,
            ["put in", "found", "size found for size put in"],
            &rows,
            &[picture],
        ),
    );
}
