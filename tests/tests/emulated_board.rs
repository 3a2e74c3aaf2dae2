//! The real board image in the emulator, through a pseudo-terminal, into the shipped program.
//!
//! Emulated figures say nothing about electrical behaviour, real USB timing or edges on a bus. Where the emulator or the
//! image is missing, this says so and runs nothing; `STEADYBENCH_EMULATOR=required` makes that an error. It has its own
//! `main`, since a test that passes silently cannot say what it left out.

#![cfg(unix)]

use std::path::Path;
use std::process::{Command, ExitCode, Stdio};
use std::time::Duration;

use serde_json::{Value, json};
use steadybench_tests::emulator::{Bench, Emulator};
use steadybench_tests::job::{Table, only_run};
use steadybench_tests::program::steady;

/// Amperes of one step of the code: 312.5 nV over the image's 50 mΩ.
const STEP_A: f64 = 312.5e-9 / 0.05;

type Scenario = fn(&Emulator, &Path);

const SCENARIOS: [(&str, Scenario); 4] = [
    (
        "readings_are_the_codes_the_chips_served",
        readings_are_the_codes_the_chips_served,
    ),
    (
        "foot_switch_is_marked_within_two_milliseconds",
        foot_switch_is_marked_within_two_milliseconds,
    ),
    (
        "guard_opens_the_relay_and_the_program_says_so",
        guard_opens_the_relay_and_the_program_says_so,
    ),
    (
        "unplugged_board_goes_on_in_the_same_run",
        unplugged_board_goes_on_in_the_same_run,
    ),
];

fn main() -> ExitCode {
    let filter: Vec<String> = std::env::args()
        .skip(1)
        .filter(|argument| !argument.starts_with('-'))
        .collect();
    if std::env::args().any(|argument| argument == "--list") {
        for (name, _) in SCENARIOS {
            println!("{name}: test");
        }
        return ExitCode::SUCCESS;
    }
    let emulator = match Emulator::find() {
        Ok(emulator) => emulator,
        Err(missing) => {
            let required = std::env::var_os("STEADYBENCH_EMULATOR").is_some_and(|value| value == "required");
            println!("\nTHE BOARD IMAGE WAS NOT TESTED: {missing}.\n");
            return if required {
                ExitCode::FAILURE
            } else {
                ExitCode::SUCCESS
            };
        }
    };
    let mut failed = 0;
    let mut passed = 0;
    for (name, scenario) in SCENARIOS {
        if !filter.is_empty() && !filter.iter().any(|part| name.contains(part.as_str())) {
            continue;
        }
        let folder = tempfile::tempdir().expect("a temporary folder");
        let outcome = std::panic::catch_unwind(|| scenario(&emulator, folder.path()));
        println!(
            "test {name} ... {}",
            if outcome.is_ok() { "ok" } else { "FAILED" }
        );
        if outcome.is_ok() { passed += 1 } else { failed += 1 }
    }
    let word = if failed == 0 { "ok" } else { "FAILED" };
    println!(
        "\ntest result: {word}. {passed} passed; {failed} failed; 0 ignored; 0 measured; 0 filtered out"
    );
    if failed == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

/// Collects from the board until the program ends, and gives its exit code.
fn collect(folder: &Path, more: &[&str]) -> Option<i32> {
    command(folder, more).status().expect("steady starts").code()
}

fn command(folder: &Path, more: &[&str]) -> Command {
    let mut command = steady();
    command
        .arg("collect")
        .arg("--port")
        .arg(folder.join("board"))
        .arg("--job")
        .arg(folder.join("job"));
    command
        .args(["--full-rate", "always"])
        .args(more)
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    command
}

fn start(emulator: &Emulator, folder: &Path, script: &Value) -> Bench {
    emulator.start(folder, &folder.join("board"), script)
}

fn readings(folder: &Path) -> Table {
    Table::read(&only_run(&folder.join("job")).join("readings.csv"))
}

/// Every code in the file is the one the chip model served, in the same order, on both channels, and none is missing.
fn readings_are_the_codes_the_chips_served(emulator: &Emulator, folder: &Path) {
    let script = json!({ "channels": [
        { "code": { "from": 1_000, "spread": 4_096 } },
        { "code": { "from": -300_000, "spread": 4_096 } },
    ]});
    let bench = start(emulator, folder, &script);
    assert_eq!(collect(folder, &["--for", "5s"]), Some(0));
    let truth = bench.end();
    let readings = readings(folder);
    for (channel, name) in ["ch1_current_a", "ch2_current_a"].into_iter().enumerate() {
        let codes: Vec<i64> = readings
            .numbers(name)
            .map(|current| (current.expect("no reading is missing") / STEP_A).round() as i64)
            .collect();
        assert!(codes.len() > 3_000, "{} readings in five seconds", codes.len());
        let served = truth["channels"][channel]["code"].as_array().expect("codes");
        let served: Vec<i64> = served.iter().map(|code| code.as_i64().expect("a code")).collect();
        let begins = served.windows(codes.len()).position(|window| window == codes);
        assert!(
            begins.is_some(),
            "channel {}: the file's codes are not a stretch of those served",
            channel + 1
        );
    }
}

/// The pedal is pressed in the instant in which the current steps; the file has both on one time axis.
fn foot_switch_is_marked_within_two_milliseconds(emulator: &Emulator, folder: &Path) {
    let presses_ms = [4_000, 4_500, 5_250];
    let steps: Vec<Value> = presses_ms
        .iter()
        .enumerate()
        .map(|(at, ms)| json!([f64::from(*ms) / 1e3, 0.1 * (at + 1) as f64]))
        .collect();
    let events: Vec<Value> = presses_ms
        .iter()
        .flat_map(|ms| {
            [
                json!({ "at_ms": ms, "foot_switch": "press" }),
                json!({ "at_ms": ms + 120, "foot_switch": "release" }),
            ]
        })
        .collect();
    let script = json!({ "channels": [{ "current": { "offset": 0.5, "steps": steps } }], "events": events });
    let bench = start(emulator, folder, &script);
    assert_eq!(collect(folder, &["--for", "8s"]), Some(0));
    let truth = bench.end();
    assert_eq!(truth["foot_switch"].as_array().map(Vec::len), Some(6));

    let readings = readings(folder);
    let currents: Vec<(f64, f64)> = readings
        .numbers("elapsed_s")
        .zip(readings.numbers("ch1_current_a"))
        .filter_map(|(elapsed, current)| Some((elapsed?, current?)))
        .collect();
    let steps_s: Vec<f64> = currents
        .windows(2)
        .filter(|pair| pair[1].1 - pair[0].1 > 0.05)
        .map(|pair| pair[1].0)
        .collect();
    let marks = Table::read(&only_run(&folder.join("job")).join("marks.csv"));
    let presses_s: Vec<f64> = marks
        .numbers("elapsed_s")
        .zip(marks.column("edge"))
        .filter(|(_, edge)| *edge == "pressed")
        .map(|(elapsed, _)| elapsed.expect("a mark has its time"))
        .collect();
    assert_eq!(presses_s.len(), 3, "{presses_s:?}");
    assert_eq!(steps_s.len(), 3, "{steps_s:?}");
    for (press_s, step_s) in presses_s.iter().zip(&steps_s) {
        // A reading averages over what went before it, so a step shows up to one period and a conversion later.
        let late_s = step_s - press_s;
        assert!(
            (-0.002..=0.002).contains(&late_s),
            "the mark is {late_s} s from the step"
        );
    }
}

/// An over-current opens the relay within 10 ms of the instant the current stepped, and the exit code says it.
fn guard_opens_the_relay_and_the_program_says_so(emulator: &Emulator, folder: &Path) {
    const STEP_S: f64 = 5.0;
    let script = json!({ "channels": [{ "current": { "offset": 0.5, "steps": [[STEP_S, 1.0]] } }] });
    let bench = start(emulator, folder, &script);
    assert_eq!(
        collect(folder, &["--for", "8s", "--guard-current", "1=1A"]),
        Some(13)
    );
    let truth = bench.end();
    let relay = truth["supply_relay"].as_array().expect("the relay's movements");
    let opened = relay
        .iter()
        .rev()
        .find(|movement| movement["closed"] == false)
        .expect("the relay opened");
    let after_s = opened["us"].as_f64().expect("a time") * 1e-6 - STEP_S;
    assert!(
        (0.0..0.010).contains(&after_s),
        "the relay opened {after_s} s after the step"
    );
    let events = Table::read(&only_run(&folder.join("job")).join("events.csv"));
    assert_eq!(
        events
            .column("event")
            .filter(|event| *event == "guard_trip")
            .count(),
        1
    );
}

/// The cable is pulled and put back: one run, its gap stated, and readings from after it.
fn unplugged_board_goes_on_in_the_same_run(emulator: &Emulator, folder: &Path) {
    let mut bench = start(emulator, folder, &json!({}));
    let mut program = command(folder, &["--for", "14s"]).spawn().expect("steady starts");
    bench.until("opened");
    std::thread::sleep(Duration::from_secs(4));
    bench.act(&json!({ "board": "unplug" }));
    bench.until("detached");
    std::thread::sleep(Duration::from_secs(2));
    bench.act(&json!({ "board": "plug" }));
    bench.until("opened");
    assert_eq!(program.wait().expect("steady ends").code(), Some(0));
    let _truth = bench.end();

    let run = only_run(&folder.join("job"));
    let events = Table::read(&run.join("events.csv"));
    for (event, times) in [("port_closed", 1), ("port_opened", 2), ("board_restarted", 1)] {
        assert_eq!(
            events.column("event").filter(|told| *told == event).count(),
            times,
            "{event}"
        );
    }
    let readings = readings(folder);
    let elapsed: Vec<f64> = readings.numbers("elapsed_s").flatten().collect();
    assert!(elapsed.is_sorted(), "time does not run backwards");
    let gap_s = elapsed
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .fold(0.0, f64::max);
    assert!(gap_s >= 1.5, "the gap is {gap_s} s");
    assert!(
        elapsed.last().expect("readings") - gap_s > 2.0,
        "readings on both sides of the gap"
    );
}
