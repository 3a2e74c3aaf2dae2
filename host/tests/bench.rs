//! `steady collect` on the virtual bench: the real firmware library behind a pseudo-terminal, in real time.

#![cfg(unix)]
#![allow(clippy::unwrap_used)] // A test may stop at once.

use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use steadybench_host::Exit;
use steadybench_host::collector::{BoardSettings, GuardOptions, Plan, Session};
use steadybench_host::recorder::{
    ClosedBoard, FullRate, JobFolder, RunKind, RunPlan, find_collector, run_folders, survey_run,
};
use steadybench_protocol::{Configure, ShuntRange};
use steadybench_virtual::{BenchOptions, Scenario, VirtualBench};

fn collect(port: &str, job: &Path, more: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_steady"));
    command
        .args(["collect", "--port", port, "--job"])
        .arg(job)
        .args(more)
        .stdin(Stdio::null());
    command
}

fn until(what: &str, mut ready: impl FnMut() -> bool) {
    let patience = Instant::now() + Duration::from_secs(60);
    while !ready() {
        assert!(Instant::now() < patience, "{what} did not come");
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn status(job: &Path) -> serde_json::Value {
    let Ok(collector) = find_collector(job) else {
        return serde_json::Value::Null;
    };
    let url = format!("http://{}/v1/status", collector.address);
    ureq::get(url).call().unwrap().body_mut().read_json().unwrap()
}

fn readings(job: &Path) -> u64 {
    status(job)["boards"][0]["readings"].as_u64().unwrap_or(0)
}

fn interrupt(child: Child) -> Output {
    let status = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()
        .unwrap();
    assert!(status.success());
    child.wait_with_output().unwrap()
}

fn closed(job: &Path) -> (ClosedBoard, std::path::PathBuf) {
    let runs = run_folders(job).unwrap();
    assert_eq!(runs.len(), 1, "one run");
    let survey = survey_run(&runs[0]).unwrap();
    (survey.closed.unwrap().board.remove(0), runs[0].clone())
}

#[test]
fn unplugged_and_plugged_in_again_it_goes_on_in_the_same_run_with_the_gap_stated() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("board");
    let options = BenchOptions {
        device_link: Some(link.clone()),
        ..BenchOptions::default()
    };
    let bench = VirtualBench::on_pty(&Scenario::greenhouse(), &options).unwrap();
    let job = folder.path().join("job");
    let child = collect(&link.display().to_string(), &job, &[])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    until("the first readings", || readings(&job) > 500);

    bench.unplug().unwrap();
    until("the loss of the port", || {
        status(&job)["boards"][0]["measuring"] == false
    });
    let before = readings(&job);
    bench.plug_in().unwrap();
    until("readings after it", || readings(&job) > before + 500);
    let output = interrupt(child);
    assert_eq!(output.status.code(), Some(0), "{output:?}");

    let (board, run) = closed(&job);
    let events = std::fs::read_to_string(run.join("events.csv")).unwrap();
    assert_eq!(events.matches("port_closed").count(), 1, "{events}");
    assert_eq!(events.matches("port_opened").count(), 2, "{events}");
    // A board without its cable is without power: it starts anew, and the time between is stated.
    assert!(events.contains("the board was off or starting anew"), "{events}");
    assert!(events.contains("board_restarted"), "{events}");
    let rows = std::fs::read_to_string(run.join("readings.csv")).unwrap();
    let rows: Vec<Vec<&str>> = rows.lines().skip(1).map(|row| row.split(',').collect()).collect();
    assert_eq!(rows.len() as u64, board.readings + 1);
    assert_eq!(rows.iter().filter(|row| row[2].is_empty()).count(), 1);
    assert!(rows.is_sorted_by_key(|row| row[1].parse::<f64>().unwrap()));
    assert_eq!(board.lost_readings, 0);
}

#[test]
fn the_guard_of_a_board_ends_the_program_with_its_own_code() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    let output = collect(
        "virtual:greenhouse-shorted-stage",
        &job,
        &[
            "--for",
            "4s",
            "--guard-current",
            "2=1A",
            "--guard-readings",
            "3",
            "--rate",
            "4000",
        ],
    )
    .output()
    .unwrap();
    assert_eq!(
        output.status.code(),
        Some(i32::from(Exit::GuardTripped.code())),
        "{output:?}"
    );
    let (board, run) = closed(&job);
    assert_eq!(board.lost_readings, 0);
    let events = std::fs::read_to_string(run.join("events.csv")).unwrap();
    assert!(events.contains(",guard_trip,,2,"), "{events}");
}

#[test]
fn a_bench_that_is_not_there_and_a_port_that_is_taken_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    let output = collect("virtual:glasshouse", &job, &[]).output().unwrap();
    assert_eq!(output.status.code(), Some(i32::from(Exit::NoPort.code())));
    assert!(
        String::from_utf8_lossy(&output.stderr).contains("greenhouse-healthy"),
        "{output:?}"
    );

    let bench = VirtualBench::on_pty(&Scenario::greenhouse(), &BenchOptions::default()).unwrap();
    let port = bench.port().to_string();
    let child = collect(&port, &job, &[])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    until("the first readings", || readings(&job) > 0);
    let other = folder.path().join("other");
    let output = collect(&port, &other, &[]).output().unwrap();
    assert_eq!(
        output.status.code(),
        Some(i32::from(Exit::PortBusy.code())),
        "{output:?}"
    );
    assert!(!other.exists());
    assert_eq!(interrupt(child).status.code(), Some(0));
}

/// Two virtual boards are two boards, whatever their seed: one in place of the other would be seen.
#[test]
fn two_benches_of_one_seed_are_two_boards() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    let more = ["--port", "virtual:greenhouse", "--for", "500ms"];
    let output = collect("virtual:greenhouse", &job, &more).output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    let runs = run_folders(&job).unwrap();
    let boards = survey_run(&runs[0]).unwrap().closed.unwrap().board;
    let serials: Vec<&str> = boards.iter().map(|board| board.serial.as_str()).collect();
    assert_eq!(serials.len(), 2);
    assert_ne!(serials[0], serials[1]);
}

/// The collector is given no processor for longer than a board may be silent. What came meanwhile waits in memory: that
/// is no silence, and nothing of it is lost.
#[tokio::test(flavor = "multi_thread", worker_threads = 1)]
async fn what_waits_for_the_processor_is_no_silence() {
    let folder = tempfile::tempdir().unwrap();
    let configure = Configure {
        reading_period_us: 1000,
        conversion_time: Configure::quietest_conversion(1000),
        shunt_range: ShuntRange::Millivolts164,
    };
    let plan = Plan {
        ports: vec!["virtual:greenhouse".parse().unwrap()],
        run: RunPlan {
            kind: RunKind::Free,
            configure,
            full_rate: FullRate::Never,
            interval_us: 60_000_000,
        },
        settings: BoardSettings {
            configure,
            guard: GuardOptions::default(),
        },
        duration: None,
        standby: false,
    };
    let open_job = || JobFolder::open_or_create(folder.path());
    let session = Session::start(&plan, open_job).await.unwrap();
    tokio::time::sleep(Duration::from_millis(500)).await;
    // Nothing else of the collector's runs on its only thread meanwhile; the one that reads the port does.
    let busy = async { std::thread::sleep(Duration::from_millis(4_500)) };
    tokio::spawn(busy).await.unwrap();
    tokio::time::sleep(Duration::from_millis(500)).await;
    let ended = session.close("the test is over").await.unwrap();
    let board = &ended[0].summary.closed.board[0];
    assert_eq!(board.lost_readings, 0);
    assert!(board.readings > 5_000, "{}", board.readings);
    let events = std::fs::read_to_string(ended[0].summary.folder.join("events.csv")).unwrap();
    assert_eq!(events.matches("port_closed").count(), 0, "{events}");
}
