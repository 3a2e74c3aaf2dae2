//! How long windows of a long run take to answer: records a run of noise, steps and spikes, opens it, and asks for windows
//! of any length at any place.
//!
//! ```text
//! cargo run --release -p steadybench-bench --example answer-windows -- [HOURS] [RATE_HZ]
//! ```
//!
//! Printed: the time to open the run, and the 50th, 99th and highest percentile of the time to answer by the windows'
//! length: for a window at another place, the same again, one that a hand goes on to from there (a quarter on, twice as
//! near), and the first ones again when all others were asked meanwhile. Times are processor time of the thread that
//! answers, so that other work on the machine does not count. The reading of the files is from the system's cache, as it
//! is for a run that was just recorded.

#![cfg(unix)]
#![allow(clippy::unwrap_used)] // A measurement may stop at once.

use std::time::{Duration, Instant};

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use steadybench_bench::material::Course;
use steadybench_bench::measure::Table;
use steadybench_bench::recorded::record_soak;
use steadybench_host::window::{WindowRequest, Windows};

/// Columns of a wide screen.
const COLUMNS: usize = 1_200;

/// Windows asked for.
const WINDOWS: usize = 2_000;

fn main() {
    let mut words = std::env::args().skip(1).filter(|word| !word.starts_with("--"));
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
    let opening = millis(begun.elapsed());
    println!("opening the run, and its first window: {opening:.1} ms");

    let mut random = ChaCha8Rng::seed_from_u64(1);
    let asked: Vec<(f64, f64)> = (0..WINDOWS)
        .map(|_| {
            let span_s = length_s * 10_f64.powf(random.random_range(-5.0..0.0));
            let from_s = random.random_range(0.0..length_s - span_s);
            (from_s, from_s + span_s)
        })
        .collect();
    // As a hand does: another place, the same once more, a quarter on, and twice as near.
    let mut times: [Vec<Duration>; 5] = Default::default();
    for (from_s, to_s) in &asked {
        let quarter_s = (to_s - from_s) / 4.0;
        times[0].push(ask(&windows, *from_s, *to_s));
        times[1].push(ask(&windows, *from_s, *to_s));
        times[2].push(ask(&windows, from_s + quarter_s, to_s + quarter_s));
        times[3].push(ask(&windows, from_s + quarter_s, to_s - quarter_s));
    }
    for (from_s, to_s) in &asked {
        times[4].push(ask(&windows, *from_s, *to_s));
    }
    println!("{COLUMNS} columns, ms: median, 99 %, highest");
    println!(
        "{:<18}{:>6}  {:<23}{:<23}{:<23}{:<23}{:<23}",
        "window",
        "number",
        "first",
        "the same again",
        "a quarter on",
        "twice as near",
        "again after all others"
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
        let name = if high_s > 1e8 && low_s == 0.0 {
            "any".to_owned()
        } else if high_s > 1e8 {
            format!("{low_s:.0} s and more")
        } else {
            format!("{low_s:.0} to {high_s:.0} s")
        };
        let all = times.each_ref().map(|times| of(times));
        if all[0].is_empty() {
            continue;
        }
        print!("{name:<18}{:>6}  ", all[0].len());
        for times in &all {
            let at = |share: f64| millis(times[((times.len() - 1) as f64 * share) as usize]);
            print!("{:<23}", format!("{:.2} {:.2} {:.2}", at(0.5), at(0.99), at(1.0)));
        }
        println!();
    }
    let mut table = Table::begin(&format!(
        "cargo run --release -p steadybench-bench --example answer-windows -- {hours}"
    ));
    let run = format!("windows of {hours} h at {rate_hz}/s");
    table.row(
        &format!("{run}: opening the run, with its first window"),
        &format!("{opening:.0} ms"),
        "200 ms",
    );
    for (what, times, wanted) in [
        ("any place, first touch", &times[0], "20 ms"),
        ("the same again", &times[1], "5 ms"),
        ("a quarter further on", &times[2], "5 ms"),
        ("twice as near", &times[3], "5 ms"),
    ] {
        let mut times = times.clone();
        times.sort();
        let late = times[(times.len() - 1) * 99 / 100];
        table.row(
            &format!("{run}: {what}, 99 % of {}", times.len()),
            &format!("{:.1} ms", millis(late)),
            wanted,
        );
    }
    table.end().unwrap();
}

/// Processor time of this thread, which does all the work of an answer.
fn thread_time() -> Duration {
    let used = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    Duration::new(
        u64::try_from(used.tv_sec).unwrap_or(0),
        u32::try_from(used.tv_nsec).unwrap_or(0),
    )
}

fn millis(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}

fn ask(windows: &Windows, from_s: f64, to_s: f64) -> Duration {
    let begun = thread_time();
    let window = windows
        .answer(&WindowRequest {
            run: Some(1),
            board: None,
            from_s,
            to_s: Some(to_s),
            columns: COLUMNS,
        })
        .unwrap();
    let time = thread_time() - begun;
    assert!(window.channels[0].current.min.iter().any(Option::is_some));
    time
}
