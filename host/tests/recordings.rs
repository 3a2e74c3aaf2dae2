//! Recordings of every released format must be read for ever.

#![allow(clippy::unwrap_used)] // A test may stop at once.

use std::path::Path;

use steadybench_host::replay::Replay;
use steadybench_host::stream::Output;

/// What a kept recording holds; the figures are those of the CSV files that were written beside it.
struct Kept {
    file: &'static str,
    readings: u64,
    sums_a: [f64; 2],
    mark_us: i64,
    last_elapsed_us: i64,
    last_utc: &'static str,
}

impl Kept {
    fn is_read(&self) {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("tests/data")
            .join(self.file);
        let mut replay = Replay::open(&path).unwrap();
        let mut readings = 0;
        let mut sums_a = [0.0; 2];
        let mut last = None;
        let mut marks = Vec::new();
        while let Some(output) = replay.next_output().unwrap() {
            match output {
                Output::Reading(reading) => {
                    readings += 1;
                    for (sum_a, current_a) in sums_a.iter_mut().zip(reading.current_a) {
                        *sum_a += current_a.unwrap();
                    }
                    last = Some(reading.when);
                }
                Output::Mark(mark) => marks.push((mark.when.elapsed_us, mark.label)),
                Output::Gap(gap) => panic!("{gap:?}"),
                _ => {}
            }
        }
        assert_eq!(readings, self.readings);
        for (sum_a, kept_a) in sums_a.into_iter().zip(self.sums_a) {
            assert!((sum_a - kept_a).abs() < 1e-8, "{sum_a} A against {kept_a} A");
        }
        assert_eq!(marks, [(Some(self.mark_us), "stage 2 bridge".to_owned())]);
        let last = last.unwrap();
        assert_eq!(last.elapsed_us, Some(self.last_elapsed_us));
        // Board time and codes are the recording's own; the map to UTC may become better, within the bound it states.
        let recorded: jiff::Timestamp = self.last_utc.parse().unwrap();
        let instant = last.utc.unwrap();
        let off_s = instant.utc.duration_since(recorded).as_secs_f64().abs();
        assert!(
            off_s <= instant.bound_s,
            "{off_s} s off with a bound of {} s",
            instant.bound_s
        );
        assert_eq!(replay.log().torn_bytes, 0);
    }
}

/// A second and a half of the virtual bench, recorded by format 1 and protocol 1 on 2026-11-25, with one mark.
#[test]
fn format_1_is_read() {
    Kept {
        file: "wire-format-1.bin",
        readings: 1512,
        sums_a: [57.905_562_5, 130.561_318_75],
        mark_us: 976_742,
        last_elapsed_us: 1_511_000,
        last_utc: "2026-11-25T13:41:13.688803Z",
    }
    .is_read();
}

/// The same bench by format 2 and protocol 1, on the same day.
#[test]
fn format_2_is_read() {
    Kept {
        file: "wire-format-2.bin",
        readings: 1585,
        sums_a: [64.12755625, 150.11289375],
        mark_us: 1_166_910,
        last_elapsed_us: 1_584_000,
        last_utc: "2026-11-25T16:46:29.286350Z",
    }
    .is_read();
}
