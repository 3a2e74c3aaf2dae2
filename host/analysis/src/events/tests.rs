//! Simulated recordings with known events.

use std::f64::consts::TAU;

use proptest::prelude::*;

use super::{Event, EventDetector, EventKind, EventSettings, EventUpdate};
use crate::sample::{Mark, MarkKind, Sample};

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

    /// Box and Muller.
    fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().max(1e-300).ln()).sqrt() * (TAU * self.uniform()).cos()
    }
}

/// Two channels of 0.3 A and 0.25 A with 0.3 mA of white noise each.
fn quiet(seed: u64, rate_hz: f64, seconds: f64) -> Vec<Sample> {
    let mut random = Random(seed);
    (0..(rate_hz * seconds) as usize)
        .map(|index| Sample {
            current_a: [0.3 + 3e-4 * random.normal(), 0.25 + 3e-4 * random.normal()],
            ..Sample::missing_at(index as f64 / rate_hz)
        })
        .collect()
}

fn add(samples: &mut [Sample], channel: usize, from_s: f64, to_s: f64, size_a: f64) {
    for sample in samples
        .iter_mut()
        .filter(|sample| sample.time_s >= from_s && sample.time_s < to_s)
    {
        sample.current_a[channel] += size_a;
    }
}

fn examine(settings: EventSettings, marks: &[Mark], samples: &[Sample]) -> Vec<Event> {
    let mut detector = EventDetector::new(settings);
    for mark in marks {
        detector.mark(mark);
    }
    for sample in samples {
        detector.push(sample);
    }
    detector.finish();
    let mut events: Vec<Event> = Vec::new();
    while let Some(update) = detector.next_update() {
        match update {
            EventUpdate::Found(event) => events.push(event),
            EventUpdate::Revised(event) => {
                let known = events.iter_mut().find(|known| known.id == event.id).unwrap();
                *known = event;
            }
        }
    }
    events
}

fn found(samples: &[Sample]) -> Vec<Event> {
    examine(EventSettings::default(), &[], samples)
}

fn only(events: &[Event]) -> &Event {
    assert_eq!(events.len(), 1, "{events:#?}");
    &events[0]
}

#[test]
fn dropout_spike_step_and_chatter_are_told_apart() {
    for (rate_hz, seed) in [(400.0, 1), (1000.0, 2), (5000.0, 3)] {
        let mut samples = quiet(seed, rate_hz, 16.0);
        add(&mut samples, 0, 6.0, 6.03, -0.1);
        add(&mut samples, 1, 8.0, 8.01, 0.05);
        for tooth in 0..5 {
            let start_s = 10.0 + 0.03 * f64::from(tooth);
            add(&mut samples, 0, start_s, start_s + 0.0125, -0.2);
        }
        add(&mut samples, 1, 12.0, 14.0, -0.02);
        let events = found(&samples);
        let seen: Vec<(u8, EventKind)> = events.iter().map(|event| (event.channel, event.kind)).collect();
        let expected = [
            (1, EventKind::Dropout),
            (2, EventKind::Spike),
            (1, EventKind::Chatter),
            (2, EventKind::Step),
            (2, EventKind::Nuisance),
        ];
        assert_eq!(seen, expected, "at {rate_hz}/s: {events:#?}");
        for (event, (start_s, size_a)) in
            events
                .iter()
                .zip([(6.0, -0.1), (8.0, 0.05), (10.0, -0.2), (12.0, -0.02)])
        {
            assert!((event.start_s - start_s).abs() < 0.005, "{event:?}");
            assert!((event.size_a / size_a - 1.0).abs() < 0.05, "{event:?}");
        }
        assert!((events[0].end_s - 6.03).abs() < 0.005);
        assert!(events[4].reason.contains("goes back"));
    }
}

/// A departure of 1.5 σ over 64 readings is 12 σ of the mean: no single reading shows it.
#[test]
fn long_shallow_dropout_is_found_by_a_long_scale() {
    let mut samples = quiet(4, 1000.0, 40.0);
    add(&mut samples, 0, 30.0, 30.064, -4.5e-4);
    let events = found(&samples);
    let event = only(&events);
    assert_eq!((event.channel, event.kind), (1, EventKind::Dropout));
    assert!(
        (event.start_s - 30.0).abs() < 0.03 && event.size_uncertainty_a < 2e-4,
        "{event:?}"
    );
}

#[test]
fn news_comes_within_fifty_milliseconds_of_the_block_with_the_reading() {
    let mut samples = quiet(5, 1000.0, 12.0);
    add(&mut samples, 0, 9.0, 9.5, -0.1);
    let mut detector = EventDetector::new(EventSettings::default());
    for (sample, index) in samples.iter().zip(1..) {
        detector.push(sample);
        // As a board sends them, twenty at a time.
        if index % 20 == 0 {
            detector.settle();
        }
        if let Some(update) = detector.next_update() {
            assert!(matches!(update, EventUpdate::Found(_)));
            assert!(sample.time_s >= 9.0 && sample.time_s < 9.072, "{}", sample.time_s);
            return;
        }
    }
    panic!("nothing found");
}

#[test]
fn loads_clicks_images_and_commands_are_harmless() {
    let mut samples = quiet(6, 1000.0, 40.0);
    // A load on both rails, in proportion to their currents.
    add(&mut samples, 0, 8.0, 12.0, 0.06);
    add(&mut samples, 1, 8.0, 12.0, 0.045);
    // A click in proportion to the noise.
    add(&mut samples, 0, 16.0, 16.001, 3e-3);
    add(&mut samples, 1, 16.0, 16.001, 2.5e-3);
    // A fault on channel 1 with its image on channel 2.
    add(&mut samples, 0, 20.0, 20.02, -0.2);
    add(&mut samples, 1, 20.0, 20.02, -0.02);
    // Two loads switched by the operator; one mark comes late.
    add(&mut samples, 1, 24.0, 30.0, 0.08);
    let command = |time_s: f64| Mark {
        time_s,
        kind: MarkKind::Command,
        label: "vent heater".to_owned(),
    };
    let marks = [command(24.08), command(29.93)];
    let events = examine(EventSettings::default(), &marks, &samples);
    let faults: Vec<&Event> = events.iter().filter(|event| event.kind.is_fault()).collect();
    assert_eq!(faults.len(), 1, "{events:#?}");
    assert_eq!((faults[0].channel, faults[0].kind), (1, EventKind::Dropout));
    let kinds = |from_s: f64, kind: EventKind| {
        events
            .iter()
            .filter(|event| (event.start_s - from_s).abs() < 0.01 && event.kind == kind)
            .count()
    };
    assert_eq!(kinds(8.0, EventKind::LoadChange), 2);
    assert_eq!(kinds(16.0, EventKind::Nuisance), 2);
    assert_eq!(kinds(20.0, EventKind::Nuisance), 1);
    assert_eq!(
        kinds(24.0, EventKind::LoadChange) + kinds(30.0, EventKind::LoadChange),
        2
    );
}

#[test]
fn a_mark_after_the_fact_revises() {
    let mut samples = quiet(7, 1000.0, 12.0);
    add(&mut samples, 1, 9.0, 12.0, 0.08);
    let mut detector = EventDetector::new(EventSettings::default());
    samples.iter().for_each(|sample| detector.push(sample));
    while let Some(update) = detector.next_update() {
        assert!(update.event().kind.is_fault());
    }
    detector.mark(&Mark {
        time_s: 9.1,
        kind: MarkKind::Command,
        label: "fan".to_owned(),
    });
    let Some(EventUpdate::Revised(event)) = detector.next_update() else {
        panic!("no revision")
    };
    assert_eq!(event.kind, EventKind::LoadChange);
}

/// Ripple of 20 σ whose frequency is off by 0.8 % and wanders, with two harmonics; a motor's on the other channel.
#[test]
fn wandering_ripple_brings_no_events_and_hides_none() {
    let mut samples = quiet(8, 1000.0, 60.0);
    let mut random = Random(80);
    let (mut phase, mut turn, mut wander, mut speed) = (0.0_f64, 0.0_f64, 0.0_f64, 0.0_f64);
    for sample in &mut samples {
        wander += -1e-4 * wander + 4e-4 * random.normal();
        speed += -1e-3 * speed + 0.02 * random.normal();
        phase += TAU * (100.8 + wander) / 1000.0;
        turn += TAU * (61.0 + speed) / 1000.0;
        sample.current_a[0] += 6e-3 * (phase.sin() + 0.3 * (2.0 * phase + 0.4).sin());
        sample.current_a[1] += 4e-3 * (turn.sin() + 0.4 * (2.0 * turn + 1.0).sin());
    }
    for mains_hz in [Some(50.0), None] {
        let settings = EventSettings {
            mains_hz,
            ..EventSettings::default()
        };
        let mut with = samples.clone();
        add(&mut with, 0, 40.0, 40.004, -3.5e-3);
        add(&mut with, 1, 50.0, 50.02, -8e-3);
        let events = examine(settings, &[], &with);
        let at: Vec<f64> = events
            .iter()
            .filter(|event| event.kind.is_fault())
            .map(|event| event.start_s.round())
            .collect();
        assert_eq!(at, [40.0, 50.0], "{mains_hz:?}: {events:#?}");
    }
}

/// A display driver: two levels 20 σ apart, 30 ms and 80 ms; and a converter coarser than the noise on the other channel.
#[test]
fn telegraph_noise_and_a_coarse_converter_are_learned() {
    let mut samples = quiet(9, 1000.0, 60.0);
    let mut random = Random(90);
    let (mut high, mut left) = (false, 0.0);
    for sample in &mut samples {
        left -= 0.001;
        if left <= 0.0 {
            high = !high;
            left = -random.uniform().ln() * if high { 0.03 } else { 0.08 };
        }
        sample.current_a[0] += if high { 6e-3 } else { 0.0 };
        let drifting_a = 0.25 + 1e-5 * (sample.time_s * 0.7).sin();
        sample.current_a[1] = (drifting_a / 1e-3).round() * 1e-3;
    }
    assert!(
        found(&samples).iter().all(|event| !event.kind.is_fault()),
        "{:#?}",
        found(&samples)
    );
    add(&mut samples, 0, 45.0, 45.03, -0.02);
    add(&mut samples, 1, 50.0, 50.002, -5e-3);
    let events = found(&samples);
    let at: Vec<f64> = events.iter().map(|event| event.start_s.round()).collect();
    assert_eq!(at, [45.0, 50.0], "{events:#?}");
}

/// Ten minutes of plain noise: half an alarm an hour is expected, so 0.08 here; two would come in one run of 300.
#[test]
fn noise_alone_keeps_to_the_promised_rate() {
    assert!(found(&quiet(10, 1000.0, 600.0)).len() < 2);
}

#[test]
fn regular_series_is_a_load() {
    let mut samples = quiet(11, 500.0, 60.0);
    for pulse in 0..10 {
        let start_s = 6.0 + 5.0 * f64::from(pulse);
        add(&mut samples, 0, start_s, start_s + 0.04, 0.02);
    }
    let events = found(&samples);
    assert_eq!(events.len(), 10);
    assert!(
        events.iter().all(|event| event.kind == EventKind::Nuisance),
        "{events:#?}"
    );
}

/// Two stages behind 0.3 Ω at 24 V, of 8 Ω and 24 Ω: when the first draws 0.9 A less, the second gets 11 mA more. What
/// happens to the second by itself at the same instant, a loss of its own, stays a fault.
#[test]
fn an_image_through_the_common_source_is_no_fault_of_its_own() {
    let mut samples = quiet(13, 1000.0, 30.0);
    add(&mut samples, 0, 8.0, 8.02, -0.28);
    add(&mut samples, 1, 8.0, 8.02, 0.012);
    add(&mut samples, 0, 12.0, 16.0, -0.2);
    add(&mut samples, 1, 12.0, 16.0, 0.009);
    add(&mut samples, 0, 20.0, 20.02, -0.2);
    add(&mut samples, 1, 20.0, 20.02, -0.02);
    add(&mut samples, 0, 24.0, 24.02, -0.05);
    add(&mut samples, 1, 24.0, 24.02, 0.05);
    let events = found(&samples);
    let of = |channel: u8, at_s: f64| {
        events
            .iter()
            .find(|event| event.channel == channel && (event.start_s - at_s).abs() < 0.01)
            .unwrap_or_else(|| panic!("nothing on channel {channel} at {at_s} s: {events:#?}"))
    };
    for at_s in [8.0, 12.0] {
        assert!(of(1, at_s).kind.is_fault(), "{:?}", of(1, at_s));
        let image = of(2, at_s);
        assert!(
            image.kind == EventKind::Nuisance && image.reason.contains("common source"),
            "{image:?}"
        );
    }
    // As much the other way: no image is as large as its cause.
    assert!(of(1, 24.0).kind.is_fault() && of(2, 24.0).kind.is_fault());
    assert!(of(1, 20.0).kind.is_fault());
}

/// A stage with a reservoir takes a surge when the other stage's current falls away, and gives one back when it returns.
/// A fall by itself at such an instant, as large as the other's jump or with no jump beside it, stays a fault.
#[test]
fn what_a_reservoir_takes_up_is_the_image_of_the_others_jump() {
    let mut samples = quiet(15, 1000.0, 30.0);
    for start_s in [8.0, 12.0] {
        add(&mut samples, 0, start_s, start_s + 0.005, -0.25);
        add(&mut samples, 1, start_s - 0.001, start_s + 0.001, 0.017);
        add(&mut samples, 1, start_s + 0.005, start_s + 0.006, -0.022);
    }
    add(&mut samples, 0, 16.0, 16.005, -0.25);
    add(&mut samples, 1, 16.04, 16.043, -0.03);
    add(&mut samples, 0, 20.0, 20.005, -0.05);
    add(&mut samples, 1, 20.0, 20.005, 0.04);
    let events = found(&samples);
    let of = |channel: u8, at_s: f64| {
        events
            .iter()
            .find(|event| event.channel == channel && (event.start_s - at_s).abs() < 0.003)
            .unwrap_or_else(|| panic!("nothing on channel {channel} at {at_s} s: {events:#?}"))
    };
    for at_s in [8.0, 12.0] {
        assert!(of(1, at_s).kind.is_fault(), "{:?}", of(1, at_s));
        let image = of(2, at_s);
        assert!(
            image.kind == EventKind::Nuisance && image.reason.contains("reservoir"),
            "{image:?}"
        );
    }
    for at_s in [16.04, 20.0] {
        assert!(of(2, at_s).kind.is_fault(), "{:?}", of(2, at_s));
    }
}

/// A load of 20 ms every two seconds. Until its rhythm is known its pulses are faults like any other; then all of them
/// are taken back, and no further one is.
#[test]
fn a_rhythm_of_two_seconds_is_learned_and_what_was_said_taken_back() {
    let mut samples = quiet(14, 1000.0, 40.0);
    for pulse in 0..18 {
        let start_s = 3.3 + 1.998 * f64::from(pulse);
        add(&mut samples, 0, start_s, start_s + 0.02, 0.004);
    }
    // A hand that taps every 0.7 s or so, and a contact that opens alike each time.
    for (tap, off_s) in [0.01, -0.03, 0.02, 0.04, -0.02, 0.03, -0.01].iter().enumerate() {
        let start_s = 30.0 + 0.7 * tap as f64 + off_s;
        add(&mut samples, 1, start_s, start_s + 0.01, -0.1);
    }
    let events = found(&samples);
    let faults: Vec<&Event> = events.iter().filter(|event| event.kind.is_fault()).collect();
    assert!(
        faults.iter().all(|event| event.channel == 2) && faults.len() == 7,
        "{events:#?}"
    );
    assert!(
        events
            .iter()
            .any(|event| event.channel == 1 && event.reason.contains("every 2.00 s")),
        "{events:#?}"
    );
}

/// Of a pulse that comes as often as the thresholds bear, only the end may pass them, or the baseline that holds it may
/// make the calm after it look like a fall: it is a pulse all the same, and no fall to a new level.
#[test]
fn the_end_of_a_pulse_is_no_step() {
    for (edge, base_a, peak_a) in [(8020, 0.104, -0.004), (8050, 0.1004, -0.0004)] {
        let mut channel = super::channel::Channel::new(&EventSettings::default(), 1000.0);
        let mut random = Random(15);
        for index in 0..edge + 66 {
            let on = (8000..8020).contains(&index);
            channel.push(if on { 0.104 } else { 0.1 } + 1e-4 * random.normal(), &mut 1);
        }
        channel.excursion = Some(super::channel::Excursion {
            id: 1,
            first_start: edge,
            found_at: edge + 16,
            peak_score: 10.0,
            peak_scale: 4,
            peak_end: edge + 16,
            peak_a,
            base_a,
            base_length: 64,
            last_away: edge + 66,
            decided: true,
            echo: false,
        });
        assert!(channel.turn_into_pulse());
        let pulse = channel.excursion.as_ref().unwrap();
        assert!(
            pulse.first_start.abs_diff(8000) <= 1 && pulse.last_away.abs_diff(8020) <= 1,
            "{pulse:?}"
        );
        assert!((pulse.peak_a - 0.004).abs() < 5e-4, "{pulse:?}");
    }
}

#[test]
fn a_rail_dip_explains_a_dropout() {
    let mut samples = quiet(12, 1000.0, 12.0);
    let mut random = Random(120);
    for sample in &mut samples {
        sample.rail_v = [24.0 + 0.003 * random.normal(), f64::NAN];
        if (8.0..8.02).contains(&sample.time_s) {
            sample.rail_v[0] -= 4.0;
        }
    }
    add(&mut samples, 0, 8.0, 8.02, -0.05);
    let events = found(&samples);
    assert!(
        only(&events).kind == EventKind::Nuisance && events[0].reason.contains("rail"),
        "{events:#?}"
    );
}

/// Of a rail that was next to nothing no share is told.
#[test]
fn a_supply_switched_on_is_told_as_that() {
    let mut samples = quiet(12, 1000.0, 12.0);
    let mut random = Random(121);
    for sample in &mut samples {
        let on = sample.time_s >= 8.0;
        sample.current_a[0] -= if on { 0.0 } else { 0.049 };
        sample.rail_v = [
            f64::from(u8::from(on)) * 24.0 + 0.01 + 0.003 * random.normal(),
            f64::NAN,
        ];
    }
    let events = found(&samples);
    assert!(
        events
            .iter()
            .any(|event| event.kind == EventKind::Nuisance && event.reason.contains("came up")),
        "{events:#?}"
    );
}

/// Currents in other units give the same events: a power of two is exact, so every figure must agree.
#[test]
fn scaling_both_channels_changes_sizes_only() {
    let mut samples = quiet(13, 1000.0, 20.0);
    add(&mut samples, 0, 9.0, 9.02, -4e-3);
    add(&mut samples, 1, 14.0, 19.0, 4e-3);
    let events = found(&samples);
    assert_eq!(events.len(), 3);
    for sample in &mut samples {
        sample.current_a = sample.current_a.map(|value| 8.0 * value);
    }
    let scaled = found(&samples);
    assert_eq!(events.len(), scaled.len());
    for (event, scaled) in events.iter().zip(&scaled) {
        assert_eq!(
            (event.channel, event.kind, event.start_s, event.end_s),
            (scaled.channel, scaled.kind, scaled.start_s, scaled.end_s)
        );
        assert!((8.0 * event.size_a / scaled.size_a - 1.0).abs() < 1e-9);
    }
}

#[test]
fn gaps_and_missing_values_bring_no_events() {
    let mut samples = quiet(14, 1000.0, 30.0);
    for sample in samples.iter_mut().filter(|sample| sample.time_s > 10.0) {
        // During the gap the level moved: that is no step.
        sample.time_s += 3.0;
        sample.current_a[0] += 0.05;
    }
    for sample in samples
        .iter_mut()
        .filter(|sample| (20.0..20.5).contains(&sample.time_s))
    {
        sample.current_a[1] = f64::NAN;
    }
    for sample in samples.iter_mut().filter(|sample| sample.time_s >= 20.5) {
        sample.current_a[1] -= 0.05;
    }
    assert!(found(&samples).is_empty(), "{:#?}", found(&samples));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Whatever comes, nothing panics and every figure reported is a number.
    #[test]
    fn nothing_panics(seed in any::<u64>(), rate_hz in 50.0..12_000.0_f64, damage in 0.0..0.3_f64) {
        let mut random = Random(seed);
        let mut samples = quiet(seed, rate_hz, (20_000.0 / rate_hz).min(60.0));
        for sample in &mut samples {
            let dice = random.uniform();
            if dice < damage {
                match (random.uniform() * 8.0) as u32 {
                    0 => sample.current_a = [f64::NAN; 2],
                    1 => sample.current_a[0] = f64::INFINITY,
                    2 => sample.current_a[1] = -1e30,
                    3 => sample.time_s = f64::NAN,
                    4 => sample.time_s -= 0.5,
                    5 => sample.time_s += 100.0 * random.uniform(),
                    6 => sample.current_a = [0.0; 2],
                    _ => sample.current_a[0] = f64::NAN,
                }
            }
        }
        for event in found(&samples) {
            prop_assert!(event.start_s.is_finite() && event.end_s.is_finite() && event.size_a.is_finite(), "{event:?}");
            prop_assert!(event.channel == 1 || event.channel == 2);
        }
    }
}

/// Looked at with every block of 20 readings: a fault is glimpsed within 24 ms of data and before it is reported, harmless
/// changes are glimpsed as harmless, and what is reported is the same as without looking.
#[test]
fn a_glimpse_comes_early_and_changes_nothing() {
    let mut samples = quiet(71, 1_000.0, 30.0);
    add(&mut samples, 0, 10.0, 10.02, -0.1);
    add(&mut samples, 1, 14.003, 31.0, -0.05);
    for channel in [0, 1] {
        let share = if channel == 0 { 0.3 } else { 0.25 };
        add(&mut samples, channel, 20.0, 31.0, 0.2 * share);
    }
    let without = examine(EventSettings::default(), &[], &samples);
    let mut detector = EventDetector::new(EventSettings {
        rate_hz: Some(1_000.0),
        ..EventSettings::default()
    });
    let (mut glimpsed, mut found) = (Vec::new(), Vec::new());
    for block in samples.chunks(20) {
        block.iter().for_each(|sample| detector.push(sample));
        let now_s = block[19].time_s;
        while let Some(event) = detector.glimpse() {
            glimpsed.push((now_s, event));
        }
        while let Some(update) = detector.next_update() {
            if let EventUpdate::Found(event) = update {
                found.push((now_s, event));
            }
        }
    }
    let ids = |events: &[(f64, Event)]| -> Vec<u64> { events.iter().map(|(_, event)| event.id).collect() };
    assert_eq!(
        ids(&found),
        without.iter().map(|event| event.id).collect::<Vec<_>>()
    );
    let mut early = ids(&glimpsed);
    early.sort_unstable();
    assert_eq!(
        early,
        ids(&found)
            .into_iter()
            .collect::<std::collections::BTreeSet<_>>()
            .into_iter()
            .collect::<Vec<_>>()
    );
    for (at_s, event) in &glimpsed {
        let (reported_s, report) = found.iter().find(|(_, report)| report.id == event.id).unwrap();
        assert_eq!(
            (event.channel, event.kind.is_fault()),
            (report.channel, report.kind.is_fault()),
            "{event:?}"
        );
        assert!(
            at_s - event.start_s < 0.0245 && reported_s - at_s > 0.015,
            "{at_s} {reported_s} {event:?}"
        );
    }
    assert_eq!(
        glimpsed.iter().filter(|(_, event)| event.kind.is_fault()).count(),
        2
    );
}
