//! The virtual bench, through a pseudo-terminal, into the shipped program: what stands in the files against what the
//! model knows to be true.

#![cfg(unix)]

use std::path::Path;
use std::process::Stdio;
use std::time::Duration;

use steadybench_tests::job::{Table, only_run};
use steadybench_tests::program::steady;
use steadybench_virtual::model::ReadingTruth;
use steadybench_virtual::{BenchOptions, PortName, Scenario, VirtualBench};

fn bench() -> (VirtualBench, String) {
    let bench =
        VirtualBench::on_pty(&Scenario::greenhouse(), &BenchOptions::default()).expect("a pseudo-terminal");
    let PortName::Device(port) = bench.port() else {
        panic!("a device")
    };
    (bench, port.display().to_string())
}

fn collect(port: &str, job: &Path, seconds: &str) -> std::process::Child {
    steady()
        .args([
            "collect",
            "--port",
            port,
            "--for",
            seconds,
            "--full-rate",
            "always",
            "--job",
        ])
        .arg(job)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("steady starts")
}

/// Every current in the file is the true mean over its conversion, within the noise of the chip's table, one step, and
/// the tolerances of shunt and chip. Nothing is missing.
#[test]
fn readings_are_the_truth_within_noise_and_tolerances() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (bench, port) = bench();
    bench
        .with(|board| board.record_readings(true))
        .expect("the bench runs");
    let status = collect(&port, folder.path(), "4s").wait().expect("steady ends");
    assert_eq!(status.code(), Some(0));
    let truth: Vec<ReadingTruth> = bench
        .with(|board| board.with_bench(|bench| bench.truth().readings.clone()))
        .expect("the bench runs");

    let readings = Table::read(&only_run(folder.path()).join("readings.csv"));
    for (channel, name) in ["ch1_current_a", "ch2_current_a"].into_iter().enumerate() {
        let currents: Vec<f64> = readings
            .numbers(name)
            .map(|current| current.expect("none is missing"))
            .collect();
        assert!(currents.len() > 3_500, "{} readings", currents.len());
        let truths: Vec<&ReadingTruth> = truth
            .iter()
            .filter(|reading| reading.channel.index() == channel)
            .collect();
        // The file begins somewhere in the truth; the codes say where.
        let step_a = 312.5e-9 / 0.05;
        let codes: Vec<i32> = currents
            .iter()
            .map(|current| (current / step_a).round() as i32)
            .collect();
        let begins = truths
            .windows(codes.len())
            .position(|window| {
                window
                    .iter()
                    .zip(&codes)
                    .all(|(truth, code)| truth.conversion.code == *code)
            })
            .expect("the file's codes are a stretch of those that the chip gave");
        for (current, truth) in currents.iter().zip(&truths[begins..]) {
            // Table 8-2 of the data sheet: 540 µs, no averaging: 14.2 noise-free bits of ±163.84 mV, 17.4 µV peak to
            // peak, which is 6.6 standard deviations; at 50 mΩ one is 53 µA. The shunt is within 1 % (the model's
            // part), the chip within 0.05 % and 1 µV.
            let allowed_a = 6.0 * 53e-6 + step_a + 0.0105 * truth.current_a.abs() + 1e-6 / 0.05;
            let apart_a = (current - truth.current_a).abs();
            assert!(
                apart_a < allowed_a,
                "channel {}: {current} A is not {} A",
                channel + 1,
                truth.current_a
            );
        }
    }
}

/// A press of the pedal stands in the file at its own instant, on the readings' time axis.
#[test]
fn foot_switch_marks_stand_within_two_milliseconds() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (bench, port) = bench();
    bench
        .with(|board| board.record_readings(true))
        .expect("the bench runs");
    let mut program = collect(&port, folder.path(), "5s");
    std::thread::sleep(Duration::from_millis(2_500));
    let presses_us: Vec<u64> = (0..3)
        .map(|_| {
            std::thread::sleep(Duration::from_millis(400));
            bench
                .with(|board| {
                    let at = board.now() + Duration::from_millis(50);
                    board.press_foot_switch(at);
                    board.board_time(at).as_micros()
                })
                .expect("the bench runs")
        })
        .collect();
    assert_eq!(program.wait().expect("steady ends").code(), Some(0));
    let truth: Vec<ReadingTruth> = bench
        .with(|board| board.with_bench(|bench| bench.truth().readings.clone()))
        .expect("the bench runs");

    let run = only_run(folder.path());
    let first_code = Table::read(&run.join("readings.csv"))
        .numbers("ch1_current_a")
        .take(200)
        .map(|current| (current.expect("none is missing") / (312.5e-9 / 0.05)).round() as i32)
        .collect::<Vec<_>>();
    let first: Vec<&ReadingTruth> = truth
        .iter()
        .filter(|reading| reading.channel.index() == 0)
        .collect();
    let begins = first
        .windows(first_code.len())
        .position(|window| {
            window
                .iter()
                .zip(&first_code)
                .all(|(truth, code)| truth.conversion.code == *code)
        })
        .expect("the run begins somewhere in the truth");
    let zero_us = first[begins].board_us;
    let marks = Table::read(&run.join("marks.csv"));
    let marked_s: Vec<f64> = marks
        .numbers("elapsed_s")
        .zip(marks.column("edge"))
        .filter(|(_, edge)| *edge == "pressed")
        .map(|(elapsed, _)| elapsed.expect("a mark has its time"))
        .collect();
    assert_eq!(marked_s.len(), presses_us.len());
    for (marked_s, press_us) in marked_s.iter().zip(&presses_us) {
        let apart_s = marked_s - (press_us - zero_us) as f64 * 1e-6;
        assert!(apart_s.abs() < 0.002, "the mark is {apart_s} s from the press");
    }
}
