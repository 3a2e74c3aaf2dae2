//! The recording against a disk that fails.

use std::path::Path;

use super::board_files::BoardFiles;
use super::testing::{FakeDisk, RecordedBoard, plan};
use super::wire_log::{LogItem, LogReader, Record};

/// A recording of `seconds` seconds, a chunk each, on a disk of its own.
fn record(disk: &FakeDisk, seconds: u64) -> BoardFiles {
    let mut files = BoardFiles::create(disk, Path::new("run"), &plan()).unwrap();
    let mut board = RecordedBoard::new();
    take(&mut files, board.begin());
    for _ in 0..seconds {
        for _ in 0..50 {
            take(&mut files, board.block());
        }
        files.seal().unwrap();
        // A disk that is full now takes what waits later.
        let _ = files.drain();
    }
    take(&mut files, vec![board.end()]);
    files.finish().unwrap();
    let _ = files.drain();
    files
}

fn take(files: &mut BoardFiles, records: Vec<Record>) {
    for record in records {
        files.take(record);
    }
}

fn items(bytes: &[u8]) -> Vec<LogItem> {
    let mut reader = LogReader::new(bytes).unwrap();
    let mut items = Vec::new();
    while let Some(item) = reader.next_item().unwrap() {
        items.push(item);
    }
    items
}

/// Where each chunk of a whole log begins, and the end.
fn chunk_starts(bytes: &[u8]) -> Vec<usize> {
    let mut starts: Vec<usize> = bytes
        .windows(4)
        .enumerate()
        .filter_map(|(at, window)| (window == b"CHNK").then_some(at))
        .collect();
    starts.push(bytes.len());
    starts
}

const CSV: [&str; 4] = ["readings.csv", "minutes.csv", "events.csv", "marks.csv"];

#[test]
fn a_log_torn_anywhere_gives_every_whole_chunk_and_says_the_rest() {
    let disk = FakeDisk::default();
    record(&disk, 4);
    let bytes = disk.read(Path::new("run/wire.log"));
    let whole = items(&bytes);
    let starts = chunk_starts(&bytes);
    assert_eq!(whole.len() + 1, starts.len());

    for cut in 0..=bytes.len() {
        let chunks = starts[1..].iter().filter(|end| **end <= cut).count();
        let torn = cut.saturating_sub(if chunks > 0 { starts[chunks] } else { starts[0] });
        let mut expected = whole[..chunks].to_vec();
        if torn > 0 {
            expected.push(LogItem::TornTail { bytes: torn as u64 });
        } else if cut < starts[0] && cut > 0 {
            expected.push(LogItem::TornTail { bytes: cut as u64 });
        }
        let found = items(&bytes[..cut]);
        if cut == starts[0] {
            assert_eq!(found, []);
        } else {
            assert_eq!(found, expected, "cut at {cut}");
        }
    }
}

#[test]
fn a_byte_changed_anywhere_costs_its_own_chunk_and_no_other() {
    let disk = FakeDisk::default();
    record(&disk, 4);
    let bytes = disk.read(Path::new("run/wire.log"));
    let whole = items(&bytes);
    let starts = chunk_starts(&bytes);
    for at in starts[1]..bytes.len() {
        let mut changed = bytes.clone();
        changed[at] ^= 0x55;
        let hit = starts.iter().rposition(|start| *start <= at).unwrap();
        let found = items(&changed);
        let chunks: Vec<_> = found
            .iter()
            .filter(|item| matches!(item, LogItem::Chunk { .. }))
            .collect();
        let expected: Vec<_> = whole
            .iter()
            .enumerate()
            .filter(|(number, _)| *number != hit)
            .map(|(_, item)| item)
            .collect();
        assert_eq!(chunks, expected, "byte {at}");
        let said = found.iter().any(|item| match item {
            LogItem::Damage { chunks, .. } => *chunks == 1,
            LogItem::TornTail { .. } => hit + 2 == starts.len(),
            LogItem::Chunk { .. } => false,
        });
        assert!(said, "byte {at}");
    }
}

#[test]
fn replay_gives_the_rows_that_were_written() {
    let disk = FakeDisk::default();
    record(&disk, 3);
    let again = FakeDisk::default();
    let mut files = BoardFiles::create(&again, Path::new("run"), &plan()).unwrap();
    for item in items(&disk.read(Path::new("run/wire.log"))) {
        let LogItem::Chunk { records, .. } = item else {
            panic!("{item:?}")
        };
        take(&mut files, records);
    }
    files.finish().unwrap();
    files.drain().unwrap();
    for name in CSV {
        let path = Path::new("run").join(name);
        assert_eq!(again.text(&path), disk.text(&path), "{name}");
    }
}

/// Rows without the carriage returns of RFC 4180, which every one of them has.
fn unix(text: &str) -> String {
    assert!(text.split_inclusive('\n').all(|row| row.ends_with("\r\n")));
    text.replace("\r\n", "\n").trim_end().to_owned()
}

#[test]
fn rows_read_back_and_hold_what_was_recorded() {
    let disk = FakeDisk::default();
    record(&disk, 2);
    let text = disk.text(Path::new("run/readings.csv"));
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 2000);
    insta::assert_snapshot!(text.lines().take(4).collect::<Vec<_>>().join("\n"), @r#"
    utc,elapsed_s,reading,lost_readings,late,ch1_current_a,ch2_current_a,ch1_rail_v,ch1_rail_lowest_v,ch1_rail_highest_v,ch2_rail_v,ch2_rail_lowest_v,ch2_rail_highest_v,ch1_temperature_c,ch2_temperature_c,ch1_chip_c,ch2_chip_c
    2026-09-21T14:13:22.000000Z,0.000000,0,,1,0.0250000,0.0000000,,,,,,,,,,
    2026-09-21T14:13:22.001000Z,0.001000,1,,0,0.0252188,-0.0002188,,,,,,,,,,
    2026-09-21T14:13:22.002000Z,0.002000,2,,0,0.0254375,-0.0004375,,,,,,,,,,
    "#);
    let text = disk.text(Path::new("run/marks.csv"));
    insta::assert_snapshot!(unix(&text), @r#"
    utc,elapsed_s,mark,edge,number,label
    2026-09-21T14:13:23.000000Z,1.000000,tap,,,"'=J1000, ""left"""
    2026-09-21T14:13:24.000000Z,2.000000,tap,,,"'=J2000, ""left"""
    "#);
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let labels: Vec<String> = reader.records().map(|row| row.unwrap()[5].to_owned()).collect();
    assert_eq!(labels, ["'=J1000, \"left\"", "'=J2000, \"left\""]);
    insta::assert_snapshot!(unix(&disk.text(Path::new("run/minutes.csv"))), @r#"
    utc,elapsed_s,interval_s,readings,lost_readings,ch1_current_a,ch1_current_min_a,ch1_current_max_a,ch1_current_sd_a,ch2_current_a,ch2_current_min_a,ch2_current_max_a,ch2_current_sd_a,ch1_rail_v,ch1_rail_min_v,ch1_rail_max_v,ch2_rail_v,ch2_rail_min_v,ch2_rail_max_v,ch1_temperature_c,ch2_temperature_c
    2026-09-21T14:13:22.000000Z,0.000000,1,1000,0,0.028109375,0.0250000,0.0312187,0.001805100,-0.003108875,-0.0062188,0.0000000,0.001807151,24.000000,23.984375,24.003906,,,,24.9806,
    2026-09-21T14:13:23.000000Z,1.000000,1,1000,0,0.028109375,0.0250000,0.0312187,0.001805100,-0.003110019,-0.0062188,0.0000000,0.001804310,24.000000,23.984375,24.003906,,,,24.9806,
    "#);
    insta::assert_snapshot!(unix(&disk.text(Path::new("run/events.csv"))), @r#"
    utc,elapsed_s,event,number,channel,duration_s,size_a,size_uncertainty_a,lost_readings,detail
    ,,port_opened,,,,,,,/dev/test was opened
    "#);
}

#[test]
fn a_full_disk_that_gets_room_again_has_every_byte_in_order() {
    let whole = FakeDisk::default();
    record(&whole, 4);
    for room in [0, 1, 100, 5_000, 20_000, 100_000] {
        let disk = FakeDisk::default();
        disk.set_piece(777);
        disk.set_room(Some(room));
        let mut files = record(&disk, 4);
        assert!(files.drain().is_err());
        assert!(files.waiting_bytes() > 0);
        disk.set_room(None);
        files.drain().unwrap();
        assert_eq!(files.waiting_bytes(), 0);
        for name in CSV.into_iter().chain(["wire.log"]) {
            let path = Path::new("run").join(name);
            assert_eq!(disk.read(&path), whole.read(&path), "{name} with room for {room}");
        }
    }
}

#[test]
fn what_memory_cannot_hold_is_lost_in_whole_blocks_and_counted() {
    let disk = FakeDisk::default();
    let mut files = BoardFiles::create(&disk, Path::new("run"), &plan()).unwrap();
    let mut board = RecordedBoard::new();
    take(&mut files, board.begin());
    for second in 0..10 {
        for _ in 0..50 {
            take(&mut files, board.block());
        }
        // Seconds 3, 4 and 7 find no room.
        if matches!(second, 3 | 4 | 7) {
            files.lose_received();
        }
        files.seal().unwrap();
    }
    take(&mut files, vec![board.end()]);
    files.finish().unwrap();
    files.drain().unwrap();
    let counts = files.stream().counts();
    assert_eq!((counts.instants, counts.lost, counts.damaged), (7000, 3000, 0));
    assert_eq!(files.stream().lost_on_host(), 3000);
    let events = disk.text(Path::new("run/events.csv"));
    assert_eq!(
        events.matches("this computer could not write them").count(),
        2,
        "{events}"
    );
    assert!(events.contains(",3.000000,gap,,,2.000000,,,2000,"), "{events}");
    // What the operator said is kept.
    assert_eq!(disk.text(Path::new("run/marks.csv")).matches("'=J").count(), 10);
}
