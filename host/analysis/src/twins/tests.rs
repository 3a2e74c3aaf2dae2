use super::mean::mean_through_noise;
use super::*;
use crate::soak::{NoiseModel, Whitener};
use crate::statistics::testing::{Noise, ar1};

/// Readings at 1000/s made by `current`, for `seconds`.
fn examined(seconds: u32, settings: TwinSettings, mut current: impl FnMut(f64) -> [f64; 2]) -> TwinFindings {
    let mut twins = TwinExamination::new(settings);
    for k in 0..seconds * 1000 {
        let time_s = f64::from(k) * 1e-3;
        twins.push(&Sample {
            current_a: current(time_s),
            ..Sample::missing_at(time_s)
        });
    }
    twins.finish()
}

/// The averaging rule: `n_eff = n (1 - ρ)/(1 + ρ)` in large samples, exactly `(n - (n - 2) ρ)/(1 + ρ)` for the best
/// linear estimate (the tridiagonal inverse of the AR(1) matrix written out).
#[test]
fn information_on_a_mean_is_the_effective_sample_size() {
    for rho in [0.5_f64, 0.8, 0.9, 0.95, 0.99] {
        let noise = NoiseModel {
            white_sd: 0.0,
            memory_sd: [1.0, 0.0],
            memory_s: [-1.0 / rho.ln(), 1.0],
        };
        let count = 100_000;
        let whitener = Whitener::new(&noise, 1.0, &vec![1.0; count]);
        let mut white = Vec::new();
        whitener.whiten(&vec![1.0; count], &mut white);
        let information: f64 = white.iter().map(|w| w * w).sum();
        let exact = (count as f64 - (count as f64 - 2.0) * rho) / (1.0 + rho);
        assert!(
            (information / exact - 1.0).abs() < 1e-9,
            "{rho}: {information} against {exact}"
        );
        let rule = count as f64 * (1.0 - rho) / (1.0 + rho);
        assert!(
            (information / rule - 1.0).abs() < 5e-3,
            "{rho}: {information} against {rule}"
        );
    }
}

/// Of 80 intervals for the mean of noise with two memories, at 95 %, fewer than 70 or all but every one holding would
/// happen less than once in a hundred.
#[test]
fn intervals_for_a_mean_hold_as_often_as_they_say() {
    let mut held = 0;
    for seed in 0..80 {
        let fast = ar1(500, 0.6, 3 * seed);
        let slow = ar1(500, 0.96, 3 * seed + 1);
        let mut white = Noise::new(3 * seed + 2);
        let series: Vec<f64> = fast
            .iter()
            .zip(&slow)
            .map(|(fast, slow)| fast + 0.8 * slow + white.normal())
            .collect();
        let mean = mean_through_noise(&series, &vec![1.0; 500], 0.05, 0.0, None).unwrap();
        held += u32::from(mean.interval(0.95).contains(0.0));
    }
    assert!((70..=80).contains(&held), "{held} of 80");
}

/// Common practice, no source: the two rules of the bench.
#[test]
fn two_hundred_against_thirteen_differ_and_eight_against_seven_are_alike() {
    let mut noise = Noise::new(5);
    let far = examined(20, TwinSettings::default(), |_| {
        [0.200 + 1e-4 * noise.normal(), 0.013 + 1e-4 * noise.normal()]
    });
    assert_eq!(far.compare.standing, TwinStanding::Differs);
    assert_eq!(far.compare.verdict, DifferenceVerdict::Different);
    let near = examined(20, TwinSettings::default(), |_| {
        [0.008 + 1e-4 * noise.normal(), 0.007 + 1e-4 * noise.normal()]
    });
    assert_eq!(near.compare.standing, TwinStanding::Alike);
    assert_eq!(near.compare.verdict, DifferenceVerdict::Different);
    assert!(near.compare.ratio.unwrap().contains(8.0 / 7.0));
}

#[test]
fn an_interval_across_the_margin_asks_for_more_time() {
    let mut noise = Noise::new(6);
    let findings = examined(2, TwinSettings::default(), |_| {
        [0.102_1 + 0.02 * noise.normal(), 0.092 + 0.02 * noise.normal()]
    });
    let TwinStanding::CannotSayYet { more_s } = findings.compare.standing else {
        panic!("{:?}", findings.compare)
    };
    assert!(more_s > 2.0, "{more_s}");
}

/// Ripple of different size and phase on the two channels, the mains three tenths of a per cent fast.
#[test]
fn ripple_is_measured_and_does_not_move_the_difference() {
    let mut noise = Noise::new(7);
    let findings = examined(20, TwinSettings::default(), |time| {
        let turn = std::f64::consts::TAU * 100.3 * time;
        [
            0.3 + 0.015 * turn.sin() + 3e-4 * noise.normal(),
            0.3 + 0.009 * (turn + 2.0).sin() + 3e-4 * noise.normal(),
        ]
    });
    assert!(
        (findings.ripple_hz.unwrap() - 100.3).abs() < 0.02,
        "{:?}",
        findings.ripple_hz
    );
    let ripple = findings
        .beside
        .iter()
        .find(|entry| entry.what.starts_with("ripple"))
        .unwrap();
    assert!((ripple.value[0] / 0.015 - 1.0).abs() < 0.02 && (ripple.value[1] / 0.009 - 1.0).abs() < 0.02);
    let (low, high) = (
        findings.compare.ci_low.unwrap(),
        findings.compare.ci_high.unwrap(),
    );
    assert!(low < 0.0 && high > 0.0 && high - low < 3e-5, "{low} {high}");
}

/// Both channels quiet within one code: the mean of codes says nothing finer than a step.
#[test]
fn a_stuck_converter_widens_the_interval() {
    let step: f64 = 1e-4;
    let findings = examined(20, TwinSettings::default(), |time| {
        // One toggle makes the step known.
        let first = if time < 0.002 {
            0.0501
        } else {
            (0.050_04_f64 / step).round() * step
        };
        [first, (0.049_97_f64 / step).round() * step]
    });
    let (low, high) = (
        findings.compare.ci_low.unwrap(),
        findings.compare.ci_high.unwrap(),
    );
    assert!(low <= 7e-5 && 7e-5 <= high, "{low} {high}");
}

#[test]
fn a_reading_with_one_channel_missing_is_left_out() {
    let mut noise = Noise::new(8);
    let mut count = 0;
    let findings = examined(10, TwinSettings::default(), |_| {
        count += 1;
        let second = if count % 3 == 0 {
            f64::NAN
        } else {
            0.1 + 1e-4 * noise.normal()
        };
        // Whatever channel 1 says where channel 2 is silent must not count.
        [
            if count % 3 == 0 {
                9.0
            } else {
                0.1 + 1e-4 * noise.normal()
            },
            second,
        ]
    });
    assert_eq!(findings.unmatched_readings, 3333);
    assert!(findings.compare.difference_a.unwrap().abs() < 1e-5);
}

#[test]
fn too_little_says_so_and_long_recordings_stay_bounded() {
    let mut short = TwinExamination::new(TwinSettings::default());
    for k in 0..100 {
        short.push(&Sample {
            current_a: [0.1; 2],
            ..Sample::missing_at(f64::from(k) * 1e-3)
        });
    }
    let findings = short.finish();
    assert_eq!(findings.compare.difference_a, None);
    assert!(matches!(
        findings.compare.standing,
        TwinStanding::CannotSayYet { .. }
    ));
    let mut long = TwinExamination::new(TwinSettings {
        batches_at_most: 64,
        ..TwinSettings::default()
    });
    for k in 0..100_000 {
        long.push(&Sample {
            current_a: [0.1; 2],
            ..Sample::missing_at(f64::from(k) * 1e-2)
        });
    }
    assert!(long.batches.done.len() <= 64);
}

#[test]
fn fields_are_named_as_in_the_findings_file() {
    let mut noise = Noise::new(9);
    let findings = examined(3, TwinSettings::default(), |_| {
        [0.1 + 1e-4 * noise.normal(), 0.1 + 1e-4 * noise.normal()]
    });
    let value = serde_json::to_value(&findings).unwrap();
    for key in ["difference_A", "ci_low", "ci_high"] {
        assert!(value["compare"][key].is_f64(), "{key}");
    }
    assert!(value["compare"]["verdict"].is_string());
}
