use std::time::Duration;

use steadybench_protocol::{Channel, MarkEdge};
use steadybench_virtual::Scenario;
use steadybench_virtual::model::Bench;
use steadybench_virtual::model::joint::{JointEventKind, OPENING_S};

use crate::host::{Host, ms};

/// A press and a release, each stamped with its first edge although the contact bounces: within 2 ms by the issue,
/// within a microsecond here.
#[test]
fn a_press_is_a_mark_at_its_first_edge() {
    let mut host = Host::started(&Scenario::greenhouse(), 1);
    let presses: Vec<Duration> = (0..40).map(|k| ms(1_000 + 437 * k)).collect();
    for press in &presses {
        host.board.press_foot_switch(*press);
    }
    host.run(Duration::from_secs(20));
    let marks = host.marks();
    assert_eq!(marks.len(), 2 * presses.len());
    for (pair, press) in marks.chunks(2).zip(&presses) {
        assert_eq!(
            pair.iter().map(|mark| mark.edge).collect::<Vec<_>>(),
            [MarkEdge::Pressed, MarkEdge::Released]
        );
        assert_eq!(pair[0].time, host.board.board_time(*press));
        assert_eq!(pair[1].time, host.board.board_time(*press + ms(150)));
    }
    let numbers: Vec<u32> = marks.iter().map(|mark| mark.number).collect();
    assert_eq!(numbers, (0..marks.len() as u32).collect::<Vec<_>>());
}

#[test]
fn an_unknown_place_is_refused_with_the_places_there_are() {
    let mut host = Host::new(&Scenario::greenhouse(), 1);
    let error = host.board.tap("stage 3 bridge", ms(0)).unwrap_err().to_string();
    assert!(
        error.contains("stage 3 bridge") && error.contains("stage 2 bridge"),
        "{error}"
    );
}

fn tapped(place: usize, taps: u32) -> Bench {
    let mut bench = Bench::new(Scenario::greenhouse().unit, 21);
    bench.keep_history(f64::from(taps) * 20.0);
    bench.switch_supply(true, 0.0);
    bench.drive_relay(true, 0.0);
    for tap in 0..taps {
        bench.tap(place, 5.0 + f64::from(tap) * 15.0);
    }
    bench.advance(f64::from(taps) * 15.0 + 20.0);
    bench
}

/// Hits of taps follow the place's probability: within four standard deviations of the binomial.
#[test]
fn each_place_has_its_hit_probability() {
    for (place, p) in [(4_usize, 0.75), (3, 0.1), (2, 0.0)] {
        let bench = tapped(place, 400);
        let hits = bench.truth().taps.iter().filter(|tap| tap.hit).count() as f64;
        let spread = 4.0 * (400.0_f64 * p * (1.0 - p)).sqrt();
        assert!((hits - 400.0 * p).abs() <= spread, "{place}: {hits}");
        assert_eq!(bench.truth().joint.len(), hits as usize);
    }
}

/// What the truth says the joint did is what the current did: the draw is gone while it is open, channel 1 hardly
/// notices, and every opening has a length the model promises.
#[test]
fn an_open_joint_takes_the_draw_away() {
    let bench = tapped(4, 200);
    let mut kinds = [0; 3];
    for event in &bench.truth().joint {
        kinds[event.kind as usize] += 1;
        assert!(event.tap.is_some());
        for (from_s, to_s) in &event.openings {
            let length_s = to_s - from_s;
            assert!(length_s > 0.0);
            if event.kind != JointEventKind::Latched {
                assert!(
                    (OPENING_S.0 * 0.999..=OPENING_S.1 * 1.001).contains(&length_s),
                    "{length_s}"
                );
            }
            // The reservoir hides the first millisecond and a half: five of its time constants.
            if length_s > 3e-3 && event.kind == JointEventKind::Dropout {
                let before_a = bench.current_a(Channel::Two, from_s - 1e-3, *from_s).unwrap();
                let open_a = bench.current_a(Channel::Two, to_s - 1e-3, *to_s).unwrap();
                let share = open_a / before_a;
                assert!(
                    (share - event.share_left).abs() < 0.1,
                    "{share} {}",
                    event.share_left
                );
                let twin_before_a = bench.current_a(Channel::One, from_s - 1e-3, *from_s).unwrap();
                let twin_a = bench.current_a(Channel::One, to_s - 1e-3, *to_s).unwrap();
                assert!(
                    (twin_a - twin_before_a).abs() < 0.1 * (before_a - open_a).abs(),
                    "{twin_a} {twin_before_a}"
                );
            }
        }
    }
    assert!(kinds.iter().all(|count| *count > 5), "{kinds:?}");
}

#[test]
fn the_person_goes_through_the_places_with_a_foot_on_the_switch() {
    let scenario: Scenario = "greenhouse-cracked-joint".parse().unwrap();
    let mut host = Host::started(&scenario, 3);
    host.run(Duration::from_secs(130));
    let taps = host.board.with_bench(|bench| bench.truth().taps.clone());
    assert!((28..=31).contains(&taps.len()), "{}", taps.len());
    for (turn, tap) in taps.iter().enumerate() {
        assert_eq!(tap.place, turn % 6);
    }
    let presses: Vec<f64> = host
        .marks()
        .into_iter()
        .filter(|mark| mark.edge == MarkEdge::Pressed)
        .map(|mark| host.board.bench_time(mark.time).as_secs_f64())
        .collect();
    let marked = taps
        .iter()
        .filter(|tap| presses.iter().any(|press_s| (press_s - tap.at_s).abs() < 0.1))
        .count();
    assert_eq!(marked, presses.len());
    assert!(marked * 10 >= taps.len() * 8, "{marked} of {}", taps.len());
}
