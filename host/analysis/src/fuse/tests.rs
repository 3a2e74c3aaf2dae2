//! Words of whole checks.

use proptest::prelude::*;

use super::*;

fn asked(marking: &str) -> FuseCheck {
    FuseCheck {
        i2t_a2s: Some(Measured {
            value: 1.2,
            low: 1.1,
            high: Some(1.3),
        }),
        running_a: Some(Measured {
            value: 0.55,
            low: 0.54,
            high: Some(0.56),
        }),
        supply_limit_a: Some(20.0),
        switch_ons: 1000,
        ..FuseCheck::new(parse_marking(marking).unwrap())
    }
}

#[test]
fn the_word_depends_on_whose_fuse_it_is() {
    // At 1 A makers' melting values spread from 1.1 to 19.2 A²s (data sheets named in `melting`).
    let with = |marking: &str, series| {
        check(&FuseCheck {
            melting: MeltingSource::Typical(series),
            ..asked(marking)
        })
    };
    let glass = with("T1AL250V", MeltingSeries::Littelfuse213);
    assert_eq!(glass.verdict, FuseVerdict::Carries, "{:?}", glass.reasons);
    let ceramic = with("T1AH250V", MeltingSeries::SchurterSmdSpt);
    assert_eq!(
        ceramic.verdict,
        FuseVerdict::OpensOnSwitchOn,
        "{:?}",
        ceramic.reasons
    );
    let between = with("T1AH250V", MeltingSeries::Bel5Ht);
    assert_eq!(between.verdict, FuseVerdict::CannotSay);
    let text = between.reasons.join("\n");
    assert!(text.contains("48 %") && text.contains("Bel 5HT"), "{text}");
}

#[test]
fn gates_alone_leave_a_span() {
    // Sheet 3 at 10 In: 20 to 300 ms, so 2 to 30 A²s for 1 A.
    let finding = check(&asked("T1AL250V"));
    let melting = finding.melting.unwrap();
    assert!((melting.low_a2s.unwrap() - 2.0).abs() < 1e-9 && (melting.high_a2s.unwrap() - 30.0).abs() < 1e-9);
    assert_eq!(finding.verdict, FuseVerdict::CannotSay);
    let quick = check(&asked("F1AH250V"));
    assert_eq!(quick.melting.unwrap().low_a2s, None);
}

#[test]
fn a_supply_that_limits_below_the_gates_never_opens_its_fuse() {
    let weak = |limit| {
        check(&FuseCheck {
            supply_limit_a: Some(limit),
            melting: MeltingSource::Typical(MeltingSeries::Littelfuse213),
            ..asked("T2AL250V")
        })
        .verdict
    };
    assert_eq!(weak(3.0), FuseVerdict::TooLarge);
    // 2.1 times: two minutes are allowed; 2.75 times: ten seconds.
    assert_eq!(weak(4.5), FuseVerdict::TooLarge);
    assert_eq!(weak(5.6), FuseVerdict::Carries);
}

#[test]
fn a_fuse_above_the_marked_one_is_wrong() {
    let finding = check(&FuseCheck {
        marked: Some(parse_marking("T1AL").unwrap()),
        ..asked("T2AL250V")
    });
    assert_eq!(finding.verdict, FuseVerdict::TooLarge);
    assert!(finding.reasons.join("\n").contains("this fuse is wrong"));
}

#[test]
fn a_running_current_above_the_rating_is_too_much_and_heat_makes_it_so_sooner() {
    let hot = |ambient_c| {
        check(&FuseCheck {
            running_a: Some(Measured::exactly(1.5)),
            melting: MeltingSource::Typical(MeltingSeries::Littelfuse213),
            ambient_c,
            ..asked("T1.6AL250V")
        })
        .verdict
    };
    assert_eq!(hot(25.0), FuseVerdict::Carries);
    assert_eq!(hot(60.0), FuseVerdict::TooSmall);
}

#[test]
fn a_long_overload_is_judged_by_the_gates() {
    // Six times the rating for one second: sheet 3 has it open within 3 s at 4 times only, sheet 2 within 0.3 s.
    let long = |marking: &str| {
        check(&FuseCheck {
            i2t_a2s: Some(Measured::exactly(36.0)),
            pulse_s: Some(1.0),
            ..asked(marking)
        })
    };
    assert_eq!(long("F1AL250V").verdict, FuseVerdict::OpensOnSwitchOn);
    assert!(long("F1AL250V").reasons.join("\n").contains("within 0.3 s"));
}

#[test]
fn a_fuse_that_can_not_interrupt_the_supply_is_said_to() {
    let finding = check(&FuseCheck {
        supply_limit_a: Some(100.0),
        ..asked("T1AL250V")
    });
    assert!(finding.reasons.join("\n").contains("marked H"));
}

#[test]
fn the_marks_of_the_gates_are_carried_into_the_finding() {
    let text = check(&asked("F0.05AL")).assumptions.join("\n");
    assert!(text.contains("from memory"), "{text}");
    let text = check(&asked("T1AL")).assumptions.join("\n");
    assert!(text.contains("verified second-hand"), "{text}");
}

fn kindness(verdict: FuseVerdict) -> u8 {
    match verdict {
        FuseVerdict::Carries => 2,
        FuseVerdict::CannotSay => 1,
        _ => 0,
    }
}

proptest! {
    #[test]
    fn a_larger_pulse_never_gets_a_kinder_word(small in 1e-3..50.0_f64, more in 1.0..20.0_f64) {
        let with = |i2t: f64| {
            check(&FuseCheck {
                i2t_a2s: Some(Measured::exactly(i2t)),
                melting: MeltingSource::Typical(MeltingSeries::Bel5Ht),
                ..asked("T1.6AH")
            })
            .verdict
        };
        prop_assert!(kindness(with(small * more)) <= kindness(with(small)));
    }

    #[test]
    fn no_number_makes_it_panic(
        i2t in proptest::num::f64::ANY, running in proptest::num::f64::ANY, limit in proptest::num::f64::ANY,
        pulse in proptest::num::f64::ANY, rating in proptest::num::f64::ANY, switch_ons in any::<u64>(),
    ) {
        let mut input = asked("T1AL");
        input.fuse.rating_a = rating;
        input.i2t_a2s = Some(Measured::exactly(i2t));
        input.running_a = Some(Measured::exactly(running));
        input.supply_limit_a = Some(limit);
        input.pulse_s = Some(pulse);
        input.switch_ons = switch_ons;
        let finding = check(&input);
        let unknown = i2t.is_nan() || running.is_nan() || limit.is_nan();
        prop_assert!(!(unknown && finding.verdict == FuseVerdict::Carries));
    }
}
