//! Attribution with simulated taps and events; no readings.

use super::{Attribution, PlaceVerdict, TapSettings};
use crate::sample::{Mark, MarkKind};

/// SplitMix64 (Steele, Lea and Flood 2014), for repeatable simulations.
struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
}

struct Run {
    attribution: Attribution,
    onsets_s: Vec<f64>,
    length_s: f64,
}

/// A run of taps at `places` places; place 0 answers with probability `hit`; every tap anywhere with `felt`.
fn run(seed: u64, places: usize, hit: f64, felt: f64, background_per_s: f64) -> Run {
    let mut random = Random(seed);
    let mut attribution = Attribution::new(TapSettings::default());
    let (mut time_s, mut onsets_s) = (5.0, Vec::new());
    for round in 0..2 * places {
        let place = (round * 7 + seed as usize) % places;
        for _ in 0..5 + (random.uniform() * 4.0) as usize {
            let mark_s = time_s + 0.2 * (random.uniform() - 0.5);
            attribution.mark(&Mark {
                time_s: mark_s,
                kind: MarkKind::Tap,
                label: format!("place {place}"),
            });
            let chance = if place == 0 { hit.max(felt) } else { felt };
            if random.uniform() < chance {
                onsets_s.push(time_s + 0.1 * random.uniform());
            }
            time_s += 0.8 + 1.8 * random.uniform();
        }
        time_s += 3.0;
    }
    let mut wait_s = || -random.uniform().max(1e-12).ln() / background_per_s.max(1e-9);
    let mut at = wait_s();
    while at < time_s {
        onsets_s.push(at);
        at += wait_s();
    }
    onsets_s.sort_by(f64::total_cmp);
    Run {
        attribution,
        onsets_s,
        length_s: time_s,
    }
}

fn accused(run: &Run) -> Vec<String> {
    let found = run.attribution.attribute(&run.onsets_s, (0.0, run.length_s), 0.0);
    found
        .places
        .into_iter()
        .filter(|place| place.accused)
        .map(|place| place.label)
        .collect()
}

/// The promise of the whole examination: at most one run in twenty without a bad joint accuses a place.
#[test]
fn innocent_runs_seldom_accuse() {
    for (felt, background_per_s) in [
        (0.0, 1.0 / 30.0),
        (0.0, 1.0 / 90.0),
        (0.0, 0.2),
        (0.05, 1.0 / 60.0),
        (0.3, 0.01),
    ] {
        let runs = 600;
        let wrong = (0..runs)
            .filter(|&seed| !accused(&run(seed, 6, felt, felt, background_per_s)).is_empty())
            .count();
        assert!(
            wrong as f64 <= 0.05 * runs as f64,
            "{wrong} of {runs} at felt {felt}, background {background_per_s}"
        );
    }
}

#[test]
fn a_bad_joint_is_named_and_only_that_one() {
    let runs = 200;
    let (mut named, mut others) = (0, 0);
    for seed in 0..runs {
        let accused = accused(&run(seed + 10_000, 6, 0.5, 0.01, 1.0 / 90.0));
        named += usize::from(accused.iter().any(|label| label == "place 0"));
        others += usize::from(accused.iter().any(|label| label != "place 0"));
    }
    assert!(named > 9 * runs as usize / 10, "{named}");
    assert!(others < runs as usize / 20, "{others}");
}

/// Two bad joints of five places, each answering two taps of three, few taps: neither stands out beside the other.
#[test]
fn two_bad_joints_are_named_together() {
    let mut attribution = Attribution::new(TapSettings::default());
    let (mut onsets_s, mut time_s) = (vec![3.0, 400.0], 10.0);
    for place in 0..5 {
        for tap in 0..6 {
            attribution.mark(&Mark {
                time_s,
                kind: MarkKind::Tap,
                label: format!("place {place}"),
            });
            if place < 2 && tap < 4 {
                onsets_s.push(time_s + 0.05);
            }
            time_s += 2.0;
        }
    }
    onsets_s.sort_by(f64::total_cmp);
    let found = attribution.attribute(&onsets_s, (0.0, 420.0), 0.0);
    let accused: Vec<&str> = found
        .places
        .iter()
        .filter(|place| place.accused)
        .map(|place| place.label.as_str())
        .collect();
    assert_eq!(accused.len(), 2, "{found:#?}");
    assert!(accused.contains(&"place 0") && accused.contains(&"place 1"));
}

/// With all of them hits, the place is first and its interval is that of n successes in n trials.
#[test]
fn most_suspect_place_comes_first() {
    let run = run(3, 5, 1.0, 0.0, 0.0);
    let found = run.attribution.attribute(&run.onsets_s, (0.0, run.length_s), 0.0);
    let first = &found.places[0];
    assert_eq!(
        (first.label.as_str(), first.verdict),
        ("place 0", PlaceVerdict::Accused)
    );
    assert_eq!(first.hits, first.taps);
    let lower = 0.025_f64.powf(1.0 / first.taps as f64);
    assert!((first.hit_probability_low - lower).abs() < 1e-6 && first.hit_probability_high == 1.0);
    assert!(
        found.places[1..]
            .iter()
            .all(|place| !place.accused && place.hits == 0)
    );
}

/// ln 0.05 / ln 0.7 = 8.4: nine taps without an answer clear a joint that answers three of ten.
#[test]
fn places_without_a_hit_say_how_many_taps_are_wanting() {
    let mut attribution = Attribution::new(TapSettings::default());
    for (label, taps) in [("few", 4), ("many", 9)] {
        for tap in 0..taps {
            let time_s = f64::from(tap) + if label == "few" { 10.0 } else { 50.5 };
            attribution.mark(&Mark {
                time_s,
                kind: MarkKind::Tap,
                label: label.to_owned(),
            });
        }
    }
    let found = attribution.attribute(&[], (0.0, 100.0), 0.0);
    let place = |label: &str| found.places.iter().find(|place| place.label == label).unwrap();
    assert_eq!(
        (place("few").verdict, place("few").more_taps_to_clear),
        (PlaceVerdict::NotEnoughTaps, Some(5))
    );
    assert_eq!(
        (place("many").verdict, place("many").more_taps_to_clear),
        (PlaceVerdict::Cleared, Some(0))
    );
    assert!((found.background_s - (100.0 - 13.0 * 0.39)).abs() < 1e-9);
}
