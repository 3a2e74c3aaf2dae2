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
use steadybench_host::recorder::{
    BoardIntroduction, FullRate, JobFolder, Record, Recorder, RunKind, RunPlan, Stamp,
};
use steadybench_host::window::{WindowRequest, Windows};
use steadybench_protocol::{
    BoardTime, Configure, FrameBuffer, FromBoard, Health, RailCodes, ReadingsBlock, ShuntRange, SlowValues,
    ThermistorReading, TimeReply,
};
use steadybench_tests::board::{health, hello};

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
    let readings = record(job.path(), hours, rate_hz);
    let run = steadybench_host::recorder::run_folders(job.path())
        .unwrap()
        .remove(0);
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

/// Records, and gives how many readings.
fn record(job: &std::path::Path, hours: f64, rate_hz: u32) -> u64 {
    let reading_period_us = 1_000_000 / rate_hz;
    let configure = Configure {
        reading_period_us,
        conversion_time: Configure::quietest_conversion(reading_period_us),
        shunt_range: ShuntRange::Millivolts164,
    };
    let plan = RunPlan {
        kind: RunKind::Soak,
        configure,
        full_rate: FullRate::Never,
        interval_us: 60_000_000,
    };
    let introduction = BoardIntroduction {
        port: "none".into(),
        hello: hello(reading_period_us),
        guard: None,
    };
    let job = JobFolder::open_or_create(job).unwrap();
    let (recorder, mut sinks) = Recorder::start(job, &plan, vec![introduction]).unwrap();
    let mut sink = sinks.remove(0);
    let mut board = Board {
        frames: FrameBuffer::new(),
        at_us: 5_000_000,
    };
    for record in board.greet(reading_period_us) {
        sink.push_and_wait(record);
    }
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let readings = (hours * 3600.0 * f64::from(rate_hz)) as u64;
    let per_block = u64::from(rate_hz / 50).clamp(1, 40);
    let mut index = 0;
    while index < readings {
        let mut block = ReadingsBlock::new(index, BoardTime::from_micros(board.at_us), reading_period_us);
        for _ in 0..per_block {
            // The noise of the chip at 540 µs is some two codes (data sheet SLYS021A, figure 6-9, by eye).
            let noise =
                |random: &mut ChaCha8Rng| (0..4).map(|_| random.random_range(-3_i32..=3)).sum::<i32>();
            let spike = if random.random_bool(2e-6) { -6_000 } else { 0 };
            let codes = [8_000 + noise(&mut random) + spike, 7_900 + noise(&mut random)];
            block.push(codes.map(Some), false).unwrap();
        }
        index += per_block;
        board.at_us += per_block * u64::from(reading_period_us);
        sink.push_and_wait(board.received(&FromBoard::Readings(block), false));
        if (index / per_block).is_multiple_of(5) {
            let level = 122_880 + random.random_range(0..5);
            let rail = RailCodes {
                latest: level,
                lowest: level - 3,
                highest: level + 3,
            };
            let code = random.random_range(2_040..2_050);
            let slow = SlowValues {
                time: BoardTime::from_micros(board.at_us),
                rail: [Some(rail); 2],
                thermistor: [ThermistorReading::Code(code); 2],
                chip_temperature: [Some(3_200); 2],
            };
            sink.push_and_wait(board.received(&FromBoard::Slow(slow), false));
        }
    }
    drop(sink);
    recorder.close("measured").unwrap();
    readings
}

struct Board {
    frames: FrameBuffer,
    at_us: u64,
}

impl Board {
    fn received(&mut self, message: &FromBoard, key: bool) -> Record {
        Record::Received {
            at_ns: self.at_us * 1_000,
            utc_ns: key.then_some(1_790_000_000_000_000_000 + (self.at_us * 1_000) as i64),
            bytes: self.frames.encode(message).unwrap().to_vec(),
        }
    }

    fn greet(&mut self, reading_period_us: u32) -> Vec<Record> {
        let time = BoardTime::from_micros(self.at_us);
        let at = Stamp {
            monotonic_ns: self.at_us * 1_000,
            utc_ns: 1_790_000_000_000_000_000 + (self.at_us * 1_000) as i64,
        };
        let reply = TimeReply {
            number: 1,
            host_send_ns: at.monotonic_ns,
            board_receive: time,
            board_send: time,
        };
        let health = Health {
            time,
            ..health(0, false)
        };
        vec![
            Record::Opened {
                at,
                port: "none".into(),
            },
            self.received(&FromBoard::Hello(hello(reading_period_us)), true),
            self.received(&FromBoard::Health(health), false),
            Record::TimeSent { number: 1, at },
            self.received(&FromBoard::Time(reply), true),
        ]
    }
}
