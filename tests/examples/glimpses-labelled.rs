//! How well a glimpse foretells what is reported: readings of labelled recordings in blocks of 20 ms, as a board sends them,
//! and after each block what is glimpsed and what is reported.
//!
//! ```text
//! cargo run --release -p steadybench-tests --example glimpses-labelled -- RECORDING.csv ...
//! ```
//!
//! Printed: faults, those of them that were glimpsed, glimpses of what was then judged harmless and why, and how long after
//! its onset an event is glimpsed and reported.

#![allow(clippy::unwrap_used)] // A measurement may stop at once.

use std::collections::{BTreeMap, BTreeSet};

use steadybench_analysis::events::{EventDetector, EventSettings, EventUpdate};
use steadybench_analysis::sample::Sample;

const BLOCK_S: f64 = 0.02;

#[derive(Default)]
struct Counts {
    hours: f64,
    faults: usize,
    glimpsed: usize,
    harmless: BTreeMap<String, usize>,
    glimpse_s: Vec<f64>,
    report_s: Vec<f64>,
}

fn main() {
    let mut counts = Counts::default();
    for path in std::env::args().skip(1) {
        counts.take(&read(&path));
    }
    let at = |times: &mut Vec<f64>, share: f64| {
        times.sort_by(f64::total_cmp);
        let place = (times.len().saturating_sub(1) as f64 * share) as usize;
        times.get(place).map_or(f64::NAN, |time_s| time_s * 1e3)
    };
    println!(
        "{:.2} h: {} faults, {} of them glimpsed",
        counts.hours, counts.faults, counts.glimpsed
    );
    for (name, times) in [
        ("glimpsed", &mut counts.glimpse_s),
        ("reported", &mut counts.report_s),
    ] {
        println!(
            "{name} {:.0} ms after the onset by median, 99 % within {:.0} ms",
            at(times, 0.5),
            at(times, 0.99)
        );
    }
    println!(
        "glimpsed and harmless: {}",
        counts.harmless.values().sum::<usize>()
    );
    for (why, count) in counts.harmless {
        println!("  {count:4} {why}");
    }
}

/// Time, and the currents of both channels.
fn read(path: &str) -> Vec<Sample> {
    let mut table = csv::Reader::from_path(path).unwrap();
    let heads = table.headers().unwrap().clone();
    let column = |name: &str| heads.iter().position(|head| head.starts_with(name)).unwrap();
    let (time, one, two) = (column("time_s"), column("ch1"), column("ch2"));
    table
        .records()
        .map(|row| {
            let row = row.unwrap();
            let number = |place: usize| row[place].parse().unwrap_or(f64::NAN);
            Sample {
                current_a: [number(one), number(two)],
                ..Sample::missing_at(number(time))
            }
        })
        .collect()
}

impl Counts {
    fn take(&mut self, samples: &[Sample]) {
        let length_s = samples[samples.len() - 1].time_s - samples[0].time_s;
        let rate_hz = (samples.len() - 1) as f64 / length_s;
        self.hours += length_s / 3600.0;
        let mut detector = EventDetector::new(EventSettings {
            rate_hz: Some(rate_hz),
            ..EventSettings::default()
        });
        let (mut glimpsed, mut faults, mut harmless) = (BTreeSet::new(), BTreeSet::new(), BTreeMap::new());
        for block in samples.chunks((rate_hz * BLOCK_S).round() as usize) {
            block.iter().for_each(|sample| detector.push(sample));
            let now_s = block[block.len() - 1].time_s;
            while let Some(event) = detector.glimpse() {
                if event.kind.is_fault() {
                    glimpsed.insert(event.id);
                    self.glimpse_s.push(now_s - event.start_s);
                }
            }
            while let Some(update) = detector.next_update() {
                let EventUpdate::Found(event) = update else {
                    continue;
                };
                if event.kind.is_fault() {
                    self.report_s.push(now_s - event.start_s);
                    faults.insert(event.id);
                } else {
                    let why: String = event
                        .reason
                        .chars()
                        .filter(|letter| !letter.is_ascii_digit())
                        .collect();
                    harmless.insert(event.id, why);
                }
            }
        }
        self.faults += faults.len();
        self.glimpsed += faults.intersection(&glimpsed).count();
        for id in glimpsed.difference(&faults) {
            let why = harmless
                .get(id)
                .cloned()
                .unwrap_or_else(|| "never reported".to_owned());
            *self.harmless.entry(why).or_default() += 1;
        }
    }
}
