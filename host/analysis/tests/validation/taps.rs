//! Page of tap and flex: the exact probabilities it stands on, and how often an innocent place is accused.

// What does not parse, or is refused, must fail the test.
#![allow(clippy::unwrap_used)]

use super::common::{json, number};
use super::page::{PUBLISHED, Row, keep, page_of, row, said};
use super::random::Random;
use steadybench_analysis::sample::{Mark, MarkKind};
use steadybench_analysis::statistics::clopper_pearson;
use steadybench_analysis::tap::{Attribution, TapSettings};

fn tap(attribution: &mut Attribution, place: u64, time_s: f64) {
    attribution.mark(&Mark {
        time_s,
        kind: MarkKind::Tap,
        label: format!("place {place}"),
    });
}

/// Taps without an answer that clear a joint, as the examination says it of a place with a single tap.
fn taps_to_clear(assumed_hit_probability: f64) -> u64 {
    let mut attribution = Attribution::new(TapSettings {
        assumed_hit_probability,
        ..TapSettings::default()
    });
    tap(&mut attribution, 0, 10.0);
    let found = attribution.attribute(&[], (0.0, 20.0), 0.0);
    1 + found.places[0].more_taps_to_clear.unwrap()
}

/// The chance that the examination gives six hits of eight taps, were the place innocent, with two events elsewhere in as
/// much time as the windows take: Przyborowski and Wilenski's comparison of rates is a sign test then.
fn six_hits_in_equal_times() -> f64 {
    let settings = TapSettings::default();
    let window_s = settings.window_before_s + settings.window_after_s;
    let mut attribution = Attribution::new(settings);
    for number in 0..8 {
        tap(&mut attribution, 0, 1.0 + 2.0 * window_s * f64::from(number));
    }
    // Six begin at their mark; two beside it, between two windows.
    let onset_s = |number: u32, late_s: f64| 1.0 + 2.0 * window_s * f64::from(number) + late_s;
    let mut onsets_s: Vec<f64> = (0..6).map(|number| onset_s(number, 0.0)).collect();
    onsets_s.extend([onset_s(6, window_s), onset_s(7, window_s)]);
    let begin_s = 0.8;
    let found = attribution.attribute(&onsets_s, (begin_s, begin_s + 16.0 * window_s), 0.0);
    let place = &found.places[0];
    assert_eq!((place.taps, place.hits, found.background_events), (8, 6, 2));
    place.p_value
}

fn exact() -> Vec<Row> {
    let count = |what: &str, published: u64, ours: u64| {
        let difference = ours as i64 - published as i64;
        said(
            what,
            &published.to_string(),
            &ours.to_string(),
            &difference.to_string(),
        )
    };
    let mut rows = vec![
        count(
            "Hanley and Lippman-Hand, *JAMA* 249 (1983) 1743: tries without an event that exclude 5 %",
            59,
            taps_to_clear(0.05),
        ),
        count("the same, 10 %", 29, taps_to_clear(0.10)),
        row(
            "sign test: six or more heads in eight throws (37/256)",
            37.0 / 256.0,
            six_hits_in_equal_times(),
            6,
        ),
    ];
    let reference = json(include_str!("../data/reference.json"));
    for case in reference["counts"]["binomial"].as_array().unwrap() {
        let [hits, tries] = ["hits", "tries"].map(|field| case[field].as_u64().unwrap());
        if tries > 60 {
            continue;
        }
        let ours = clopper_pearson(hits, tries, 0.95).unwrap();
        let what = format!("Clopper and Pearson by scipy 1.17.1: {hits} hits of {tries}, 95 %");
        rows.push(row(&format!("{what}, low"), number(&case["low"]), ours.low, 6));
        rows.push(row(&format!("{what}, high"), number(&case["high"]), ours.high, 6));
    }
    rows
}

/// Places accused in a run of six places, place 0 of which answers a tap with probability `hit` and the others with
/// `felt`, while events come by themselves at `background_per_s`.
fn accused(seed: u64, hit: f64, felt: f64, background_per_s: f64) -> (bool, bool) {
    const PLACES: u64 = 6;
    let mut random = Random(seed);
    let mut attribution = Attribution::new(TapSettings::default());
    let (mut time_s, mut onsets_s) = (5.0, Vec::new());
    for round in 0..2 * PLACES {
        let place = (round * 7 + seed) % PLACES;
        for _ in 0..5 + (4.0 * random.uniform()) as u64 {
            tap(&mut attribution, place, time_s + 0.2 * (random.uniform() - 0.5));
            if random.uniform() < if place == 0 { hit } else { felt } {
                onsets_s.push(time_s + 0.1 * random.uniform());
            }
            time_s += 0.8 + 1.8 * random.uniform();
        }
        time_s += 3.0;
    }
    let mut at = 0.0;
    loop {
        at -= random.uniform().max(1e-12).ln() / background_per_s;
        if at >= time_s {
            break;
        }
        onsets_s.push(at);
    }
    onsets_s.sort_by(f64::total_cmp);
    let found = attribution.attribute(&onsets_s, (0.0, time_s), 0.0);
    let bad = |label: &str| label == "place 0";
    let accused = || found.places.iter().filter(|place| place.accused);
    (
        accused().any(|place| bad(&place.label)),
        accused().any(|place| !bad(&place.label)),
    )
}

fn simulated() -> Vec<Row> {
    const RUNS: u64 = 200;
    [
        ("no bad joint, an event in 90 s", 0.0, 0.0, 1.0 / 90.0),
        ("no bad joint, an event in 5 s", 0.0, 0.0, 0.2),
        (
            "no bad joint, a blow anywhere shows in three of ten",
            0.3,
            0.3,
            0.01,
        ),
        ("a joint that answers one tap of four", 0.25, 0.0, 1.0 / 90.0),
        ("a joint that answers one tap of two", 0.5, 0.01, 1.0 / 90.0),
    ]
    .into_iter()
    .map(|(what, hit, felt, background_per_s)| {
        let runs: Vec<(bool, bool)> = (0..RUNS)
            .map(|seed| accused(seed, hit, felt, background_per_s))
            .collect();
        let is_bad = hit > felt;
        let wrong = runs
            .iter()
            .filter(|(bad, others)| *others || (*bad && !is_bad))
            .count();
        let named = runs.iter().filter(|(bad, _)| *bad).count();
        assert!(20 * wrong as u64 <= RUNS, "{what}: {wrong}");
        let named = if is_bad {
            named.to_string()
        } else {
            "none to name".to_owned()
        };
        said(what, &RUNS.to_string(), &wrong.to_string(), &named)
    })
    .collect()
}

#[test]
fn tap_and_flex() {
    let words = "Simulated, no published value: seeded runs of six places with two rounds of five to eight taps each. \
                 Promised is a healthy place accused in at most 5 % of runs";
    let columns = ["runs", "a healthy place accused", "the bad joint named"];
    keep(
        "tap",
        &page_of(
            &[
                (
                    "The exact probabilities, as the examination gives them; a hit probability's interval is that of Clopper and Pearson",
                    PUBLISHED,
                    &exact(),
                ),
                (words, columns, &simulated()),
            ],
            &[],
        ),
    );
}
