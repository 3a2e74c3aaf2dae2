use super::fits::found;
use super::recorded::Recorded;
use super::*;
use crate::recorder::testing::hello;

#[test]
fn a_page_tells_where_it_is_kept_what_was_off_and_what_is_left() {
    let mut calibration = store::as_built(&hello(1), jiff::civil::date(2026, 3, 1));
    calibration.reference = "bench meter, 0.1 %".to_owned();
    let channel = &mut calibration.channels[0];
    (channel.current_gain, channel.current_gain_uncertainty) = (1.004, Some(6e-4));
    let setting = MonitorSetting {
        range: ShuntRange::Wide,
        conversion_time_us: 540,
        averages: 1,
    };
    let budget = channel
        .current_budget(&setting, CodeReading::single(32_000.0), 25.0)
        .unwrap();
    let mut found = found(
        calibration,
        vec![Residual {
            what: "runs/0003-free".to_owned(),
            unit: "A",
            reference: 1.0,
            before: -0.004,
            after: 0.0,
        }],
        vec![budget],
    );
    found.kept_in = "0707070707070707.toml".to_owned();
    let page = words::of(&found);
    assert!(
        page.starts_with("Board 0707070707070707, calibrated 2026-03-01 against bench meter, 0.1 %\n"),
        "{page}"
    );
    for part in [
        "kept in 0707070707070707.toml",
        "runs/0003-free  1.0000 A   -4.00 mA  0 A",
        "proves nothing",
        "the zero of channel 1 was not measured",
        "measured gain",
        "noise of one reading",
    ] {
        assert!(page.contains(part), "{part}: {page}");
    }
    assert!(!page.contains("is read by its calibration"), "{page}");
}

/// A run folder with the second and a half of the virtual bench that is kept as a recording: switched on at 1.001 s.
fn kept_run() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/wire-format-1.bin");
    std::fs::copy(kept, folder.path().join("wire.log")).unwrap();
    folder
}

#[derive(clap::Parser)]
struct Line {
    #[command(flatten)]
    args: Args,
}

fn asked(words: &[&str]) -> Result<Found, Fault> {
    let line = <Line as clap::Parser>::parse_from(std::iter::once(&"calibrate").chain(words));
    match &line.args.what {
        What::Zero {
            run, channel, part, ..
        } => zero(run.as_deref().unwrap(), *channel, part),
        What::Gain(compared) => gain(compared),
        What::Thermistor(compared) => thermistor(compared),
        What::Show { .. } => panic!("shows what is kept"),
    }
}

/// What the run reads on channel 1 from 1.25 s on, by a calibration.
fn mean_current_a(run: &Path, calibration: &Calibration) -> f64 {
    let mut replay = crate::examine::RunFolder::open(run, None)
        .unwrap()
        .replay()
        .unwrap();
    let (mut sum, mut count, mut units) = (0.0, 0.0, None);
    while let Some(output) = replay.next_output().unwrap() {
        match (output, &units) {
            (crate::stream::Output::Board { hello, .. }, None) => {
                units = Some(crate::units::Units::calibrated(&hello, calibration));
            }
            (crate::stream::Output::Reading(reading), Some(units))
                if reading.when.elapsed_us.is_some_and(|at| at >= 1_250_000) =>
            {
                sum += units.channels[0].current_a(reading.codes[0].unwrap());
                count += 1.0;
            }
            _ => {}
        }
    }
    sum / count
}

#[test]
fn a_zero_is_taken_before_the_switch_on_and_refused_after_it() {
    let run = kept_run();
    let folder = run.path().to_str().unwrap();
    let found = asked(&["zero", folder, "--channel", "1", "--until", "900ms"]).unwrap();
    let channel = &found.calibration.channels[0];
    // The chip's limit is 1 µV (INA228 data sheet, TI SLYS021A).
    assert!(
        channel.zero_v.abs() < 1e-6 && channel.zero_uncertainty_v.unwrap() < 1e-6,
        "{channel:?}"
    );
    assert_eq!(found.calibration.channels[1].zero_uncertainty_v, None);
    let fault = asked(&["zero", folder, "--channel", "1", "--from", "1250ms"])
        .unwrap_err()
        .to_string();
    assert!(
        fault.contains("is the load really disconnected?") && fault.contains("nothing is kept"),
        "{fault}"
    );
}

#[test]
fn a_gain_makes_the_recorded_codes_read_what_the_reference_read() {
    let run = kept_run();
    let folder = run.path().to_str().unwrap();
    let point = format!("{folder}=0.0900A");
    let words = [
        "gain",
        "--channel",
        "1",
        "--from",
        "1250ms",
        "--reference-limit",
        "0.5%",
        "--point",
        &point,
    ];
    let found = asked(&words).unwrap();
    let before = store::as_built(
        &Recorded::read(run.path(), &Part::default()).unwrap().hello,
        found.calibration.made_on,
    );
    let read_a = mean_current_a(run.path(), &before);
    assert!((read_a - 0.085).abs() < 0.001, "{read_a}");
    assert!((mean_current_a(run.path(), &found.calibration) - 0.09).abs() < 1e-9);
    assert!((found.residuals[0].before - (read_a - 0.09)).abs() < 1e-9);
    // 0.5 % either way, as likely anywhere: 0.29 % of standard uncertainty at least.
    let u = found.calibration.channels[0].current_gain_uncertainty.unwrap();
    assert!((0.0028..0.0032).contains(&u), "{u}");
}

#[test]
fn points_that_no_gain_explains_are_refused_with_their_residuals() {
    let run = kept_run();
    let folder = run.path().to_str().unwrap();
    let points = [format!("{folder}=0.0850A"), format!("{folder}=0.0950A")];
    let words = [
        "gain",
        "--channel",
        "1",
        "--from",
        "1250ms",
        "--reference-limit",
        "0.05%",
        "--point",
        &points[0],
        "--point",
        &points[1],
    ];
    let fault = asked(&words).unwrap_err().to_string();
    assert!(
        fault.contains("do not lie on one line through zero") && fault.contains("95.000 mA"),
        "{fault}"
    );
}

#[test]
fn a_thermistor_is_corrected_within_its_tolerance_and_refused_beyond_it() {
    let run = kept_run();
    let folder = run.path().to_str().unwrap();
    let at = |reading: &str| {
        let point = format!("{folder}={reading}");
        asked(&[
            "thermistor",
            "--channel",
            "1",
            "--reference-limit",
            "0.3K",
            "--point",
            &point,
        ])
    };
    let found = at("21.5C").unwrap();
    assert!(
        found.residuals[0].before.abs() > 0.1 && found.residuals[0].after.abs() < 1e-6,
        "{:?}",
        found.residuals
    );
    let fault = at("60C").unwrap_err().to_string();
    assert!(fault.contains("further off than such a part may be"), "{fault}");
}
