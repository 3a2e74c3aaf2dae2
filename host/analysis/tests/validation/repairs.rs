//! Page of swap and lift: how often a simulated repair of known truth is judged wrong.

// What does not parse, or is refused, must fail the test.
#![allow(clippy::unwrap_used)]

use super::page::{PUBLISHED, Row, keep, page_of, row, said};
use super::random::Random;
use steadybench_analysis::swap::{Alteration, Evidence, Settings, Trial, Verdict, judge};

/// What was wrong, the share of the symptom the suspect and the other place show after a swap, and the right word.
const TRUTHS: [(&str, [f64; 2], Verdict); 4] = [
    ("fault in the part", [0.0, 1.0], Verdict::FollowsThePart),
    ("fault in the place", [1.0, 0.0], Verdict::StaysWithThePlace),
    (
        "a joint mended by the work",
        [0.0, 0.0],
        Verdict::GoneWhenDisturbed,
    ),
    (
        "half in the part, half in the place",
        [0.5, 0.5],
        Verdict::CannotSay,
    ),
];

/// Events of a Poisson process, by the product of uniform numbers.
fn poisson(expected: f64, random: &mut Random) -> u64 {
    let (least, mut product, mut count) = ((-expected).exp(), random.uniform(), 0);
    while product > least {
        product *= random.uniform();
        count += 1;
    }
    count
}

/// A swap judged after `evidence` of the share of the symptom that a place shows.
fn swapped(shares: [f64; 2], settings: &Settings, mut evidence: impl FnMut(f64) -> Evidence) -> Verdict {
    let trial = Trial {
        alteration: Alteration::Swapped,
        suspect_before: evidence(1.0),
        healthy_before: Some(evidence(0.0)),
        suspect_after: evidence(shares[0]),
        other_after: Some(evidence(shares[1])),
        suspect_restored: None,
    };
    judge(&trial, settings).unwrap().verdict
}

/// Levels whose uncertainty, 6 mA, is itself known from ten batches, and that scatter from run to run.
fn levels(shares: [f64; 2], size_a: f64, repeatability: f64, random: &mut Random) -> Verdict {
    let settings = Settings {
        repeatability,
        ..Settings::default()
    };
    swapped(shares, &settings, |share| {
        let variance = (0..9).map(|_| random.normal().powi(2)).sum::<f64>() / 9.0;
        Evidence::Level {
            value: 0.2 + size_a * share + 0.006 * random.normal() + repeatability * random.normal(),
            standard_uncertainty: 0.006 * variance.sqrt(),
            degrees_of_freedom: Some(9.0),
        }
    })
}

fn events(shares: [f64; 2], expected: f64, random: &mut Random) -> Verdict {
    swapped(shares, &Settings::default(), |share| Evidence::Events {
        count: poisson(expected * (0.05 + 0.95 * share), random),
        exposure: 1.0,
    })
}

fn tally(what: &str, right: Verdict, mut repair: impl FnMut(&mut Random) -> Verdict) -> Row {
    const REPAIRS: u64 = 300;
    let (mut rights, mut wrongs) = (0, 0);
    for seed in 0..REPAIRS {
        let verdict = repair(&mut Random(seed));
        if verdict == right {
            rights += 1;
        } else if verdict != Verdict::CannotSay {
            wrongs += 1;
        }
    }
    // The stated 5 %, and three standard deviations of so many repairs.
    assert!(wrongs as f64 <= 0.088 * REPAIRS as f64, "{what}: {wrongs}");
    said(
        what,
        &REPAIRS.to_string(),
        &wrongs.to_string(),
        &format!("{rights}; {}", REPAIRS - rights - wrongs),
    )
}

fn simulated() -> Vec<Row> {
    let mut rows = Vec::new();
    for (name, shares, right) in TRUTHS {
        for (size_a, repeatability) in [(0.02, 0.0), (0.15, 0.01)] {
            let what = format!(
                "{name}: levels, symptom {:.0} mA, {:.0} mA from run to run",
                1e3 * size_a,
                1e3 * repeatability
            );
            rows.push(tally(&what, right, |random| {
                levels(shares, size_a, repeatability, random)
            }));
        }
        // A count of events between sick and healthy cannot be told from a burst less; levels show that case.
        if right != Verdict::CannotSay {
            for expected in [10.0, 60.0] {
                let what = format!("{name}: events, {expected} in a run");
                rows.push(tally(&what, right, |random| events(shares, expected, random)));
            }
        }
    }
    rows.push(tally("nothing wrong: levels", Verdict::CannotSay, |random| {
        levels([0.0; 2], 0.0, 0.005, random)
    }));
    rows
}

/// Hours of quiet after which a joint that brought six events in an hour before it was disturbed is suspected, by halving.
fn quiet_hours() -> f64 {
    let suspected = |hours| {
        let events = |count, exposure| Evidence::Events { count, exposure };
        let trial = Trial {
            alteration: Alteration::Disturbed,
            suspect_before: events(6, 1.0),
            healthy_before: None,
            suspect_after: events(0, hours),
            other_after: None,
            suspect_restored: None,
        };
        judge(&trial, &Settings::default()).unwrap().verdict == Verdict::GoneWhenDisturbed
    };
    let (mut low, mut high) = (0.1, 10.0);
    assert!(!suspected(low) && suspected(high));
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if suspected(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    high
}

#[test]
fn swap_and_lift() {
    let closed = 2.0 * (0.025_f64.powf(-1.0 / 6.0) - 1.0);
    let form = "Closed form, no published value: six events in an hour before, none in t hours after; the whole interval \
                lies below half the rate once (1 + t/2)⁻⁶ is 2.5 %";
    let words = "Simulated, no published value: seeded repairs of known truth at the default 5 %. A healthy place has a \
                 twentieth of the suspect's events";
    let columns = ["repairs", "wrong word", "right word; cannot say"];
    keep(
        "swap",
        &page_of(
            &[
                (words, columns, &simulated()),
                (
                    form,
                    ["closed form", PUBLISHED[1], PUBLISHED[2]],
                    &[row("hours of quiet", closed, quiet_hours(), 6)],
                ),
            ],
            &[],
        ),
    );
}
