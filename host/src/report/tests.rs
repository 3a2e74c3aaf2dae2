//! Reports of recorded jobs: a bench in virtual time, and a recorded board whose bytes can be spoilt.

use std::path::{Path, PathBuf};
use std::time::Duration;

use steadybench_protocol::{Configure, ShuntRange};
use steadybench_virtual::{Scenario, VirtualBoard};

use crate::collector::Rehearsal;
use crate::exit::Exit;
use crate::job::{AlterationKind, NoteKind};
use crate::recorder::testing::{RecordedBoard, hello, plan};
use crate::recorder::{
    BoardIntroduction, FullRate, HostMarkKind, Job, JobFolder, Record, Recorder, RunKind, RunPlan, Stamp,
    add_alteration, add_note, create_job, settle_alteration,
};

use super::content::KeptFindings;
use super::figures::{Bound, Tone};
use super::*;

/// What somebody might put wherever words are taken.
const WICKED: &str = "</td><script>alert(1)</script><img src=x onerror=alert(2)>\"'&";

fn job_in(folder: &Path, job: Job) -> PathBuf {
    let path = folder.join("job");
    create_job(&path, &job).unwrap();
    path
}

fn vents() -> Job {
    Job {
        unit: "greenhouse vent controller".into(),
        symptoms: vec!["it blows warm".into()],
        rails: vec!["24 V".into()],
        channels: ["stage 1".into(), "stage 2".into()],
        ..Job::default()
    }
}

/// A run of a virtual bench, in virtual time.
fn rehearse(job: &Path, kind: RunKind, rate_hz: u32, seconds: u64, mut scenario: Scenario) -> PathBuf {
    if kind == RunKind::Soak {
        scenario.unit.programme = None;
    }
    let reading_period_us = 1_000_000 / rate_hz;
    let rehearsal = Rehearsal {
        run: RunPlan {
            kind,
            configure: Configure {
                reading_period_us,
                conversion_time: Configure::quietest_conversion(reading_period_us),
                shunt_range: ShuntRange::Millivolts164,
            },
            full_rate: FullRate::Never,
            interval_us: 60_000_000,
        },
        length: Duration::from_secs(seconds),
        begun_utc_ns: 1_790_000_000_000_000_000,
        port: "virtual:test".into(),
        marks: Vec::new(),
    };
    let mut board = VirtualBoard::new(&scenario, 1);
    let open = || JobFolder::open_or_create(job);
    rehearsal.record(&mut board, open, |_| {}).unwrap().folder
}

/// A run of a recorded board: so many seconds at 1000 readings/s, `lost` blocks of 20 readings left out after the first
/// second, and a tap with a wicked label.
fn record(job: &Path, kind: RunKind, seconds: u64, lost: u64) -> PathBuf {
    let plan = RunPlan { kind, ..plan() };
    let board = BoardIntroduction {
        port: "/dev/test".into(),
        hello: hello(1),
        guard: None,
    };
    let folder = JobFolder::open_or_create(job).unwrap();
    let (recorder, mut sinks) = Recorder::start(folder, &plan, vec![board]).unwrap();
    let mut board = RecordedBoard::new();
    let mut records = board.begin();
    for second in 0..seconds {
        for block in 0..50 {
            if second == 1 && block < lost {
                board.next_index += 20;
            } else {
                records.extend(board.block());
            }
        }
    }
    let monotonic_ns = 2_000_000_000 + board.next_index * 1_000_000;
    records.push(Record::HostMark {
        at: Stamp {
            monotonic_ns,
            utc_ns: 0,
        },
        kind: HostMarkKind::Tap,
        label: WICKED.into(),
    });
    records.push(board.end());
    for record in records {
        sinks[0].push_and_wait(record);
    }
    recorder.close("the test is over").unwrap().folder
}

fn gathered(job: &Path) -> Report {
    gather_and(job, Keep::Findings, &ProgressBar::hidden()).unwrap()
}

/// Names of all elements of a page. Every `<` begins one: words have none.
fn elements(page: &str) -> Vec<String> {
    let mut names: Vec<String> = page
        .split('<')
        .skip(1)
        .map(|rest| {
            rest.trim_start_matches('/')
                .chars()
                .take_while(|c| c.is_ascii_alphanumeric() || *c == '!')
                .collect()
        })
        .collect();
    names.sort();
    names.dedup();
    names
}

/// The headings of a page in their order.
fn headings(page: &str) -> String {
    let lines = page.split("<h").skip(1).filter_map(|rest| {
        let (level, words) = rest.split_once('>')?;
        let level: u8 = level.parse().ok()?;
        Some(format!("h{level} {}", words.split("</h").next()?))
    });
    lines.collect::<Vec<_>>().join("\n")
}

/// The job of the demo in little: two unlike stages, the joint soldered, the stages alike, the shunt put away.
#[test]
fn a_job_from_complaint_to_report() {
    let folder = tempfile::tempdir().unwrap();
    let job = &job_in(folder.path(), vents());
    let shunt = add_alteration(job, AlterationKind::Shunt, "50 mohm in the feed", "to measure").unwrap();
    rehearse(job, RunKind::PowerUp, 4_000, 3, Scenario::greenhouse());
    rehearse(job, RunKind::Twins, 1_000, 8, Scenario::greenhouse());
    std::thread::sleep(Duration::from_millis(1100));
    add_alteration(
        job,
        AlterationKind::DisturbedJoint,
        "bridge of stage 2 soldered",
        "",
    )
    .unwrap();
    add_note(job, NoteKind::Finding, "the solder had a ring").unwrap();
    std::thread::sleep(Duration::from_millis(1100));
    rehearse(job, RunKind::Twins, 1_000, 8, Scenario::healthy());

    let open = gathered(job);
    assert!(!open.standing.clean_bill);
    assert_eq!(open.standing.points[0].tone, Tone::Bad);
    assert!(open.summary.contains("NOT been put back"), "{}", open.summary);
    assert!(html::page(&open).contains("STILL ALTERED"));

    settle_alteration(job, shunt, false, "taken out").unwrap();
    let report = gathered(job);
    assert!(
        report.closing.clean && !report.standing.clean_bill,
        "no soak, no clean bill"
    );
    for part in [
        "it blows warm",
        "stage 2 about ",
        "At the last comparison the two like stages were alike",
    ] {
        assert!(report.summary.contains(part), "{part}: {}", report.summary);
    }
    let figures: Vec<_> = report
        .runs
        .iter()
        .flat_map(|run| &run.boards)
        .flat_map(|board| &board.figures)
        .collect();
    assert!(figures.len() > 20);
    let page = html::page(&report);
    for figure in figures {
        let bound = figure.bound_words();
        assert!(!bound.trim().is_empty(), "{}", figure.what);
        if let Bound::Interval { low, high } = figure.bound {
            assert!(
                low <= figure.value && figure.value <= high,
                "{} {low} {high}",
                figure.what
            );
        }
        assert!(page.contains(&bound), "{}: {bound}", figure.what);
        assert!(page.contains(&figure.value_words()), "{}", figure.what);
    }
    let swap = &report.swaps[0];
    assert_eq!(
        swap.word.word, "gone when disturbed, suspect a joint",
        "{}",
        swap.word.reason
    );
    assert!(
        report
            .pairs
            .iter()
            .any(|pair| (pair.before, pair.after) == (2, 3)),
        "{:?}",
        report.pairs
    );
    insta::assert_snapshot!(headings(&page), @"
    h1 greenhouse vent controller
    h2 The unit and the complaint
    h2 In plain words
    h2 Where the job stands
    h2 What was found, and on what evidence
    h3 Run 1: power-up
    h3 Run 2: two like stages side by side
    h3 Run 3: two like stages side by side
    h2 Before and after
    h2 What was altered, and put back
    h2 What swaps and lifts told
    h3 2 disturbed-joint, bridge of stage 2 soldered
    h2 Notes made on the way
    h2 Instruments and calibration
    h3 Board 5642000000000001
    h2 Integrity
    h2 Cautions
    h2 Signature
    ");
    // One self-contained page: nothing is fetched and nothing runs.
    for word in ["http:", "https:", "src=", "url(", "@import", "href="] {
        let page = page.replace("http://www.w3.org/2000/svg", "");
        assert!(!page.contains(word), "{word}");
    }
    let value: serde_json::Value = serde_json::from_str(&serde_json::to_string(&report).unwrap()).unwrap();
    let board = &value["runs"][1]["boards"][0];
    assert_eq!(board["examined_as"], "twins");
    assert!(
        board["findings"]["compare"]["difference_A"].is_number(),
        "{board}"
    );
}

#[test]
fn words_from_a_job_stay_words() {
    let folder = tempfile::tempdir().unwrap();
    let job = &job_in(
        folder.path(),
        Job {
            unit: WICKED.into(),
            symptoms: vec![WICKED.into()],
            rails: vec![WICKED.into()],
            marked_fuse: WICKED.into(),
            channels: [WICKED.into(), WICKED.into()],
            thermistors: [WICKED.into(), WICKED.into()],
            ..Job::default()
        },
    );
    record(job, RunKind::Tap, 3, 0);
    add_note(job, NoteKind::Note, WICKED).unwrap();
    let number = add_alteration(job, AlterationKind::NewPart, WICKED, WICKED).unwrap();
    settle_alteration(job, number, true, WICKED).unwrap();
    add_alteration(job, AlterationKind::SwappedPart, "=cmd()", "").unwrap();
    let report = gathered(job);
    let page = html::page(&report);
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
    insta::assert_snapshot!(
        elements(&page).join(" "),
        @"!DOCTYPE article b body circle dd div dl dt figcaption figure h1 h2 h3 h4 head header html li line main meta p polygon polyline section span style svg table tbody td text th thead title tr ul"
    );
    for (name, bytes) in tables::tables(&report) {
        let text = String::from_utf8(bytes).unwrap();
        let mut rows = csv::ReaderBuilder::new().from_reader(text.as_bytes());
        for row in rows.records() {
            for cell in &row.unwrap_or_else(|error| panic!("{name}: {error}")) {
                let number = cell.parse::<f64>().is_ok();
                assert!(
                    number || !cell.starts_with(['=', '+', '-', '@']),
                    "{name}: {cell}"
                );
            }
        }
    }
}

#[test]
fn readings_that_were_lost_are_said_where() {
    let folder = tempfile::tempdir().unwrap();
    let job = &job_in(folder.path(), vents());
    record(job, RunKind::Free, 3, 2);
    let report = gathered(job);
    let board = &report.runs[0].boards[0];
    assert_eq!((board.readings, board.lost_readings), (2960, 40));
    assert!(board.missing_readings[1] > 0, "the second chip left some out");
    let record = report.standing.points.last().unwrap();
    assert_eq!(record.tone, Tone::Open);
    assert!(
        record.words.starts_with("40 of 3000 readings never arrived"),
        "{}",
        record.words
    );
    let page = html::page(&report);
    assert!(
        page.contains("run 1: from 1.000 s on, 40.0 ms long: 40 readings missing"),
        "{page}"
    );
    assert!(page.contains("Hatched: no readings."));
}

#[test]
fn a_run_that_a_kill_cut_off_has_a_report_and_findings() {
    let folder = tempfile::tempdir().unwrap();
    let job = &job_in(folder.path(), vents());
    let run = record(job, RunKind::Soak, 4, 0);
    let log = run.join("wire.log");
    let bytes = std::fs::read(&log).unwrap();
    std::fs::write(&log, &bytes[..bytes.len() - 100]).unwrap();
    let toml = std::fs::read_to_string(run.join("run.toml")).unwrap();
    let opened = toml.split("\n[closed]").next().unwrap();
    std::fs::write(run.join("run.toml"), opened).unwrap();
    let report = gathered(job);
    let told = &report.runs[0];
    assert!(
        !told.closed && told.ended.starts_with("cut off"),
        "{}",
        told.ended
    );
    assert_eq!(told.boards[0].kept_findings, KeptFindings::Same);
    assert!(!report.standing.clean_bill);
    assert!(html::page(&report).contains("Missing: the run was cut off"));
}

#[test]
fn kept_findings_are_the_same_bytes_every_time_and_a_difference_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let job = &job_in(folder.path(), vents());
    let run = record(job, RunKind::Tap, 3, 1);
    let made = findings_file::keep_run(&run).unwrap();
    assert_eq!(made, [run.join("findings.json")]);
    let first = std::fs::read(&made[0]).unwrap();
    assert!(
        findings_file::keep_run(&run).unwrap().is_empty(),
        "nothing is overwritten"
    );
    std::fs::remove_file(&made[0]).unwrap();
    let report = gathered(job);
    assert_eq!(report.runs[0].boards[0].kept_findings, KeptFindings::Same);
    assert_eq!(std::fs::read(&made[0]).unwrap(), first);
    let value: serde_json::Value = serde_json::from_slice(&first).unwrap();
    assert_eq!(value["program"], content::PROGRAM);
    assert_eq!(value["board_serial"], "0707070707070707");
    let other = String::from_utf8(first)
        .unwrap()
        .replace(content::PROGRAM, "steady 0.0.9");
    std::fs::write(&made[0], other).unwrap();
    assert!(html::page(&gathered(job)).contains("differs: made by steady 0.0.9, calibration nominal"));
}

#[test]
fn a_job_with_mistakes_has_a_report_that_says_them() {
    let folder = tempfile::tempdir().unwrap();
    let job = &job_in(folder.path(), vents());
    let run = record(job, RunKind::Free, 1, 0);
    std::fs::write(
        job.join("alterations.csv"),
        "number,utc,event,kind,what,why\n1,,made,cut,R12,\n",
    )
    .unwrap();
    std::fs::write(run.join("wire.log"), b"somebody else's file, long enough").unwrap();
    std::fs::write(job.join("job.toml"), "created_utc = \"\"\nunit = vents\n").unwrap();
    let args = |words: &[&str]| {
        let line = [&["report", job.to_str().unwrap()], words].concat();
        <crate::commands::report::Args as clap::FromArgMatches>::from_arg_matches(
            &<crate::commands::report::Args as clap::Args>::augment_args(clap::Command::new("report"))
                .get_matches_from(line),
        )
        .unwrap()
    };
    let console = crate::Console::new(false);
    let exit = crate::commands::report::run(&args(&[]), &console).unwrap();
    assert_eq!(exit, Exit::NotRestored);
    let page = std::fs::read_to_string(job.join("report.html")).unwrap();
    for part in [
        "line 2",
        "no kind of alteration",
        "it is not a recording of this program",
        "No clean bill",
    ] {
        assert!(page.contains(part), "{part}");
    }
    std::fs::remove_file(job.join("alterations.csv")).unwrap();
    let tables = folder.path().join("tables");
    let exit = crate::commands::report::run(&args(&["--csv", tables.to_str().unwrap()]), &console).unwrap();
    assert_eq!(exit, Exit::BadInput);
    assert_eq!(std::fs::read_dir(tables).unwrap().count(), 6);
    std::fs::remove_file(job.join("job.toml")).unwrap();
    assert_eq!(render(job).unwrap_err().exit(), Exit::BadInput);
}

/// One reading of 0 A in a night of 0.25 A, drawn over the width of a page: a stroke goes down to the line of zero.
#[test]
fn a_millisecond_in_a_night_is_in_the_picture() {
    let picture = |dropout: bool| {
        let mut trace = trace::Trace::whole(1000);
        for index in 0..3_600_000 {
            let current_a = if dropout && index == 1_234_567 { 0.0 } else { 0.25 };
            trace.take(&trace::tests::reading(index * 1000, current_a));
        }
        let plot = plot::strip::strip(&trace, None, &plot::strip::Marks::default()).unwrap();
        plot.markup().to_owned()
    };
    let lowest = |svg: &str| {
        let lines = svg
            .split("<polyline")
            .skip(1)
            .filter(|line| line.contains("#A9C1DE"));
        let points = lines.flat_map(|line| {
            let points = line.split("points=\"").nth(1).unwrap().split('"').next().unwrap();
            points
                .split_whitespace()
                .map(|point| point.split(',').nth(1).unwrap().parse::<i32>().unwrap())
                .collect::<Vec<_>>()
        });
        points.max()
    };
    assert_eq!(lowest(&picture(false)), None, "nothing but one level");
    let svg = picture(true);
    assert!(lowest(&svg).unwrap() > 220, "{:?}", lowest(&svg));
}
