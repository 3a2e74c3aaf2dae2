//! Entrances for bytes that anybody may have written: each takes any bytes and must neither panic nor run away, and what
//! it takes must make sense. The fuzz targets of `host/fuzz` and the campaign [`super::bad_input`] share them.

use std::io::Cursor;
use std::path::Path;

use steadybench_analysis::fuse::parse_marking;
use steadybench_analysis::planning::{Unit as QuantityUnit, parse_any_quantity, parse_quantity};
use steadybench_host::job::{Alterations, Notes};
use steadybench_host::port::PortAddress;
use steadybench_host::quantity::{parse, parse_duration};
use steadybench_host::recorder::wire_log::{LogItem, LogReader, chunk};
use steadybench_host::recorder::{read_alterations, read_job, read_notes, survey_run};
use steadybench_host::stream::{Output, Stream};
use steadybench_host::table::rows::Rows;
use steadybench_host::table::unit::Unit;
use steadybench_protocol::{Deframer, FrameBuffer, FromBoard, ToBoard};

/// Bytes of the line, both ways; what is accepted goes out as it came in.
///
/// # Panics
/// When it does not.
pub fn frames(bytes: &[u8]) {
    let (size, mut rest) = bytes
        .split_first()
        .map_or((1, bytes), |(size, rest)| (usize::from(*size).max(1), rest));
    let (mut host, mut board, mut buffer) = (Deframer::new(), Deframer::new(), FrameBuffer::new());
    while !rest.is_empty() {
        let (piece, after) = rest.split_at(size.min(rest.len()));
        rest = after;
        let mut input = piece;
        while let Some(outcome) = host.next::<FromBoard>(&mut input) {
            if let Ok(message) = outcome {
                let mut frame = buffer.encode(&message).expect("what came in goes out");
                assert_eq!(Deframer::new().next(&mut frame), Some(Ok(message)));
            }
        }
        let mut input = piece;
        while let Some(outcome) = board.next::<ToBoard>(&mut input) {
            if let Ok(message) = outcome {
                let mut frame = buffer.encode(&message).expect("what came in goes out");
                assert_eq!(Deframer::new().next(&mut frame), Some(Ok(message)));
            }
        }
    }
}

/// A `wire.log`.
///
/// # Panics
/// When more bytes are accounted for than there are.
pub fn wire_log(bytes: &[u8]) {
    let Ok(mut reader) = LogReader::new(bytes) else {
        return;
    };
    let mut stream = Stream::new();
    let mut seen = 0;
    while let Ok(Some(item)) = reader.next_item() {
        match item {
            LogItem::Chunk { header, records } => {
                seen += u64::from(header.stored_bytes);
                let mut last_us = None;
                for record in &records {
                    stream.take(record, &mut |output| {
                        if let Output::Reading(reading) = output {
                            assert!(
                                reading
                                    .current_a
                                    .iter()
                                    .flatten()
                                    .all(|current| current.is_finite())
                            );
                            last_us = reading.when.elapsed_us.or(last_us);
                        }
                    });
                }
            }
            LogItem::Damage { bytes, .. } | LogItem::TornTail { bytes } => seen += bytes,
        }
    }
    assert!(
        seen <= bytes.len() as u64,
        "{seen} bytes are accounted for, of {}",
        bytes.len()
    );
}

/// What a chunk holds, behind a checksum that is right: the first byte says the format, the next three how many bytes it
/// claims to hold.
pub fn wire_records(bytes: &[u8]) {
    let Some(([format, claim @ ..], payload)) = bytes.split_first_chunk::<4>() else {
        return;
    };
    let mut file = chunk::file_header().to_vec();
    file[8..10].copy_from_slice(&(1 + u16::from(format % 2)).to_le_bytes());
    let begins = file.len();
    file.extend_from_slice(b"CHNK\0\0\0\0");
    file.extend_from_slice(&u32::try_from(payload.len()).unwrap_or(u32::MAX).to_le_bytes());
    file.extend_from_slice(&[claim[0], claim[1], claim[2] % 16, 0]);
    file.extend_from_slice(&i64::MIN.to_le_bytes());
    let crc = crc32fast::hash(&[&file[begins..], payload].concat());
    file.extend_from_slice(&crc.to_le_bytes());
    file.extend_from_slice(payload);
    wire_log(&file);
}

/// A table of readings.
///
/// # Panics
/// When a row has no time, time runs backwards, or a value is infinite.
pub fn table(bytes: &[u8]) {
    for rate_hz in [None, Some(1000.0)] {
        let Ok(mut rows) = Rows::open(Cursor::new(bytes.to_vec()), None, rate_hz) else {
            continue;
        };
        let mut before_s = f64::NEG_INFINITY;
        while let Ok(Some(sample)) = rows.next_sample() {
            assert!(
                sample.time_s >= before_s,
                "{} s after {before_s} s",
                sample.time_s
            );
            assert!(
                !sample
                    .current_a
                    .iter()
                    .chain(&sample.rail_v)
                    .any(|value| value.is_infinite())
            );
            before_s = sample.time_s;
        }
        assert!(rows.tally().rows <= bytes.len() as u64 + 1);
    }
}

/// The files of a job that a person may edit, all with the same bytes.
///
/// # Panics
/// When there is no temporary folder.
pub fn job(bytes: &[u8]) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let job = folder.path();
    let run = job.join("runs/0001-free");
    std::fs::create_dir_all(&run).expect("a folder");
    for path in [
        "job.toml",
        "alterations.csv",
        "notes.csv",
        "runs/index.csv",
        "runs/0001-free/run.toml",
    ] {
        std::fs::write(job.join(path), bytes).expect("a file");
    }
    let _ = (
        read_job(job),
        read_alterations(job),
        read_notes(job),
        survey_run(&run),
    );
    if let Ok(text) = std::str::from_utf8(bytes) {
        let alterations = Alterations::read(text);
        assert!(alterations.made.len() <= text.lines().count());
        let _ = Notes::read(text);
    }
    assert!(Path::new(&run).exists());
}

/// Quantities, units, durations, fuse markings and port names, as typed on a command line.
///
/// # Panics
/// When a quantity that is taken is no number.
pub fn quantity(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    for unit in ["A", "V", "C", "s"] {
        if let Ok(value) = parse(text, unit) {
            assert!(value.is_finite(), "'{text}' is {value} {unit}");
        }
    }
    if let Ok(value) = parse_quantity(text, QuantityUnit::Ampere) {
        assert!(value.is_finite(), "'{text}' is {value} A");
    }
    let _ = parse_any_quantity(text);
    let _ = parse_duration(text);
    let _ = parse_marking(text);
    let _ = Unit::read(text);
    let _ = text.parse::<PortAddress>();
}
