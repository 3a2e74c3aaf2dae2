//! Simulated pages of the twins and the events.

use super::page::{Curve, keep, page, picture, said};
use super::random::Random;
use steadybench_analysis::events::{EventDetector, EventSettings};
use steadybench_analysis::sample::Sample;
use steadybench_analysis::twins::{TwinExamination, TwinSettings};

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
