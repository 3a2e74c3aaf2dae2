//! `steady export`: what it writes, held against what the recorder wrote and against Parquet's own reader.

#![allow(clippy::unwrap_used)] // A test may stop at once.

use std::collections::BTreeMap;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::Field;
use steadybench_host::Exit;
use steadybench_host::collector::Rehearsal;
use steadybench_host::recorder::{FullRate, JobFolder, RunKind, RunPlan, run_folders};
use steadybench_protocol::{Configure, ShuntRange};
use steadybench_virtual::{Scenario, VirtualBoard};

#[allow(unused)]
mod support;
use support::{FakeBoard, Mishap, PER_BLOCK, Script};

fn steady(args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_steady"));
    command.args(args).stdin(Stdio::null()).output().unwrap()
}

/// Records the healthy vent controller for `length`, in virtual time.
fn record(job: &Path, length: Duration) -> PathBuf {
    let rehearsal = Rehearsal {
        run: RunPlan {
            kind: RunKind::Soak,
            configure: Configure {
                reading_period_us: 1000,
                conversion_time: Configure::quietest_conversion(1000),
                shunt_range: ShuntRange::Millivolts164,
            },
            full_rate: FullRate::Always,
            interval_us: 10_000_000,
        },
        length,
        begun_utc_ns: 1_795_000_000_000_000_000,
        port: "virtual:greenhouse-healthy".into(),
        marks: Vec::new(),
    };
    let mut board = VirtualBoard::new(&Scenario::healthy(), 3);
    let open = || JobFolder::open_or_create(job);
    let summary = rehearsal.record(&mut board, open, |_| {}).unwrap();
    summary.folder
}

fn export(run: &Path, out: &Path, more: &[&str]) -> Output {
    let out = format!("--out={}", out.display());
    let args = [&["export", run.to_str().unwrap(), &out], more].concat();
    steady(&args)
}

fn done(output: &Output) -> String {
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    String::from_utf8(output.stdout.clone()).unwrap()
}

/// Rows of a CSV, cells by the names of their columns.
fn csv_rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize().map(Result::unwrap).collect()
}

/// Rows of a Parquet file in the words of the CSV, and its metadata.
fn parquet_rows(path: &Path) -> (Vec<BTreeMap<String, Field>>, BTreeMap<String, String>) {
    let reader = SerializedFileReader::new(File::open(path).unwrap()).unwrap();
    let metadata = reader.metadata().file_metadata().key_value_metadata().unwrap();
    let metadata = metadata
        .iter()
        .map(|pair| (pair.key.clone(), pair.value.clone().unwrap()))
        .collect();
    let rows = reader.get_row_iter(None).unwrap();
    let rows = rows.map(|row| row.unwrap().into_columns().into_iter().collect());
    (rows.collect(), metadata)
}

/// Whether a Parquet cell is what the CSV cell says; the CSV rounds to fewer digits than a code is worth.
fn same(csv: &str, field: &Field) -> bool {
    match field {
        Field::Null => csv.is_empty(),
        Field::Bool(flag) => csv == if *flag { "1" } else { "0" },
        Field::Long(value) => csv == value.to_string(),
        Field::TimestampMicros(micros) => csv.parse::<jiff::Timestamp>().unwrap().as_microsecond() == *micros,
        Field::Double(value) => {
            let step = 10f64.powi(-(csv.split_once('.').map_or(0, |(_, decimals)| decimals.len()) as i32));
            (csv.parse::<f64>().unwrap() - value).abs() <= 0.501 * step
        }
        other => panic!("{other:?}"),
    }
}

fn assert_same(csv: &Path, parquet: &Path) -> BTreeMap<String, String> {
    let text = csv_rows(csv);
    let (rows, metadata) = parquet_rows(parquet);
    assert_eq!(text.len(), rows.len());
    for (text, row) in text.iter().zip(&rows) {
        assert_eq!(text.len(), row.len());
        for (name, cell) in text {
            assert!(same(cell, &row[name]), "{name}: {cell:?} and {:?}", row[name]);
        }
    }
    metadata
}

#[test]
fn both_formats_hold_what_the_recorder_wrote() {
    let place = tempfile::tempdir().unwrap();
    let run = record(&place.path().join("job"), Duration::from_secs(140));
    let csv = place.path().join("whole.csv");
    let told = done(&export(&run, &csv, &[]));
    assert!(told.contains("0 lost"), "{told}");
    let recorded = std::fs::read_to_string(run.join("readings.csv")).unwrap();
    assert!(
        recorded == std::fs::read_to_string(&csv).unwrap(),
        "not byte for byte"
    );
    let minutes = place.path().join("minutes.csv");
    done(&export(&run, &minutes, &["--every", "10s"]));
    assert_eq!(
        std::fs::read_to_string(run.join("minutes.csv")).unwrap(),
        std::fs::read_to_string(&minutes).unwrap()
    );

    let parquet = place.path().join("whole.parquet");
    done(&export(&run, &parquet, &[]));
    let metadata = assert_same(&csv, &parquet);
    assert_eq!(metadata["ch1_current_a.unit"], "A");
    assert_eq!(metadata["steady.missing"], "nothing");
    assert_eq!(
        metadata["steady.run_toml"],
        std::fs::read_to_string(run.join("run.toml")).unwrap()
    );
    // More than one row group, each of a bounded number of rows.
    let reader = SerializedFileReader::new(File::open(&parquet).unwrap()).unwrap();
    let groups: Vec<i64> = reader
        .metadata()
        .row_groups()
        .iter()
        .map(|group| group.num_rows())
        .collect();
    assert!(groups.len() == 2 && groups[0] == 1 << 17, "{groups:?}");

    let parquet = place.path().join("minutes.parquet");
    done(&export(&run, &parquet, &["--every", "10s"]));
    assert_same(&minutes, &parquet);
}

#[test]
fn a_part_is_taken_by_elapsed_time_and_by_utc_alike() {
    let place = tempfile::tempdir().unwrap();
    let run = record(&place.path().join("job"), Duration::from_secs(6));
    let by_elapsed = place.path().join("elapsed.csv");
    done(&export(&run, &by_elapsed, &["--from", "2s", "--to", "4500ms"]));
    let rows = csv_rows(&by_elapsed);
    assert_eq!(rows.len(), 2500);
    assert_eq!(
        (&*rows[0]["elapsed_s"], &*rows[2499]["elapsed_s"]),
        ("2.000000", "4.499000")
    );

    let (from, to) = (&rows[100]["utc"], &rows[200]["utc"]);
    let by_utc = place.path().join("utc.csv");
    done(&export(&run, &by_utc, &["--from", from, "--to", to]));
    let picked: Vec<String> = csv_rows(&by_utc)
        .iter()
        .map(|row| row["reading"].clone())
        .collect();
    let expected: Vec<String> = rows[100..200].iter().map(|row| row["reading"].clone()).collect();
    assert_eq!(picked, expected);

    // Standard output takes the rows when no file is named.
    let rows = done(&steady(&[
        "export",
        run.to_str().unwrap(),
        "--from",
        "2s",
        "--to",
        "4500ms",
    ]));
    assert_eq!(rows, std::fs::read_to_string(&by_elapsed).unwrap());

    let nothing = place.path().join("nothing.parquet");
    let output = export(&run, &nothing, &["--from", "1h"]);
    assert_eq!(
        output.status.code(),
        Some(i32::from(Exit::BadInput.code())),
        "{output:?}"
    );
    assert!(!nothing.exists());
}

#[test]
fn nothing_is_overwritten_and_nothing_is_put_into_the_run() {
    let place = tempfile::tempdir().unwrap();
    let run = record(&place.path().join("job"), Duration::from_secs(2));
    let out = place.path().join("kept.csv");
    std::fs::write(&out, "kept").unwrap();
    let output = export(&run, &out, &[]);
    assert_eq!(output.status.code(), Some(i32::from(Exit::Usage.code())));
    assert_eq!(std::fs::read_to_string(&out).unwrap(), "kept");
    done(&export(&run, &out, &["--force"]));
    assert_eq!(csv_rows(&out).len(), csv_rows(&run.join("readings.csv")).len());

    let output = export(&run, &run.join("mine.csv"), &[]);
    assert_eq!(
        output.status.code(),
        Some(i32::from(Exit::Usage.code())),
        "{output:?}"
    );
    let output = export(&run, &place.path().join("mine.txt"), &[]);
    assert!(
        String::from_utf8_lossy(&output.stderr).contains("--format csv"),
        "{output:?}"
    );
    assert!(!String::from_utf8_lossy(&steady(&["export", "--help"]).stdout).is_empty());
}

/// Blocks that never arrived are one row of nulls with their number, and an interval counts them; nothing is a zero.
#[test]
fn a_gap_is_nulls_and_never_zeros_and_a_cut_off_run_says_until_when() {
    let place = tempfile::tempdir().unwrap();
    let job = place.path().join("job");
    let board = FakeBoard::start(Script {
        blocks: 60,
        mishaps: BTreeMap::from([(20, Mishap::Dropped), (21, Mishap::Dropped)]),
        ..Script::default()
    });
    let output = steady(&[
        "collect",
        "--port",
        &board.port(),
        "--job",
        job.to_str().unwrap(),
        "--for",
        "2s",
    ]);
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    let run = run_folders(&job).unwrap().remove(0);
    // As a power cut leaves it: no end in run.toml, and the last write torn.
    let opened = std::fs::read_to_string(run.join("run.toml")).unwrap();
    std::fs::write(run.join("run.toml"), opened.split("\n[closed]").next().unwrap()).unwrap();
    let log = std::fs::read(run.join("wire.log")).unwrap();
    std::fs::write(run.join("wire.log"), &log[..log.len() - 5]).unwrap();

    let csv = place.path().join("gap.csv");
    let told = done(&export(&run, &csv, &[]));
    assert!(
        told.contains("Recorded until 20") && told.contains("was cut off"),
        "{told}"
    );
    assert!(told.contains(&format!("{} lost", 2 * PER_BLOCK)), "{told}");
    let parquet = place.path().join("gap.parquet");
    done(&export(&run, &parquet, &[]));
    let metadata = assert_same(&csv, &parquet);
    assert!(metadata["steady.missing"].contains("cut off"), "{metadata:?}");
    assert_eq!(metadata["steady.lost_readings"], (2 * PER_BLOCK).to_string());
    let (rows, _) = parquet_rows(&parquet);
    let gaps: Vec<_> = rows
        .iter()
        .filter(|row| row["lost_readings"] != Field::Null)
        .collect();
    assert_eq!(gaps.len(), 1);
    assert_eq!(gaps[0]["lost_readings"], Field::Long(2 * PER_BLOCK as i64));
    assert_eq!(gaps[0]["ch1_current_a"], Field::Null);
    // The fake board leaves out one reading in 333 of channel 2; thermistor 2 is open all along.
    assert!(
        rows.iter()
            .any(|row| row["ch2_current_a"] == Field::Null && row["ch1_current_a"] != Field::Null)
    );
    assert!(rows.iter().all(|row| row["ch2_temperature_c"] == Field::Null));

    let every = place.path().join("every.csv");
    done(&export(&run, &every, &["--every", "10ms"]));
    let rows = csv_rows(&every);
    let lost: u64 = rows
        .iter()
        .map(|row| row["lost_readings"].parse::<u64>().unwrap())
        .sum();
    assert_eq!(lost, 2 * PER_BLOCK);
    let blank = rows.iter().find(|row| row["readings"] == "0").unwrap();
    assert!(
        blank["ch1_current_a"].is_empty() && blank["ch1_current_sd_a"].is_empty(),
        "{blank:?}"
    );
}
