use proptest::prelude::*;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::*;

fn level(mean_a: f64, standard_uncertainty_a: f64) -> SteadyLevel {
    SteadyLevel {
        channel: 1,
        mean_a,
        standard_uncertainty_a,
        degrees_of_freedom: Some(30.0),
        instrument_uncertainty_a: Some(0.001),
        rail_v: Some(24.0),
    }
}

fn run(instrument: &str, level: SteadyLevel) -> SteadyRun {
    SteadyRun {
        instrument: instrument.into(),
        channels: vec![level],
    }
}

fn compared(reference: &SteadyReference, run: &SteadyRun) -> ChannelSteadyLikeness {
    let mut likeness = reference.compare(run, &SteadyTolerance::default()).unwrap();
    likeness.channels.remove(0)
}

/// A unit that lies exactly on the edge of what matters is called neither as good nor different more often than the
/// tests' levels say: 5 % and 2.5 % of the time.
#[test]
fn on_the_edge_neither_word_comes_too_often() {
    let mut random = ChaCha8Rng::seed_from_u64(20_261_125);
    // The sum of twelve uniform deviates has a variance of 1 and is near enough to normal here.
    let mut noise = || 0.000_4 * ((0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0);
    let (mut as_good, mut differs) = (0, 0);
    let trials = 4000;
    for _ in 0..trials {
        let kept = 0.200 + noise();
        let reference = SteadyReference {
            runs: vec![run(
                "a",
                SteadyLevel {
                    degrees_of_freedom: None,
                    ..level(kept, 0.000_4)
                },
            )],
        };
        // The margin is a tenth of the kept run's mean as it was found; the edge moves with it by as little.
        let found = 0.220 + noise();
        let told = compared(
            &reference,
            &run(
                "a",
                SteadyLevel {
                    degrees_of_freedom: None,
                    ..level(found, 0.000_4)
                },
            ),
        );
        as_good += u32::from(told.verdict == LikenessVerdict::AsGood);
        differs += u32::from(told.verdict == LikenessVerdict::Differs);
    }
    let share = |count: u32| f64::from(count) / f64::from(trials);
    assert!((0.02..0.08).contains(&share(as_good)), "{as_good}");
    assert!((0.005..0.05).contains(&share(differs)), "{differs}");
}

#[test]
fn another_instrument_widens_the_interval_and_the_same_cancels() {
    let reference = SteadyReference {
        runs: vec![run("board 1", level(0.200, 0.000_1))],
    };
    let same = compared(&reference, &run("board 1", level(0.219, 0.000_1)));
    assert_eq!(same.verdict, LikenessVerdict::AsGood, "{same:?}");
    let other = compared(&reference, &run("board 2", level(0.219, 0.000_1)));
    assert_eq!(other.verdict, LikenessVerdict::NotEnoughData, "{other:?}");
    let half_width = other.difference_a.unwrap().half_width();
    // Two instruments of 1 mA each: 1.96 times their root sum of squares, and a trace of the means' own.
    assert!(
        (half_width / (1.96 * 2.0_f64.sqrt() * 1e-3) - 1.0).abs() < 0.03,
        "{half_width}"
    );
}

#[test]
fn currents_on_different_rails_are_not_compared() {
    let reference = SteadyReference {
        runs: vec![run("a", level(0.200, 0.000_1))],
    };
    let low = SteadyLevel {
        rail_v: Some(22.0),
        ..level(0.300, 0.000_1)
    };
    let told = compared(&reference, &run("a", low));
    assert_eq!(told.verdict, LikenessVerdict::NotEnoughData);
    assert!(told.reason.contains("22.00 V"), "{}", told.reason);
    let unknown = SteadyLevel {
        rail_v: None,
        ..level(0.300, 0.000_1)
    };
    assert_eq!(
        compared(&reference, &run("a", unknown)).verdict,
        LikenessVerdict::Differs
    );
}

#[test]
fn a_channel_without_a_level_is_not_enough() {
    let reference = SteadyReference {
        runs: vec![run("a", level(0.200, 0.000_1))],
    };
    let none = SteadyRun {
        instrument: "a".into(),
        channels: Vec::new(),
    };
    assert_eq!(
        compared(&reference, &none).verdict,
        LikenessVerdict::NotEnoughData
    );
}

proptest! {
    /// A further good run never turns "as good" into "differs".
    #[test]
    fn a_further_good_run_only_widens(found in 0.05..0.4_f64, first in 0.1..0.3_f64, second in 0.1..0.3_f64) {
        let one = SteadyReference { runs: vec![run("a", level(first, 1e-4))] };
        let two = SteadyReference { runs: vec![run("a", level(first, 1e-4)), run("a", level(second, 1e-4))] };
        let this = run("a", level(found, 1e-4));
        let (one, two) = (compared(&one, &this), compared(&two, &this));
        prop_assert!(two.accepted_a.low <= one.accepted_a.low && two.accepted_a.high >= one.accepted_a.high);
        if one.verdict == LikenessVerdict::AsGood {
            prop_assert_eq!(two.verdict, LikenessVerdict::AsGood);
        }
    }
}
