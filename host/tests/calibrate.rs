//! `steady calibrate --port`: a board on the virtual bench calibrated step by step, in real time.

#![cfg(unix)]
#![allow(clippy::unwrap_used)] // A test may stop at once.

use std::io::Write;
use std::process::{Output, Stdio};

use steadybench_host::Exit;

mod rehearse;
use rehearse::{done, refused, steady};

struct Shelf(tempfile::TempDir);

impl Shelf {
    /// Runs `steady calibrate`, `typed` on standard input.
    fn calibrate(&self, words: &[&str], typed: &str) -> Output {
        let job = self.0.path().join("calibration");
        let live = ["--job", job.to_str().unwrap(), "--for", "2s"];
        let mut command = steady(&[&["calibrate"], words, &live[..]].concat());
        command
            .env("STEADY_CALIBRATIONS", self.0.path().join("kept"))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        child.stdin.take().unwrap().write_all(typed.as_bytes()).unwrap();
        child.wait_with_output().unwrap()
    }
}

#[test]
fn zero_gain_and_thermistor_are_taken_step_by_step_and_kept() {
    let shelf = Shelf(tempfile::tempdir().unwrap());
    let output = shelf.calibrate(&["zero", "--port", "virtual:greenhouse-unpowered"], "\n");
    let led = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        led.starts_with("Caution: Low-voltage side only, never on the mains side"),
        "{led}"
    );
    assert!(led.contains("both sense leads on one end of the shunt"), "{led}");
    assert!(led.contains("is not calibrated"), "{led}");
    let page = done(&output);
    assert!(
        page.contains("channel 2 at zero") && page.contains("measured zero"),
        "{page}"
    );

    // The unit at rest is a load like any other; the reference is said to read 5 % more than the board does.
    let gain = [
        "gain",
        "--channel",
        "1",
        "--port",
        "virtual:greenhouse-healthy",
        "--reference-limit",
        "1%",
    ];
    let output = shelf.calibrate(
        &[&gain[..], &["--at", "90mA", "--reference", "bench meter"]].concat(),
        "\n1V\n0.0895A\n",
    );
    let led = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        led.contains("Point 1, about 0.09 A") && led.contains("It stands at 8"),
        "{led}"
    );
    assert!(led.contains("That is another quantity."), "{led}");
    assert!(led.contains("is read by its calibration of"), "{led}");
    let page = done(&output);
    assert!(
        page.contains("against bench meter") && page.contains("One point leaves nothing after it"),
        "{page}"
    );
    let kept = std::fs::read_dir(shelf.0.path().join("kept")).unwrap();
    let kept: Vec<String> = kept
        .map(|entry| std::fs::read_to_string(entry.unwrap().path()).unwrap())
        .filter(|text| text.contains("bench meter"))
        .collect();
    let gain = kept[0]
        .lines()
        .find_map(|line| line.strip_prefix("current_gain = "))
        .unwrap();
    assert!((1.02..1.08).contains(&gain.parse::<f64>().unwrap()), "{kept:?}");

    // Points asked for one after another, until there is no further.
    let thermistor = [
        "thermistor",
        "--channel",
        "1",
        "--port",
        "virtual:greenhouse-unpowered",
        "--reference-limit",
        "0.3K",
    ];
    let output = shelf.calibrate(&thermistor, "warm\n21C\n21.3C\n\n");
    let led = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(led.contains("bead 1 beside the thermometer"), "{led}");
    assert!(done(&output).contains("21.300 °C"), "{output:?}");
}

#[test]
fn what_does_not_stand_still_is_not_taken() {
    let shelf = Shelf(tempfile::tempdir().unwrap());
    let words = [
        "zero",
        "--port",
        "virtual:greenhouse-unpowered",
        "--patience",
        "2s",
    ];
    let told = refused(&shelf.calibrate(&words, "\n"), Exit::BadInput);
    assert!(told.contains("nothing is kept"), "{told}");
    assert!(!shelf.0.path().join("kept").exists());
    // Neither a run nor a port: the command line says what it needs.
    refused(&shelf.calibrate(&["zero"], ""), Exit::Usage);
}
