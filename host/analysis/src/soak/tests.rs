use super::*;
use crate::statistics::testing::{Noise, ar1};

/// One reading a second for `hours`, the current made by `current` from the second and the room's deviation, which
/// swings by a kelvin in three hours; both channels alike but for their noise.
fn recorded(hours: f64, seed: u64, current: impl Fn(usize, f64, usize) -> f64) -> SoakExamination {
    let count = (hours * 3600.0) as usize;
    let phi = (-1.0_f64 / 700.0).exp();
    let slow = ar1(count, phi, seed).into_iter().zip(ar1(count, phi, seed + 1));
    let mut noise = Noise::new(seed + 2);
    let mut soak = SoakExamination::new(SoakSettings::default());
    for (k, slow) in slow.enumerate() {
        let slow = [slow.0, slow.1];
        let time_s = k as f64;
        let room = (std::f64::consts::TAU * time_s / 10_800.0).sin();
        let case = (std::f64::consts::TAU * (time_s - 600.0) / 10_800.0).sin();
        let current_a = [0, 1].map(|c| current(k, case, c) + 1e-4 * (noise.normal() + 0.5 * slow[c]));
        let temperature_c = [
            35.0 + case + 0.03 * noise.normal(),
            20.0 + room + 0.03 * noise.normal(),
        ];
        soak.push(&Sample {
            current_a,
            temperature_c,
            ..Sample::missing_at(time_s)
        });
    }
    soak
}

fn settling(k: usize) -> f64 {
    0.01 * (-(k as f64) / 900.0).exp()
}

/// Half an ampere that settles with 900 s, follows the case with 0.1 % a kelvin, and on channel 2 drifts by 0.2 % an
/// hour, with one event of every kind.
#[test]
fn drift_events_and_temperature_are_told_apart() {
    let soak = recorded(5.0, 11, |k, case, c| {
        let mut current = [0.5, 0.2][c] * (1.0 + 1e-3 * case) + settling(k);
        if c == 1 {
            current += 4e-4 * k as f64 / 3600.0;
        }
        let mains = if (9000..9012).contains(&k) { 0.98 } else { 1.0 };
        let dropout = if c == 0 && (6000..6004).contains(&k) {
            -0.004
        } else {
            0.0
        };
        let step = if c == 0 && k >= 12_000 { 0.005 } else { 0.0 };
        current * mains + dropout + step
    });
    let findings = soak.finish();
    let seen = |channel: u8, kind: SoakEventKind| {
        findings
            .events
            .iter()
            .filter(|e| e.channel == channel && e.kind == kind)
            .map(|e| e.start_s)
            .collect::<Vec<_>>()
    };
    let dropouts = seen(1, SoakEventKind::Dropout);
    assert!(
        dropouts.len() == 1 && (dropouts[0] - 6000.0).abs() <= 3.0,
        "{:?}",
        findings.events
    );
    assert_eq!(seen(1, SoakEventKind::Step).len(), 1);
    assert!((seen(1, SoakEventKind::Step)[0] - 12_000.0).abs() <= 1.0);
    for channel in [1, 2] {
        let dips = seen(channel, SoakEventKind::Nuisance);
        assert!(dips.len() == 1 && (dips[0] - 9000.0).abs() <= 3.0, "{dips:?}");
    }
    assert!(seen(2, SoakEventKind::Dropout).is_empty() && seen(2, SoakEventKind::Step).is_empty());

    let [one, two] = [&findings.drift[0], &findings.drift[1]];
    assert_eq!(one.standing, SoakStanding::Intermittent);
    assert!(one.ci_low.unwrap() < 0.0 && one.ci_high.unwrap() > 0.0, "{one:?}");
    assert_eq!(two.verdict, DriftVerdict::Drift);
    assert_eq!(two.standing, SoakStanding::Drifting);
    assert!(
        two.ci_low.unwrap() < 4e-4 && two.ci_high.unwrap() > 4e-4,
        "{two:?}"
    );
    assert!((two.settle_tau_s.unwrap() / 900.0 - 1.0).abs() < 0.1, "{two:?}");
    assert!((two.settled_a.unwrap() - 0.2).abs() < 1e-4, "{two:?}");
    let pull = two.temperature_slope.unwrap();
    assert!((pull.value / 2e-4 - 1.0).abs() < 0.3, "{pull:?}");
}

/// Of 16 intervals for the drift of a settling current in noise with a memory fewer than 13 would hold once in 1000.
#[test]
fn drift_intervals_hold_as_often_as_they_say() {
    let mut held = 0;
    for seed in 0..8 {
        let tau = 400.0 + 100.0 * seed as f64;
        let soak = recorded(2.5, 100 + 3 * seed, |k, case, c| {
            let settled = 0.3 * (1.0 + 5e-4 * case) + 0.006 * (-(k as f64) / tau).exp();
            settled + c as f64 * 1e-4 * k as f64 / 3600.0
        });
        for (soak, truth) in soak.finish().drift.iter().zip([0.0, 1e-4]) {
            held += u32::from(soak.ci_low.unwrap() <= truth && truth <= soak.ci_high.unwrap());
        }
    }
    assert!(held >= 13, "{held} of 16");
}

#[test]
fn without_temperatures_it_says_so_and_widens() {
    let with = recorded(4.0, 21, |k, case, _| 0.3 * (1.0 + 1e-3 * case) + settling(k));
    let findings = with.clone().finish();
    let mut bare = SoakExamination::new(SoakSettings::default());
    let mut noise = Noise::new(22);
    for k in 0..14_400 {
        let current = 0.3 + settling(k) + 1e-4 * noise.normal();
        bare.push(&Sample {
            current_a: [current, f64::NAN],
            ..Sample::missing_at(k as f64)
        });
    }
    let without = bare.finish();
    let width = |soak: &ChannelSoak| soak.ci_high.unwrap() - soak.ci_low.unwrap();
    assert_eq!(without.drift.len(), 1);
    assert!(width(&without.drift[0]) > width(&findings.drift[0]));
    assert!(
        without.drift[0]
            .notes
            .iter()
            .any(|note| note.contains("no temperature")),
        "{:?}",
        without.drift[0].notes
    );
}

#[test]
fn early_on_it_says_how_long_to_wait_and_where_it_will_settle() {
    let soak = recorded(0.5, 31, |k, _, _| 0.3 + 0.03 * (-(k as f64) / 900.0).exp());
    let standing = soak.standing();
    let SoakStanding::Settling { wait_min } = standing[0].standing else {
        panic!("{:?}", standing[0])
    };
    // 0.03 exp(-2) = 4.1 mA to go, within 0.3 mA after 2.6 time constants: 39 min.
    assert!((10.0..120.0).contains(&wait_min), "{wait_min}");
    let [low, high] = standing[0].settled_ci_a.unwrap();
    assert!(low < 0.3 && 0.3 < high, "{low} {high}");
}

#[test]
fn gaps_are_gaps_and_a_late_switch_on_is_found() {
    let mut soak = SoakExamination::new(SoakSettings::default());
    let mut noise = Noise::new(41);
    for k in (0..7200).filter(|k| !(3000..3600).contains(k)) {
        let on = if k < 100 { 0.0 } else { 0.3 };
        let blank = (5000..5050).contains(&k);
        let current = if blank {
            f64::NAN
        } else {
            on + 1e-4 * noise.normal()
        };
        soak.push(&Sample {
            current_a: [current, f64::NAN],
            ..Sample::missing_at(f64::from(k))
        });
    }
    let findings = soak.finish();
    let gaps: Vec<(f64, f64)> = findings.gaps.iter().map(|gap| (gap.start_s, gap.end_s)).collect();
    assert_eq!(gaps, [(3000.0, 3600.0), (5000.0, 5050.0)]);
    assert!(findings.events.is_empty(), "{:?}", findings.events);
    assert!(
        findings.drift[0]
            .notes
            .iter()
            .any(|note| note.contains("switched on 100 s"))
    );
    assert!((findings.drift[0].settled_a.unwrap() - 0.3).abs() < 1e-3);
}

#[test]
fn nothing_and_next_to_nothing_are_not_enough() {
    assert!(
        SoakExamination::new(SoakSettings::default())
            .finish()
            .drift
            .is_empty()
    );
    let mut dead = SoakExamination::new(SoakSettings::default());
    for k in 0..4000 {
        dead.push(&Sample {
            current_a: [0.0, 0.25],
            ..Sample::missing_at(f64::from(k))
        });
    }
    // A channel without current and one without noise: no panic, no event.
    let findings = dead.finish();
    assert!(findings.events.is_empty(), "{:?}", findings.events);
    assert_eq!(findings.drift.len(), 2);
}

#[test]
fn fields_are_named_as_in_the_findings_file() {
    let findings = recorded(0.5, 51, |_, _, _| 0.3).finish();
    let value = serde_json::to_value(&findings).unwrap();
    for key in [
        "channel",
        "slope_per_h",
        "ci_low",
        "ci_high",
        "verdict",
        "settled_A",
    ] {
        assert!(!value["drift"][0][key].is_null(), "{key}: {value}");
    }
    assert!(value["events"].is_array());
}
