//! `steady collect` against a board that fails as it is told, through the shipped program and a real socket.

#![allow(clippy::unwrap_used)] // A test may stop at once.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use steadybench_host::Exit;
use steadybench_host::recorder::{RunSurvey, survey_run};
use steadybench_host::replay::Replay;
use steadybench_host::stream::Output as StreamOutput;

mod support;
use support::{FakeBoard, Mishap, PER_BLOCK, Script, codes};

fn steady(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_steady"))
        .args(args)
        .output()
        .unwrap()
}

fn collect(board: &FakeBoard, job: &Path, more: &[&str]) -> Output {
    let port = board.port();
    let job = job.display().to_string();
    let mut args = vec!["collect", "--port", &port, "--job", &job];
    args.extend(more);
    steady(&args)
}

fn only_run(job: &Path) -> PathBuf {
    let mut runs = steadybench_host::recorder::run_folders(job).unwrap();
    assert_eq!(runs.len(), 1);
    runs.remove(0)
}

fn expect(output: &Output, exit: Exit) {
    let stderr = String::from_utf8_lossy(&output.stderr);
    let stdout = String::from_utf8_lossy(&output.stdout);
    assert_eq!(
        output.status.code(),
        Some(i32::from(exit.code())),
        "{stdout}\n{stderr}"
    );
}

/// The rows of `readings.csv` as (reading, lost, code 1, code 2).
fn readings(run: &Path) -> Vec<(u64, u64, [Option<i32>; 2])> {
    let mut reader = csv::Reader::from_path(run.join("readings.csv")).unwrap();
    let headers = reader.headers().unwrap().clone();
    let column = |name: &str| headers.iter().position(|header| header == name).unwrap();
    let columns = ["reading", "lost_readings", "ch1_current_a", "ch2_current_a"].map(column);
    reader
        .records()
        .map(|record| {
            let record = record.unwrap();
            let cell = |position: usize| record.get(columns[position]).unwrap();
            // 10 mΩ and 312.5 nV a step.
            let code = |position: usize| {
                let current_a: Option<f64> = cell(position).parse().ok();
                current_a.map(|current_a| (current_a / 31.25e-6).round() as i32)
            };
            (
                cell(0).parse().unwrap(),
                cell(1).parse().unwrap_or(0),
                [code(2), code(3)],
            )
        })
        .collect()
}

fn run_with(mishaps: &[(u64, Mishap)], more: &[&str], exit: Exit) -> (tempfile::TempDir, RunSurvey) {
    let folder = tempfile::tempdir().unwrap();
    let board = FakeBoard::start(Script {
        blocks: 50,
        mishaps: BTreeMap::from_iter(mishaps.iter().copied()),
        ..Script::default()
    });
    let job = folder.path().join("job");
    let output = collect(&board, &job, more);
    expect(&output, exit);
    let survey = survey_run(&only_run(&job)).unwrap();
    (folder, survey)
}

#[test]
fn every_reading_that_came_is_in_the_file_and_every_other_is_counted() {
    let mishaps = [
        (0, Mishap::Dropped),
        (7, Mishap::Dropped),
        (8, Mishap::Dropped),
        (20, Mishap::Damaged),
        (30, Mishap::Repeated),
        (49, Mishap::Dropped),
    ];
    let (_folder, survey) = run_with(&mishaps, &["--for", "1s"], Exit::Done);
    let closed = survey.closed.as_ref().unwrap();
    assert_eq!(closed.board[0].readings, 45 * PER_BLOCK);
    assert_eq!(closed.board[0].lost_readings, 5 * PER_BLOCK);
    assert_eq!(closed.board[0].damaged_frames, 1);
    assert_eq!(closed.board[0].repeated_blocks, 1);
    assert_eq!(closed.board[0].lost_on_this_computer, 0);
    assert!(closed.board[0].utc_bound_s.unwrap() > 0.0);

    let rows = readings(&survey.folder);
    let mut lost = 0;
    let mut next = 0;
    for (index, lost_here, row) in &rows {
        assert_eq!(*index, next, "rows are in order, and gaps stand where they were");
        if *lost_here > 0 {
            assert_eq!(*row, [None, None]);
            lost += lost_here;
            next += lost_here;
        } else {
            assert_eq!(*row, codes(*index));
            next += 1;
        }
    }
    assert_eq!(lost, 5 * PER_BLOCK);
    assert_eq!(next, 50 * PER_BLOCK);
    replay_gives_the_same(&survey.folder, &rows);
}

/// The recording read back gives the rows that were written beside it.
fn replay_gives_the_same(run: &Path, rows: &[(u64, u64, [Option<i32>; 2])]) {
    let mut again = Vec::new();
    let mut replay = Replay::open(&run.join("wire.log")).unwrap();
    while let Some(output) = replay.next_output().unwrap() {
        match output {
            StreamOutput::Reading(reading) => again.push((reading.index, 0, reading.codes)),
            StreamOutput::Gap(gap) => again.push((gap.first_index.unwrap(), gap.readings, [None, None])),
            _ => {}
        }
    }
    assert_eq!(again, rows);
    assert_eq!(replay.log().torn_bytes, 0);
}

#[test]
fn a_board_that_is_plugged_in_again_goes_on_in_the_same_run() {
    let mishaps = [(10, Mishap::HangUp), (30, Mishap::FootSwitch)];
    let (_folder, survey) = run_with(&mishaps, &["--for", "3s"], Exit::Done);
    let closed = survey.closed.as_ref().unwrap();
    assert_eq!(
        (closed.board[0].readings, closed.board[0].lost_readings),
        (50 * PER_BLOCK, 0)
    );
    let events = std::fs::read_to_string(survey.folder.join("events.csv")).unwrap();
    assert!(events.contains("port_closed"), "{events}");
    assert_eq!(events.matches("port_opened").count(), 2, "{events}");
    let marks = std::fs::read_to_string(survey.folder.join("marks.csv")).unwrap();
    assert!(marks.contains(",0.600000,foot_switch,pressed,0,"), "{marks}");
}

#[test]
fn a_board_that_starts_anew_goes_on_in_the_same_run_and_its_time_does_not_go_back() {
    let (_folder, survey) = run_with(&[(10, Mishap::Restart)], &["--for", "3s"], Exit::Done);
    let closed = survey.closed.as_ref().unwrap();
    assert_eq!(
        (closed.board[0].readings, closed.board[0].lost_readings),
        (50 * PER_BLOCK, 0)
    );
    let events = std::fs::read_to_string(survey.folder.join("events.csv")).unwrap();
    assert!(
        events.contains("the watchdog found its program stuck"),
        "{events}"
    );
    let mut reader = csv::Reader::from_path(survey.folder.join("readings.csv")).unwrap();
    let elapsed: Vec<f64> = reader
        .records()
        .map(|record| record.unwrap()[1].parse().unwrap())
        .collect();
    // One row states that the board was off.
    assert_eq!(elapsed.len() as u64, 50 * PER_BLOCK + 1);
    assert!(events.contains("the board was off or starting anew"), "{events}");
    assert!(elapsed.is_sorted(), "elapsed time goes on over a restart");
}

#[test]
fn another_board_is_not_let_into_the_run() {
    let (_folder, survey) = run_with(&[(10, Mishap::OtherBoard)], &["--for", "4s"], Exit::Done);
    let closed = survey.closed.as_ref().unwrap();
    assert_eq!(
        (closed.board[0].readings, closed.board[0].lost_readings),
        (50 * PER_BLOCK, 0)
    );
    let events = std::fs::read_to_string(survey.folder.join("events.csv")).unwrap();
    assert!(
        events.contains("board 0202020202020202: it stands where board 0101010101010101"),
        "{events}"
    );
}

#[test]
fn two_boards_are_two_streams_of_one_run() {
    let folder = tempfile::tempdir().unwrap();
    let first = FakeBoard::start(Script::default());
    let second = FakeBoard::start(Script::default());
    let job = folder.path().join("job");
    let output = collect(&first, &job, &["--port", &second.port(), "--for", "1s"]);
    // Both fake boards bear the same number, which a bench cannot have: that is refused, and nothing is written.
    expect(&output, Exit::Usage);
    assert!(!job.exists());
}

#[test]
fn what_is_no_board_is_said_and_leaves_nothing_behind() {
    let cases = [
        (
            Script {
                silent: true,
                ..Script::default()
            },
            Exit::SilentBoard,
            "nothing answers",
        ),
        (
            Script {
                garbage: true,
                ..Script::default()
            },
            Exit::NotABoard,
            "none of them are",
        ),
        (
            Script {
                version: 9,
                ..Script::default()
            },
            Exit::ProtocolVersion,
            "protocol version 9",
        ),
    ];
    for (script, exit, words) in cases {
        let folder = tempfile::tempdir().unwrap();
        let job = folder.path().join("job");
        let board = FakeBoard::start(script);
        let output = collect(&board, &job, &["--for", "1s"]);
        expect(&output, exit);
        let stderr = String::from_utf8_lossy(&output.stderr);
        assert!(stderr.contains(words) && stderr.contains("remedy:"), "{stderr}");
        assert!(!job.exists(), "nothing is half-written");
    }
}
