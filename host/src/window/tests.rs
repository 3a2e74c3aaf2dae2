//! Every window's extremes are those of the readings it holds, whatever the run went through and whatever is missing of
//! what makes answering quick.

use std::path::{Path, PathBuf};
use std::sync::{Arc, LazyLock};

use proptest::prelude::*;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use steadybench_protocol::{
    BoardTime, FrameBuffer, FromBoard, RailCodes, ReadingsBlock, SlowValues, ThermistorReading, TimeReply,
};

use super::{Extremes, Window, WindowRequest, Windows};
use crate::recorder::testing::{health, hello, plan};
use crate::recorder::{
    BoardIntroduction, HostMarkKind, JobFolder, Record, RecordSink, Recorder, Stamp, run_folders,
};
use crate::replay::Replay;
use crate::stream::Output;
use crate::units::SlowQuantities;

/// A board of the test's own: readings that wander, missing ones, gaps, starts anew.
struct Board {
    random: ChaCha8Rng,
    frames: FrameBuffer,
    nonce: u32,
    time_us: u64,
    index: u64,
    host_us: u64,
    level: i32,
    requests: u32,
    starts_anew: bool,
}

impl Board {
    fn new(seed: u64) -> Self {
        Self {
            random: ChaCha8Rng::seed_from_u64(seed),
            frames: FrameBuffer::new(),
            nonce: 1,
            time_us: 7_000_000,
            index: 0,
            host_us: 1_000_000,
            level: 8_000,
            requests: 0,
            starts_anew: true,
        }
    }

    fn stamp(&self) -> Stamp {
        Stamp {
            monotonic_ns: self.host_us * 1_000,
            utc_ns: 1_790_000_000_000_000_000 + (self.host_us * 1_000) as i64,
        }
    }

    fn received(&mut self, message: &FromBoard, key: bool) -> Record {
        Record::Received {
            at_ns: self.stamp().monotonic_ns,
            utc_ns: key.then_some(self.stamp().utc_ns),
            bytes: self.frames.encode(message).unwrap().to_vec(),
        }
    }

    fn greet(&mut self) -> Vec<Record> {
        let mut hello = hello(self.nonce);
        hello.time = BoardTime::from_micros(self.time_us);
        self.requests += 1;
        let (at, board) = (self.stamp(), BoardTime::from_micros(self.time_us));
        let reply = TimeReply {
            number: self.requests,
            host_send_ns: at.monotonic_ns,
            board_receive: board,
            board_send: board,
        };
        vec![
            Record::Opened {
                at,
                port: "/dev/test".into(),
            },
            self.received(&FromBoard::Hello(hello), true),
            self.received(&FromBoard::Health(health(self.index, false)), false),
            Record::TimeSent {
                number: self.requests,
                at,
            },
            self.received(&FromBoard::Time(reply), true),
        ]
    }

    /// Some twenty readings, and what may happen beside them.
    fn block(&mut self) -> Vec<Record> {
        let count = self.random.random_range(1..=25_u64);
        let mut block = ReadingsBlock::new(self.index, BoardTime::from_micros(self.time_us), 1000);
        for _ in 0..count {
            self.level += self.random.random_range(-30..=30);
            let spike = if self.random.random_bool(0.002) { 40_000 } else { 0 };
            let noise: i32 = self.random.random_range(-20..=20);
            let codes = [
                (!self.random.random_bool(0.01)).then_some(self.level + noise + spike),
                (!self.random.random_bool(0.3)).then_some(-self.level / 2 - noise),
            ];
            block.push(codes, false).unwrap();
        }
        let begun_us = self.time_us;
        self.index += count;
        self.time_us += count * 1000;
        self.host_us += count * 1000;
        let mut records = Vec::new();
        // Slow values may come before or behind the readings of their time.
        let slow = self.random.random_bool(0.2).then(|| self.slow(begun_us));
        let first = self.random.random_bool(0.5);
        if first {
            records.extend(slow.clone());
        }
        if self.random.random_bool(0.01) {
            // Its frame is lost.
        } else {
            records.push(self.received(&FromBoard::Readings(block), false));
        }
        if !first {
            records.extend(slow);
        }
        if self.random.random_bool(0.001) {
            let pause_us = self.random.random_range(1_000..20_000_000);
            self.index += pause_us / 1000;
            self.time_us += pause_us / 1000 * 1000;
            self.host_us += pause_us;
        }
        if self.starts_anew && self.random.random_bool(0.002) {
            // It starts anew, with its time and its readings from the beginning.
            self.nonce += 1;
            self.index = 0;
            self.time_us = self.random.random_range(0..3_000_000);
            self.host_us += 2_500_000;
            records.push(Record::Closed {
                at: self.stamp(),
                reason: "unplugged".into(),
            });
            records.extend(self.greet());
        } else if self.random.random_bool(0.001) {
            // The port is lost and found, and the board asked again who it is.
            records.extend(self.greet());
        }
        records
    }

    fn slow(&mut self, time_us: u64) -> Record {
        let mut rail = |level: u32| {
            let lowest = level + self.random.random_range(0..200);
            let highest = lowest + self.random.random_range(0..300);
            self.random.random_bool(0.95).then_some(RailCodes {
                latest: lowest,
                lowest,
                highest,
            })
        };
        let rail = [rail(122_000), rail(60_000)];
        let code = self.random.random_range(1_500..2_500);
        let slow = SlowValues {
            time: BoardTime::from_micros(time_us),
            rail,
            thermistor: [ThermistorReading::Code(code), ThermistorReading::Open],
            chip_temperature: [None; 2],
        };
        self.received(&FromBoard::Slow(slow), false)
    }
}

fn begin(job: &Path) -> (Recorder, RecordSink) {
    let introduction = BoardIntroduction {
        port: "/dev/test".into(),
        hello: hello(1),
        guard: None,
    };
    let job = JobFolder::open_or_create(job).unwrap();
    let (recorder, sinks) = Recorder::start(job, &plan(), vec![introduction]).unwrap();
    (recorder, sinks.into_iter().next().unwrap())
}

/// A job with one recorded run of some minutes; its folder is removed with the process's temporary files.
fn recorded(seed: u64) -> PathBuf {
    let job = tempfile::tempdir().unwrap().keep();
    let (recorder, mut sink) = begin(&job);
    let mut board = Board::new(seed);
    let mut records = board.greet();
    for number in 0..4_000 {
        records.extend(board.block());
        if number == 100 {
            records.push(Record::HostMark {
                at: board.stamp(),
                kind: HostMarkKind::Place,
                label: "J4".into(),
            });
        }
        for record in records.drain(..) {
            sink.push_and_wait(record);
        }
    }
    drop(sink);
    recorder.close("test").unwrap();
    job
}

/// Everything that was read, for looking through one by one.
#[derive(Default)]
struct Everything {
    readings: Vec<(i64, [Option<f64>; 2])>,
    slow: Vec<(i64, SlowQuantities)>,
}

impl Everything {
    fn of(run: &Path) -> Self {
        let mut all = Self::default();
        let mut replay = Replay::open(&run.join("wire.log")).unwrap();
        while let Some(output) = replay.next_output().unwrap() {
            match output {
                Output::Reading(reading) => all
                    .readings
                    .push((reading.when.elapsed_us.unwrap(), reading.current_a)),
                Output::Slow { when, slow } => {
                    if let Some(elapsed_us) = when.elapsed_us {
                        all.slow.push((elapsed_us, slow));
                    }
                }
                _ => {}
            }
        }
        all
    }

    /// Looks through all of it for the columns that a window says it has.
    fn agrees(&self, window: &Window) {
        let micros = |seconds: f64| (seconds * 1e6).round() as i64;
        let (from_us, column_us) = (micros(window.from_s), micros(window.column_s));
        let count = window.channels[0].current.min.len();
        let place = |elapsed_us: i64| usize::try_from((elapsed_us - from_us).div_euclid(column_us)).ok();
        let blank = || Extremes {
            min: vec![None; count],
            max: vec![None; count],
        };
        let mut current = [blank(), blank()];
        let mut rail = [blank(), blank()];
        let mut temperature = [blank(), blank()];
        for (elapsed_us, current_a) in &self.readings {
            for channel in [0, 1] {
                put(&mut current[channel], place(*elapsed_us), current_a[channel]);
            }
        }
        for (elapsed_us, slow) in self.slow.iter().filter(|slow| slow.0 >= 0) {
            for channel in [0, 1] {
                for value in slow.rail_v[channel]
                    .into_iter()
                    .flat_map(|[_, low, high]| [low, high])
                {
                    put(&mut rail[channel], place(*elapsed_us), Some(value));
                }
                put(
                    &mut temperature[channel],
                    place(*elapsed_us),
                    slow.temperature_c[channel],
                );
            }
        }
        for channel in [0, 1] {
            same(
                "current",
                channel,
                &window.channels[channel].current,
                &current[channel],
            );
            same("rail", channel, &window.channels[channel].rail, &rail[channel]);
            same(
                "temperature",
                channel,
                &window.temperature[channel],
                &temperature[channel],
            );
        }
    }
}

fn same(what: &str, channel: usize, answered: &Extremes, looked_up: &Extremes) {
    for place in 0..looked_up.min.len() {
        let answered = (answered.min[place], answered.max[place]);
        let looked_up = (looked_up.min[place], looked_up.max[place]);
        assert_eq!(answered, looked_up, "{what} {channel}, column {place}");
    }
}

fn put(extremes: &mut Extremes, place: Option<usize>, value: Option<f64>) {
    let (Some(place), Some(value)) = (place, value) else {
        return;
    };
    let Some(low) = extremes.min.get_mut(place) else {
        return;
    };
    let value = value as f32;
    *low = Some(low.map_or(value, |low| low.min(value)));
    let high = &mut extremes.max[place];
    *high = Some(high.map_or(value, |high| high.max(value)));
}

/// A run: as recorded, without the extremes, so that they are made on a thread of their own, with the extremes torn, with the log torn as by a kill.
struct Cases {
    everything: Everything,
    jobs: Vec<(&'static str, Windows)>,
    length_s: f64,
}

static CASES: LazyLock<Cases> = LazyLock::new(|| {
    let job = recorded(1);
    let run = run_folders(&job).unwrap().remove(0);
    let everything = Everything::of(&run);
    let length_s = everything.readings.last().unwrap().0 as f64 * 1e-6;
    let mut jobs = vec![("as recorded", Windows::new(&job))];
    for (name, kept) in [
        ("without extremes", None),
        ("made elsewhere", None),
        ("extremes torn", Some(0.4)),
        ("tail torn", Some(0.99)),
    ] {
        let copy = tempfile::tempdir().unwrap().keep();
        let folder = copy.join("runs").join(run.file_name().unwrap());
        std::fs::create_dir_all(&folder).unwrap();
        for file in ["wire.log", "run.toml", "events.csv", "marks.csv", "extremes.bin"] {
            std::fs::copy(run.join(file), folder.join(file)).unwrap();
        }
        // It was recorded long ago.
        let log = std::fs::File::options()
            .append(true)
            .open(folder.join("wire.log"))
            .unwrap();
        log.set_modified(std::time::SystemTime::now() - std::time::Duration::from_secs(3_600))
            .unwrap();
        std::fs::copy(job.join("job.toml"), copy.join("job.toml")).unwrap();
        let extremes = folder.join("extremes.bin");
        match kept {
            None => std::fs::remove_file(extremes).unwrap(),
            Some(share) => {
                let bytes = std::fs::read(&extremes).unwrap();
                std::fs::write(&extremes, &bytes[..(bytes.len() as f64 * share) as usize]).unwrap();
            }
        }
        let mut windows = Windows::new(&copy);
        if name == "made elsewhere" {
            windows.at_once_bytes = 0;
        }
        jobs.push((name, windows));
    }
    Cases {
        everything,
        jobs,
        length_s,
    }
});

fn ask(windows: &Windows, from_s: f64, to_s: Option<f64>, columns: usize) -> Window {
    let request = WindowRequest {
        run: Some(1),
        board: None,
        from_s,
        to_s,
        columns,
    };
    loop {
        let window = windows.answer(&request).unwrap();
        if window.made_share >= 1.0 {
            return window;
        }
        assert!(
            window.channels[0].current.min.is_empty(),
            "no columns before they are made"
        );
    }
}

/// Whoever asks while another recording is being made is told so at once, and gets the window in the end.
#[test]
fn a_request_does_not_wait_for_extremes_that_are_being_made() {
    let cases = &*CASES;
    let (_, recorded) = &cases.jobs[1];
    let mut windows = Windows::new(&recorded.job);
    windows.at_once_bytes = 0;
    let turn = Arc::clone(&windows.turn);
    let others = turn.lock().unwrap();
    let request = WindowRequest {
        run: Some(1),
        board: None,
        from_s: 0.0,
        to_s: None,
        columns: 100,
    };
    for _ in 0..3 {
        let window = windows.answer(&request).unwrap();
        assert_eq!((window.made_share, window.run), (0.0, 1));
    }
    drop(others);
    cases.everything.agrees(&ask(&windows, 0.0, None, 100));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn every_windows_extremes_are_its_readings(
        start in 0.0_f64..1.05,
        // From some milliseconds to more than the run.
        length in -5.5_f64..0.3,
        columns in 1_usize..1_500,
        job in 0_usize..5,
    ) {
        let cases = &*CASES;
        let from_s = start * cases.length_s;
        let length_s = cases.length_s * 10_f64.powf(length);
        let (name, windows) = &cases.jobs[job];
        let window = ask(windows, from_s, Some(from_s + length_s), columns);
        let count = window.channels[0].current.min.len();
        prop_assert!(count <= columns, "{name}: {count} columns of {columns}");
        prop_assert!(window.from_s <= from_s + 1e-6 && window.to_s >= from_s + length_s - 2e-6, "{name}");
        let wanted_s = (length_s / columns as f64).max(1e-6);
        prop_assert!(window.column_s < 1.6 * wanted_s + 2e-6, "{name}: {} for {wanted_s}", window.column_s);
        cases.everything.agrees(&window);
    }
}

#[test]
fn all_of_a_run_and_its_marks() {
    let cases = &*CASES;
    for (name, windows) in &cases.jobs {
        let window = ask(windows, 0.0, None, 700);
        cases.everything.agrees(&window);
        assert!((window.recorded_to_s - cases.length_s).abs() < 1e-6, "{name}");
        assert_eq!(window.board, "0707070707070707");
        assert_eq!(window.marks[0].label, "J4");
        assert!(window.gaps.len() > 10 && !window.events.is_empty(), "{name}");
        assert_eq!(windows.places(), ["J4"]);
    }
}

#[test]
fn a_run_that_is_being_recorded_is_answered_as_far_as_it_is_on_the_disk() {
    let job = tempfile::tempdir().unwrap();
    let (recorder, mut sink) = begin(job.path());
    let windows = Windows::new(job.path());
    // What follows a start anew is answered once its first sheet is written, some seconds later.
    let mut board = Board {
        starts_anew: false,
        ..Board::new(5)
    };
    let mut records = board.greet();
    let run = run_folders(job.path()).unwrap().remove(0);
    let mut before_s = -1.0;
    for blocks in [10, 300, 40, 2_000] {
        for _ in 0..blocks {
            records.extend(board.block());
        }
        for record in records.drain(..) {
            sink.push_and_wait(record);
        }
        // The chunk is closed within half a second.
        let patience = std::time::Instant::now() + std::time::Duration::from_secs(20);
        loop {
            let everything = Everything::of(&run);
            let window = ask(&windows, 0.0, None, 300);
            let last_us = everything.readings.last().map_or(-1, |reading| reading.0);
            if window.recorded_to_s > before_s && last_us == (window.recorded_to_s * 1e6).round() as i64 {
                everything.agrees(&window);
                before_s = window.recorded_to_s;
                break;
            }
            assert!(std::time::Instant::now() < patience);
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
    }
    drop(sink);
    recorder.close("test").unwrap();
    Everything::of(&run).agrees(&ask(&windows, 0.0, None, 300));
}

#[test]
fn what_is_no_window_is_refused() {
    let (_, windows) = &CASES.jobs[0];
    let request = WindowRequest {
        run: Some(1),
        board: None,
        from_s: 0.0,
        to_s: None,
        columns: 10,
    };
    let wrong = [
        WindowRequest {
            run: None,
            ..request.clone()
        },
        WindowRequest {
            run: Some(2),
            ..request.clone()
        },
        WindowRequest {
            from_s: -1.0,
            ..request.clone()
        },
        WindowRequest {
            from_s: f64::NAN,
            ..request.clone()
        },
        WindowRequest {
            to_s: Some(f64::INFINITY),
            ..request.clone()
        },
        WindowRequest {
            to_s: Some(1e300),
            ..request.clone()
        },
        WindowRequest {
            board: Some("../..".into()),
            ..request.clone()
        },
    ];
    for request in wrong {
        assert_eq!(
            windows.answer(&request).unwrap_err().exit(),
            crate::exit::Exit::Usage,
            "{request:?}"
        );
    }
    // Any number of columns is bounded, and an end before its beginning is one column.
    let window = windows
        .answer(&WindowRequest {
            columns: usize::MAX,
            ..request.clone()
        })
        .unwrap();
    assert!(window.channels[0].current.min.len() <= 4_096);
    let window = windows
        .answer(&WindowRequest {
            from_s: 5.0,
            to_s: Some(1.0),
            columns: 0,
            ..request
        })
        .unwrap();
    assert_eq!(window.channels[0].current.min.len(), 1);
}
