//! `steady reference` and `steady examine --reference`: the vent controller beside good specimens of it.

#![allow(clippy::unwrap_used)] // A test may stop at once.

use std::path::{Path, PathBuf};
use std::process::Output;
use std::time::Duration;

use steadybench_host::Exit;
use steadybench_host::recorder::RunKind;
use steadybench_virtual::Scenario;

mod rehearse;
use rehearse::{Bench, done, refused, steady};

const MODEL: &str = "vent controller rev B";

/// A unit whose vents stand still, so that runs are alike.
fn at_rest(mut scenario: Scenario) -> Scenario {
    scenario.unit.programme = None;
    scenario
}

fn power_up(job: &Path, scenario: Scenario, seed: u64) -> PathBuf {
    let bench = Bench {
        kind: RunKind::PowerUp,
        rate_hz: 4000,
        length: Duration::from_secs(4),
        scenario: at_rest(scenario),
        seed,
    };
    bench.record(job)
}

/// A unit that has long been on: its own warming-up is over.
fn twins(job: &Path, scenario: Scenario, seed: u64) -> PathBuf {
    let bench = Bench {
        kind: RunKind::Twins,
        rate_hz: 1000,
        length: Duration::from_secs(40),
        scenario: at_rest(scenario),
        seed,
    };
    bench.record(job)
}

struct Shelf(tempfile::TempDir);

impl Shelf {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn run(&self, args: &[&str]) -> Output {
        steady(args)
            .env("STEADY_REFERENCES", self.0.path())
            .env("STEADY_CALIBRATIONS", self.0.path().join("none"))
            .output()
            .unwrap()
    }

    fn keep(&self, run: &Path, more: &[&str]) -> Output {
        let args = [
            &["reference", "keep", run.to_str().unwrap(), "--model", MODEL],
            more,
        ]
        .concat();
        self.run(&args)
    }

    fn beside(&self, run: &Path, more: &[&str]) -> Output {
        let args = [&["examine", run.to_str().unwrap(), "--reference", MODEL], more].concat();
        self.run(&args)
    }
}

#[test]
fn a_power_up_is_as_good_or_differs_and_a_faulty_one_is_no_example() {
    let place = tempfile::tempdir().unwrap();
    let job = &place.path().join("job");
    let shelf = Shelf::new();
    let good = power_up(job, Scenario::healthy(), 1);
    let told = refused(&shelf.beside(&good, &[]), Exit::Usage);
    assert!(told.contains("keep a run of a good unit first"), "{told}");

    done(&shelf.keep(&good, &[]));
    let told = refused(&shelf.keep(&good, &[]), Exit::Usage);
    assert!(told.contains("is kept already"), "{told}");
    done(&shelf.keep(&power_up(job, Scenario::healthy(), 2), &[]));

    let told = done(&shelf.beside(&power_up(job, Scenario::healthy(), 3), &[]));
    assert!(
        told.contains("Beside 2 good runs of \"vent controller rev B\"\nChannel 1: as good"),
        "{told}"
    );
    assert!(told.contains("\nChannel 2: as good"), "{told}");
    let faulty = power_up(job, Scenario::greenhouse(), 4);
    let told = refused(&shelf.keep(&faulty, &[]), Exit::BadInput);
    assert!(
        told.contains("channel 2 of it differs") && told.contains("--widen"),
        "{told}"
    );
    let told = done(&shelf.beside(&faulty, &[]));
    let beside = told.split("Beside").nth(1).unwrap();
    assert!(
        beside.contains("\nChannel 1: as good") && beside.contains("\nChannel 2: DIFFERS"),
        "{told}"
    );

    // Nothing steady is kept, and it is not made up.
    let steady = twins(job, Scenario::healthy(), 3);
    let told = refused(&shelf.beside(&steady, &["--as", "twins"]), Exit::Usage);
    assert!(told.contains("no steady state of a good unit is kept"), "{told}");

    let list = done(&shelf.run(&["reference", "list"]));
    assert!(
        list.contains(MODEL) && list.matches("power-up ").count() >= 2,
        "{list}"
    );
    done(&shelf.run(&["reference", "forget", MODEL]));
    assert!(done(&shelf.run(&["reference", "list"])).contains("no run is kept"));
    refused(&shelf.beside(&good, &[]), Exit::Usage);
}

#[test]
fn a_steady_state_is_compared_with_both_instruments_uncertainties() {
    let place = tempfile::tempdir().unwrap();
    let job = &place.path().join("job");
    let shelf = Shelf::new();
    done(&shelf.keep(&twins(job, Scenario::healthy(), 1), &["--skip", "5s"]));

    let json = |output: &Output| -> serde_json::Value { serde_json::from_str(&done(output)).unwrap() };
    let word = |told: &serde_json::Value, channel: usize| {
        let entry = &told["beside"]["steady_likeness"]["channels"][channel];
        entry["verdict"].as_str().unwrap().to_owned()
    };
    let told = json(&shelf.beside(&twins(job, Scenario::healthy(), 2), &["--json", "--skip", "5s"]));
    assert_eq!(
        (word(&told, 0), word(&told, 1)),
        ("as good".into(), "as good".into()),
        "{told}"
    );
    let told = json(&shelf.beside(
        &twins(job, Scenario::greenhouse(), 2),
        &["--json", "--skip", "5s"],
    ));
    assert_eq!(
        (word(&told, 0), word(&told, 1)),
        ("as good".into(), "differs".into()),
        "{told}"
    );
    // Two uncalibrated boards with 1 % shunts, u = 1 %/√3 each: the 95 % interval is at least 2 · 1.96 · √2 · 0.58 % wide.
    let first = &told["beside"]["steady_likeness"]["channels"][0];
    let difference = &first["difference_A"];
    let width = difference["high"].as_f64().unwrap() - difference["low"].as_f64().unwrap();
    let found = first["found_A"].as_f64().unwrap();
    assert!((0.032..0.08).contains(&(width / found)), "{first}");

    // A table of a meter says nothing of how far that meter may be off, and that is said.
    let table = place.path().join("meter.csv");
    let rows: String = (0..400)
        .map(|k| {
            format!(
                "{},{}\n",
                f64::from(k) * 0.05,
                0.085 + 1e-5 * f64::from(k * 7 % 11)
            )
        })
        .collect();
    std::fs::write(&table, format!("time_s,current_a\n{rows}")).unwrap();
    let told = done(&shelf.beside(&table, &["--as", "twins"]));
    assert!(told.contains("Mind: how far this meter may be off"), "{told}");
}
