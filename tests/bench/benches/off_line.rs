//! A soak examined, against only reading and decoding its recording. Run by
//! `cargo bench -p steadybench-bench --bench off_line`; a number behind `--` is how many hours instead of one.

use std::hint::black_box;

use steadybench_bench::material::Course;
use steadybench_bench::measure::{Table, medians};
use steadybench_bench::recorded::record_soak;
use steadybench_host::examine::{Examination, Kind, RunFolder, Settings};
use steadybench_host::link::Receiver;
use steadybench_host::recorder::Record;
use steadybench_host::recorder::wire_log::{LogItem, LogReader};

/// Readings a second.
const RATE: u32 = 1000;

/// A unit that warms up by a twentieth in a quarter of an hour, with a joint that opens now and then.
const COURSE: Course = Course {
    warm_up: 0.05,
    time_constant_s: 900.0,
    dropouts_per_hour: 2.0,
};

fn main() -> anyhow::Result<()> {
    let hours = std::env::args()
        .find_map(|word| word.parse().ok())
        .unwrap_or(1_u32);
    let mut table = Table::begin(&format!(
        "cargo bench -p steadybench-bench --bench off_line -- {hours}"
    ));
    let place = tempfile::tempdir()?;
    let seconds = u64::from(hours) * 3600;
    let folder = record_soak(&place.path().join("job"), RATE, seconds, COURSE, 1)?;

    let examined = || {
        let findings = examine(&folder).expect("the run was recorded just now");
        black_box(findings);
    };
    let decoded = || {
        let instants = decode(&folder).expect("the run was recorded just now");
        assert_eq!(instants, seconds * u64::from(RATE));
    };
    let unpacked = || {
        black_box(records(&folder, |_| {}).expect("the run was recorded just now"));
    };
    let [examined, decoded, unpacked] = medians([&mut { examined }, &mut { decoded }, &mut { unpacked }]);
    table.row(
        &format!("examining a soak of {hours} h at {RATE}/s, times as long as decompressing and decoding it"),
        &format!("{:.2}", examined.as_secs_f64() / decoded.as_secs_f64()),
        "4",
    );
    let nanoseconds =
        |time: std::time::Duration| time.as_secs_f64() * 1e9 / (seconds * u64::from(RATE)) as f64;
    let [examined, decoded, unpacked] = [examined, decoded, unpacked].map(nanoseconds);
    table.row(
        "a reading instant of it: decompressed; decoded; examined besides, ns",
        &format!(
            "{unpacked:.0}; {:.0}; {:.0}",
            decoded - unpacked,
            examined - decoded
        ),
        "",
    );
    table.end()
}

/// All that `steady examine` does but print.
fn examine(folder: &std::path::Path) -> anyhow::Result<String> {
    let run = RunFolder::open(folder, None).map_err(anyhow::Error::msg)?;
    let marks = run.marks_for(Kind::Soak).map_err(anyhow::Error::msg)?;
    let mut examination = Examination::begin(Kind::Soak, &Settings::default(), &marks);
    run.each(|seen| examination.take(seen))
        .map_err(anyhow::Error::msg)?;
    Ok(serde_json::to_string(&examination.finish())?)
}

/// Decompresses and decodes; gives the reading instants.
fn decode(folder: &std::path::Path) -> anyhow::Result<u64> {
    let mut receiver = Receiver::new();
    records(folder, |record| {
        if let Record::Received { bytes, .. } = record {
            let mut input = &bytes[..];
            while let Some(received) = receiver.next(&mut input) {
                black_box(received);
            }
        }
    })?;
    Ok(receiver.counts().instants)
}

/// Decompresses; gives how many chunks there are.
fn records(folder: &std::path::Path, mut take: impl FnMut(&Record)) -> anyhow::Result<u64> {
    let mut log = LogReader::open(&folder.join("wire.log")).map_err(anyhow::Error::msg)?;
    let mut chunks = 0;
    while let Some(item) = log.next_item().map_err(anyhow::Error::msg)? {
        if let LogItem::Chunk { records, .. } = item {
            records.iter().for_each(&mut take);
            chunks += 1;
        }
    }
    Ok(chunks)
}
