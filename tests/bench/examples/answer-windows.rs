//! How long windows of a long run take to answer: records a run of noise, steps and spikes, opens it, and asks for windows
//! of any length at any place.
//!
//! ```text
//! cargo run --release -p steadybench-bench --example answer-windows -- [HOURS] [RATE_HZ]
//! ```
//!
//! Printed: the time to open the run, and the 50th, 99th and highest percentile of the time to answer, for windows asked
//! for the first time and again, by their length. The reading of the files is from the system's cache, as it is for a run
//! that was just recorded.

#![allow(clippy::unwrap_used)] // A measurement may stop at once.

use std::time::{Duration, Instant};

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use steadybench_bench::material::Course;
use steadybench_bench::recorded::record_soak;
use steadybench_host::window::{WindowRequest, Windows};

/// Columns of a wide screen.
const COLUMNS: usize = 1_200;

/// Windows asked for.
const WINDOWS: usize = 2_000;

fn main() {
    let mut words = std::env::args().skip(1);
    let hours: f64 = words.next().map_or(12.0, |word| word.parse().unwrap());
    let rate_hz: u32 = words.next().map_or(1_000, |word| word.parse().unwrap());
    let job = tempfile::tempdir().unwrap();
    let begun = Instant::now();
    let course = Course {
        dropouts_per_hour: 7.0,
        ..Course::default()
    };
    let run = record_soak(job.path(), rate_hz, (hours * 3600.0) as u64, course, 1).unwrap();
    let readings = (hours * 3600.0 * f64::from(rate_hz)) as u64;
    let bytes = |name: &str| std::fs::metadata(run.join(name)).unwrap().len() as f64 / 1e6;
    println!(
        "{hours} h at {rate_hz}/s: {readings} readings of two channels recorded in {:.1} s; wire.log {:.1} MB, extremes.bin {:.1} MB",
        begun.elapsed().as_secs_f64(),
        bytes("wire.log"),
        bytes("extremes.bin")
    );

    let windows = Windows::new(job.path());
    let length_s = hours * 3600.0;
    let begun = Instant::now();
    ask(&windows, 0.0, length_s);
    println!(
        "opening the run, and its first window: {:.1} ms",
        millis(begun.elapsed())
    );

    let mut random = ChaCha8Rng::seed_from_u64(1);
    let asked: Vec<(f64, f64)> = (0..WINDOWS)
        .map(|_| {
            let span_s = length_s * 10_f64.powf(random.random_range(-5.0..0.0));
            let from_s = random.random_range(0.0..length_s - span_s);
            (from_s, from_s + span_s)
        })
        .collect();
    let first: Vec<Duration> = asked
        .iter()
        .map(|(from_s, to_s)| ask(&windows, *from_s, *to_s))
        .collect();
    let again: Vec<Duration> = asked
        .iter()
        .map(|(from_s, to_s)| ask(&windows, *from_s, *to_s))
        .collect();
    println!(
        "window of {COLUMNS} columns       number    first: 50 %   99 %  highest   again: 50 %   99 %  highest   (ms)"
    );
    for (low_s, high_s) in [
        (0.0, 20.0),
        (20.0, 80.0),
        (80.0, 1_200.0),
        (1_200.0, 6_000.0),
        (6_000.0, 1e9),
        (0.0, 1e9),
    ] {
        let of = |times: &[Duration]| -> Vec<Duration> {
            let mut those: Vec<Duration> = asked
                .iter()
                .zip(times)
                .filter(|((from_s, to_s), _)| (low_s..high_s).contains(&(to_s - from_s)))
                .map(|(_, time)| *time)
                .collect();
            those.sort();
            those
        };
        let (first, again) = (of(&first), of(&again));
        if first.is_empty() {
            continue;
        }
        let at = |times: &[Duration], share: f64| millis(times[((times.len() - 1) as f64 * share) as usize]);
        println!(
            "{low_s:>7.0} s to {:>7} {:>10} {:>12.2} {:>7.2} {:>8.2} {:>12.2} {:>7.2} {:>8.2}",
            if high_s > 1e8 {
                "any".to_owned()
            } else {
                format!("{high_s:.0} s")
            },
            first.len(),
            at(&first, 0.5),
            at(&first, 0.99),
            at(&first, 1.0),
            at(&again, 0.5),
            at(&again, 0.99),
            at(&again, 1.0),
        );
    }
}

fn millis(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}

fn ask(windows: &Windows, from_s: f64, to_s: f64) -> Duration {
    let begun = Instant::now();
    let window = windows
        .answer(&WindowRequest {
            run: Some(1),
            board: None,
            from_s,
            to_s: Some(to_s),
            columns: COLUMNS,
        })
        .unwrap();
    let time = begun.elapsed();
    assert!(window.channels[0].current.min.iter().any(Option::is_some));
    time
}
