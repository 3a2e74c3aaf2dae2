//! Recordings of every released format must be read for ever.

#![allow(clippy::unwrap_used)] // A test may stop at once.

use std::path::Path;

use steadybench_host::replay::Replay;
use steadybench_host::stream::Output;

/// A second and a half of the virtual bench, recorded by format 1 and protocol 1 on 2026-11-25, with one mark. The
/// figures are those of the CSV files that were written beside it.
#[test]
fn format_1_is_read() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/wire-format-1.bin");
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
    assert_eq!(readings, 1512);
    assert!((sums_a[0] - 57.905_562_5).abs() < 1e-8, "{sums_a:?}");
    assert!((sums_a[1] - 130.561_318_75).abs() < 1e-8, "{sums_a:?}");
    assert_eq!(marks, [(Some(976_742), "stage 2 bridge".to_owned())]);
    let last = last.unwrap();
    assert_eq!(last.elapsed_us, Some(1_511_000));
    // Board time and codes are the recording's own; the map to UTC may become better, within the bound it states.
    let recorded: jiff::Timestamp = "2026-11-25T13:41:13.688803Z".parse().unwrap();
    let instant = last.utc.unwrap();
    let off_s = instant.utc.duration_since(recorded).as_secs_f64().abs();
    assert!(
        off_s <= instant.bound_s,
        "{off_s} s off with a bound of {} s",
        instant.bound_s
    );
    assert_eq!(replay.log().torn_bytes, 0);
}
