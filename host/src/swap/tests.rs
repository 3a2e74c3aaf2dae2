use super::*;

fn level(value: f64) -> Evidence {
    Evidence::Level {
        value,
        standard_uncertainty: 0.001,
        degrees_of_freedom: Some(50.0),
    }
}

fn told(kind: &str, trial: Trial) -> String {
    let file = format!("number,utc,event,kind,what,why\n3,2026-11-25T13:00:00Z,made,{kind},Q4 and Q8,\n");
    let alteration = Alterations::read(&file).made.remove(0);
    let question = Question::default();
    let (settings, assumptions) = settings(&question, &trial);
    page(&Answer {
        alteration,
        suspect_channel: 2,
        runs: Runs {
            before: "0001-twins".to_owned(),
            after: "0002-twins".to_owned(),
            restored: trial.suspect_restored.map(|_| "0003-twins".to_owned()),
        },
        finding: judge(&trial, &settings).unwrap(),
        trial,
        settings,
        assumptions,
    })
}

/// The motor-driver chips of the two stages changed places: 310 mA against 180 mA before.
#[test]
fn every_word_of_a_swap_is_reached_with_its_figures() {
    for (suspect_a, other_a, word) in [
        (0.181, 0.309, "follows the part"),
        (0.309, 0.181, "stays with the place"),
        (0.181, 0.180, "gone when disturbed, suspect a joint"),
        (0.245, 0.245, "cannot say"),
    ] {
        let page = told(
            "swapped-part",
            Trial {
                alteration: Work::Swapped,
                suspect_before: level(0.310),
                healthy_before: Some(level(0.180)),
                suspect_after: level(suspect_a),
                other_after: Some(level(other_a)),
                suspect_restored: None,
            },
        );
        assert!(
            page.starts_with(&format!("3 swapped-part, Q4 and Q8: {word}\n")),
            "{page}"
        );
        assert!(page.contains("310.0 mA ± 1.0 mA (u)"), "{page}");
        assert!(page.contains("from run to run is taken as 1 %"), "{page}");
    }
}

#[test]
fn a_lift_accuses_nothing_before_it_is_put_back() {
    let lifted = |restored: Option<f64>| {
        told(
            "lifted-leg",
            Trial {
                alteration: Work::Lifted,
                suspect_before: level(0.310),
                healthy_before: Some(level(0.180)),
                suspect_after: level(0.180),
                other_after: None,
                suspect_restored: restored.map(level),
            },
        )
    };
    assert!(
        lifted(None).contains("cannot say\n  it is gone with the part lifted"),
        "{}",
        lifted(None)
    );
    assert!(lifted(Some(0.310)).contains("follows the part"));
    assert!(lifted(Some(0.180)).contains("gone when disturbed, suspect a joint"));
}

#[test]
fn two_milliamperes_between_stages_are_no_symptom() {
    let page = told(
        "swapped-part",
        Trial {
            alteration: Work::Swapped,
            suspect_before: level(0.182),
            healthy_before: Some(level(0.180)),
            suspect_after: level(0.180),
            other_after: Some(level(0.182)),
            suspect_restored: None,
        },
    );
    assert!(
        page.contains("cannot say\n  before the work the suspect place did not clearly differ"),
        "{page}"
    );
}
