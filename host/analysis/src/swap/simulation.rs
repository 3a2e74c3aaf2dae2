//! Simulated repairs of known truth.

use super::*;
use crate::statistics::testing::Noise;
use proptest::prelude::*;

/// What was really wrong: share of the symptom that the suspect place and the other place show afterwards.
const FOLLOWS: (f64, f64) = (0.0, 1.0);
const STAYS: (f64, f64) = (1.0, 0.0);
const GONE: (f64, f64) = (0.0, 0.0);

fn verdict_of(truth: (f64, f64)) -> Verdict {
    match truth {
        FOLLOWS => Verdict::FollowsThePart,
        STAYS => Verdict::StaysWithThePlace,
        GONE => Verdict::GoneWhenDisturbed,
        _ => Verdict::CannotSay,
    }
}

/// A swap of two stages whose levels scatter by `u` within a run, known from nine degrees of freedom, and by `repeatability`
/// from run to run; the symptom is `size`.
fn swap_of_levels(truth: (f64, f64), size: f64, u: f64, repeatability: f64, noise: &mut Noise) -> Verdict {
    let mut level = |share: f64| {
        // The stated uncertainty is itself an estimate from ten batches.
        let estimate = (0..9).map(|_| noise.normal().powi(2)).sum::<f64>() / 9.0;
        Evidence::Level {
            value: 0.2 + size * share + u * noise.normal() + repeatability * noise.normal(),
            standard_uncertainty: u * estimate.sqrt(),
            degrees_of_freedom: Some(9.0),
        }
    };
    let trial = Trial {
        alteration: Alteration::Swapped,
        suspect_before: level(1.0),
        healthy_before: Some(level(0.0)),
        suspect_after: level(truth.0),
        other_after: Some(level(truth.1)),
        suspect_restored: None,
    };
    judge(
        &trial,
        &Settings {
            repeatability,
            ..Settings::default()
        },
    )
    .unwrap()
    .verdict
}

fn swap_of_events(truth: (f64, f64), per_hour: f64, hours: f64, noise: &mut Noise) -> Verdict {
    let mut events = |share: f64| Evidence::Events {
        count: noise.poisson(per_hour * hours * (0.05 + 0.95 * share)),
        exposure: hours,
    };
    let trial = Trial {
        alteration: Alteration::Swapped,
        suspect_before: events(1.0),
        healthy_before: Some(events(0.0)),
        suspect_after: events(truth.0),
        other_after: Some(events(truth.1)),
        suspect_restored: None,
    };
    judge(&trial, &Settings::default()).unwrap().verdict
}

/// Runs `repair` 600 times and returns the shares of right and of wrong verdicts.
fn shares(right: Verdict, mut repair: impl FnMut(&mut Noise) -> Verdict) -> (f64, f64) {
    let mut counts = (0, 0);
    for seed in 0..600 {
        let verdict = repair(&mut Noise::new(seed));
        if verdict == right {
            counts.0 += 1;
        } else if verdict != Verdict::CannotSay {
            counts.1 += 1;
        }
    }
    (f64::from(counts.0) / 600.0, f64::from(counts.1) / 600.0)
}

#[test]
fn wrong_verdicts_on_levels_stay_within_the_rate() {
    for truth in [FOLLOWS, STAYS, GONE, (0.5, 0.5)] {
        for (size, repeatability) in [(0.02, 0.0), (0.04, 0.005), (0.15, 0.01)] {
            let (right, wrong) = shares(verdict_of(truth), |noise| {
                swap_of_levels(truth, size, 0.006, repeatability, noise)
            });
            println!(
                "truth {truth:?} size {size} repeatability {repeatability}: right {right:.3} wrong {wrong:.3}"
            );
            // Three standard deviations of 600 trials at 5 %.
            assert!(wrong <= 0.05 + 0.027, "{truth:?} {size}: {wrong}");
            assert!(
                size < 0.1 || verdict_of(truth) == Verdict::CannotSay || right > 0.95,
                "{truth:?}: {right}"
            );
        }
    }
}

#[test]
fn without_a_symptom_nothing_is_accused() {
    let (_, wrong) = shares(Verdict::CannotSay, |noise| {
        swap_of_levels((0.0, 0.0), 0.0, 0.006, 0.005, noise)
    });
    assert!(wrong <= 0.05, "levels: {wrong}");
    let (_, wrong) = shares(Verdict::CannotSay, |noise| {
        // Both places have the same few events before and after.
        let mut events = || Evidence::Events {
            count: noise.poisson(4.0),
            exposure: 1.0,
        };
        let trial = Trial {
            alteration: Alteration::Swapped,
            suspect_before: events(),
            healthy_before: Some(events()),
            suspect_after: events(),
            other_after: Some(events()),
            suspect_restored: None,
        };
        judge(&trial, &Settings::default()).unwrap().verdict
    });
    assert!(wrong <= 0.05, "events: {wrong}");
}

#[test]
fn wrong_verdicts_on_events_stay_within_the_rate() {
    for truth in [FOLLOWS, STAYS, GONE] {
        for (per_hour, hours) in [(4.0, 1.0), (10.0, 1.0), (10.0, 6.0)] {
            let (right, wrong) = shares(verdict_of(truth), |noise| {
                swap_of_events(truth, per_hour, hours, noise)
            });
            println!("truth {truth:?} {per_hour}/h for {hours} h: right {right:.3} wrong {wrong:.3}");
            assert!(wrong <= 0.05 + 0.027, "{truth:?} {per_hour}: {wrong}");
            assert!(hours < 2.0 || right > 0.9, "{truth:?}: {right}");
        }
    }
}

fn events(count: u64, exposure: f64) -> Evidence {
    Evidence::Events { count, exposure }
}

#[test]
fn a_lifted_leg_accuses_the_part_only_when_the_symptom_comes_back() {
    let lifted = Trial {
        alteration: Alteration::Lifted,
        suspect_before: events(40, 2.0),
        healthy_before: None,
        suspect_after: events(0, 2.0),
        other_after: None,
        suspect_restored: None,
    };
    let finding = judge(&lifted, &Settings::default()).unwrap();
    assert_eq!(
        (finding.verdict, finding.reason),
        (Verdict::CannotSay, Reason::PutItBack)
    );
    assert!(finding.reason.text().contains("put the part back") && finding.longer_by.is_none());
    let back = |count| {
        judge(
            &Trial {
                suspect_restored: Some(events(count, 2.0)),
                ..lifted
            },
            &Settings::default(),
        )
    };
    assert_eq!(back(44).unwrap().verdict, Verdict::FollowsThePart);
    assert_eq!(back(0).unwrap().verdict, Verdict::GoneWhenDisturbed);
    assert_eq!(back(20).unwrap().reason, Reason::RestoredUndecided);
    let still = Trial {
        suspect_after: events(38, 2.0),
        ..lifted
    };
    assert_eq!(
        judge(&still, &Settings::default()).unwrap().verdict,
        Verdict::StaysWithThePlace
    );
}

#[test]
fn a_disturbed_joint_that_keeps_quiet_is_suspected_once_the_quiet_is_long_enough() {
    let after = |hours| Trial {
        alteration: Alteration::Disturbed,
        suspect_before: events(6, 1.0),
        healthy_before: None,
        suspect_after: events(0, hours),
        other_after: None,
        suspect_restored: None,
    };
    let short = judge(&after(0.5), &Settings::default()).unwrap();
    assert_eq!(
        (short.verdict, short.reason),
        (Verdict::CannotSay, Reason::SuspectUndecided)
    );
    // Six events in an hour and none in t: the chance is (1/(1 + t/2))⁶ ≤ 2.5 % from t = 1.70 h on.
    let factor = short.longer_by.expect("a longer run would do");
    assert!((3.4..=4.0).contains(&factor), "{factor}");
    assert_eq!(
        judge(&after(0.5 * factor), &Settings::default()).unwrap().verdict,
        Verdict::GoneWhenDisturbed
    );
    assert_eq!(
        judge(&after(1.69), &Settings::default()).unwrap().verdict,
        Verdict::CannotSay
    );
    assert_eq!(
        judge(&after(1.71), &Settings::default()).unwrap().verdict,
        Verdict::GoneWhenDisturbed
    );
}

#[test]
fn what_cannot_be_judged_is_refused_by_name() {
    let level = Evidence::Level {
        value: 0.2,
        standard_uncertainty: 0.01,
        degrees_of_freedom: None,
    };
    let trial = Trial {
        alteration: Alteration::Swapped,
        suspect_before: level,
        healthy_before: Some(level),
        suspect_after: level,
        other_after: None,
        suspect_restored: None,
    };
    let refused = |trial: &Trial| judge(trial, &Settings::default()).unwrap_err().to_string();
    assert!(refused(&trial).contains("other place"));
    assert!(
        refused(&Trial {
            healthy_before: None,
            other_after: Some(level),
            ..trial
        })
        .contains("healthy")
    );
    assert!(
        refused(&Trial {
            suspect_after: events(1, 1.0),
            ..trial
        })
        .contains("same kind")
    );
    assert!(
        refused(&Trial {
            suspect_after: events(1, 0.0),
            ..trial
        })
        .contains("exposure")
    );
    let settings = Settings {
        error_rate: 5.0,
        ..Settings::default()
    };
    assert!(judge(&trial, &settings).unwrap_err().to_string().contains("0.05"));
    // Two like places and a margin: no symptom, however small the uncertainty.
    let twin = Trial {
        other_after: Some(level),
        ..trial
    };
    assert_eq!(
        judge(&twin, &Settings::default()).unwrap().reason,
        Reason::NoSymptomBefore
    );
}

proptest! {
    #[test]
    fn the_verdict_does_not_depend_on_the_unit_or_the_sign(
        shares in (0.0..1.2_f64, 0.0..1.2_f64), size in 0.05..0.5_f64, scale in prop::sample::select(vec![1e-3, 1.0, 1e3, -1.0]),
    ) {
        let trial = |scale: f64| {
            let level = |share: f64| Evidence::Level {
                value: scale * (0.2 + size * share), standard_uncertainty: (scale * 0.01).abs(), degrees_of_freedom: Some(20.0),
            };
            Trial {
                alteration: Alteration::Swapped, suspect_before: level(1.0), healthy_before: Some(level(0.0)),
                suspect_after: level(shares.0), other_after: Some(level(shares.1)), suspect_restored: None,
            }
        };
        let one = judge(&trial(1.0), &Settings::default()).unwrap();
        let other = judge(&trial(scale), &Settings::default()).unwrap();
        prop_assert_eq!(one.verdict, other.verdict);
        for standing in [one.suspect, one.other].into_iter().flatten() {
            prop_assert!(standing.share.contains(standing.share.value));
        }
        // A larger allowed error rate never takes a verdict away.
        let bold = judge(&trial(1.0), &Settings { error_rate: 0.2, ..Settings::default() }).unwrap();
        prop_assert!(one.verdict == Verdict::CannotSay || bold.verdict == one.verdict);
    }
}
