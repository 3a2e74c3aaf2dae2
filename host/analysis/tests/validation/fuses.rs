//! Page of the fuses: gates, pulse rules, and makers' melting values.

// What does not parse, or is refused, must fail the test.
#![allow(clippy::unwrap_used)]

use super::page::{PUBLISHED, Row, keep, page_of, row, said};
use steadybench_analysis::fuse::{
    FuseStandard, MeltingSeries, PulseShape, Vouched, gates, pulse_i2t_a2s, pulse_share,
    typical_melting_i2t_a2s,
};

fn records(text: &str) -> Vec<csv::StringRecord> {
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    let records: Vec<_> = reader.records().map(|record| record.unwrap()).collect();
    assert!(!records.is_empty());
    records
}

/// One row per gate that the table limits, at the lowest and the highest rating of each line of the table.
fn time_limits() -> Vec<Row> {
    let mut rows = Vec::new();
    for record in records(include_str!("../data/fuse_gates_iec60127-2.csv")) {
        let standard = match &record[0] {
            "1" => FuseStandard::Sheet1,
            "2" => FuseStandard::Sheet2,
            "3" => FuseStandard::Sheet3,
            "5" => FuseStandard::Sheet5,
            other => panic!("sheet {other}"),
        };
        let [low, high] = [2, 3].map(|column| gates(standard, record[column].parse().unwrap()).unwrap());
        assert_eq!(low, high, "{record:?}");
        let printed = |columns: [usize; 2]| span(columns.map(|column| record[column].parse().ok()));
        // 1.5 has no upper limit and 2.1 no lower one: a column that is none stands for them.
        let nowhere = usize::MAX;
        let columns = [[4, nowhere], [nowhere, 5], [6, 7], [8, 9], [10, 11]];
        let (mut published, mut ours, mut memory) = (Vec::new(), Vec::new(), false);
        for (gate, columns) in low.iter().zip(columns) {
            published.push(match columns {
                [first, second] if second == nowhere => span([record[first].parse().ok(), None]),
                [first, second] if first == nowhere => span([None, record[second].parse().ok()]),
                both => printed(both),
            });
            let limits = [gate.at_least, gate.at_most];
            memory |= limits
                .iter()
                .flatten()
                .any(|limit| limit.vouched == Vouched::FromMemory);
            ours.push(span(limits.map(|limit| limit.map(|limit| limit.seconds))));
        }
        let all = low.iter().all(|gate| {
            [gate.at_least, gate.at_most]
                .iter()
                .flatten()
                .all(|limit| limit.vouched == Vouched::FromMemory)
        });
        let mark = match (memory, all) {
            (false, _) => "as printed by makers",
            (true, true) => "from memory",
            (true, false) => "as printed by makers; 1.5 from memory",
        };
        let equal = published
            .iter()
            .zip(&ours)
            .filter(|(published, ours)| published == ours)
            .count();
        rows.push(said(
            &format!("sheet {}, {} to {} A; {mark}", &record[0], &record[2], &record[3]),
            &published.join("; "),
            &ours.join("; "),
            &format!("{equal} of {}", columns.len()),
        ));
    }
    rows
}

fn span(limits: [Option<f64>; 2]) -> String {
    match limits {
        [Some(least), Some(most)] => format!("{least} to {most}"),
        [Some(least), None] => format!("≥ {least}"),
        [None, Some(most)] => format!("≤ {most}"),
        [None, None] => "none".to_owned(),
    }
}

/// Shares and wave shapes of the pulse rules; the shapes at 1 A and 1 s.
fn pulses() -> Vec<Row> {
    let mut rows: Vec<Row> = [(100, 0.48), (1_000, 0.38), (10_000, 0.29), (100_000, 0.22)]
        .into_iter()
        .map(|(pulses, share)| {
            let what = format!("share of the melting I²t, {pulses} pulses");
            row(&what, share, pulse_share(pulses).unwrap(), 2)
        })
        .collect();
    for (what, shape, factor) in [
        ("exponential decay, ½ Ip²·τ", PulseShape::ExponentialDecay, 0.5),
        ("half sine, ½ Ip²·t", PulseShape::HalfSine, 0.5),
        ("triangle, ⅓ Ip²·t", PulseShape::Triangle, 1.0 / 3.0),
        (
            "trapezoid to half its height, ⅓ (Ip² + Ip·Ib + Ib²)·t",
            PulseShape::Trapezoid { other_a: 0.5 },
            1.75 / 3.0,
        ),
        ("parabola, ⅕ Ip²·t", PulseShape::Parabola, 0.2),
    ] {
        rows.push(row(what, factor, pulse_i2t_a2s(shape, 1.0, 1.0), 4));
    }
    rows
}

/// All values of each maker's table against ours, in one row a series.
fn melting() -> Vec<Row> {
    let records = records(include_str!("../data/fuse_i2t_5x20.csv"));
    let rows: Vec<Row> = [
        ("Littelfuse 213", MeltingSeries::Littelfuse213),
        ("Littelfuse 216SP", MeltingSeries::Littelfuse216Sp),
        ("Bel 5HT", MeltingSeries::Bel5Ht),
        ("Schurter SMD-SPT", MeltingSeries::SchurterSmdSpt),
    ]
    .map(|(name, series)| {
        let pairs: Vec<(f64, f64)> = records
            .iter()
            .filter(|record| record[0].starts_with(name))
            .map(|record| {
                let ours = typical_melting_i2t_a2s(series, record[2].parse().unwrap()).unwrap();
                (record[3].parse().unwrap(), ours)
            })
            .collect();
        let list = |of: fn(&(f64, f64)) -> f64| {
            let values: Vec<String> = pairs.iter().map(|pair| of(pair).to_string()).collect();
            values.join(" ")
        };
        let equal = pairs
            .iter()
            .filter(|(published, ours)| (ours / published - 1.0).abs() < 1e-12)
            .count();
        let difference = format!("{equal} of {}", pairs.len());
        said(name, &list(|pair| pair.0), &list(|pair| pair.1), &difference)
    })
    .into();
    rows
}

#[test]
fn fuse() {
    let limits = "IEC 60127-2, 5 × 20 mm, times in seconds at 1.5; 2.1; 2.75; 4; 10 times the rating, as printed in data \
                  sheets that declare the sheet: Littelfuse 216SP (sheet 1), 617 (sheet 2), 213 (sheet 3), Schurter FST \
                  (sheet 3), SPT and Littelfuse 215 (sheet 5). The standard's own text was not seen";
    let rules = "Littelfuse fuse catalogue, page 12, rev. 03/2017; the wave shapes at 1 A and 1 s";
    let makers = "Typical melting I²t in A²s, rating by rating, from the makers' data sheets; no limits of the standard";
    let columns = ["published", "ours", "equal"];
    keep(
        "fuse",
        &page_of(
            &[
                (limits, columns, &time_limits()),
                (rules, PUBLISHED, &pulses()),
                (makers, columns, &melting()),
            ],
            &[],
        ),
    );
}
