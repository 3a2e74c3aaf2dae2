//! The guard: when it trips, how soon, and when it lets itself be re-armed. Through the whole board, so that the relay
//! output itself is what is looked at.

use proptest::prelude::*;
use steadybench_firmware::guard::Guard;
use steadybench_protocol::limits::{CURRENT_CODE_MAX, CURRENT_CODE_MIN, THERMISTOR_CODE_MAX};
use steadybench_protocol::{
    BoardTime, Channel, Configure, ConversionTime, FromBoard, GuardCause, GuardLimits, GuardState, Refusal,
    RefusalReason, ResetCause, ShuntRange, ThermistorReading, ToBoard,
};

use crate::bus::Fault;
use crate::rig::{Rig, facts, no_limits};

/// The time within which the output must drop after the reading that passed the limit, in microseconds.
const PROMISED_US: u64 = 10_000;

const PERIODS_US: [u32; 5] = [250, 1_000, 3_000, 4_000, 10_000];

fn rig_at(period_us: u32) -> Rig {
    let mut rig = Rig::ready();
    rig.send(&ToBoard::Configure(Configure {
        reading_period_us: period_us,
        conversion_time: ConversionTime::Us50,
        shunt_range: ShuntRange::Millivolts164,
    }));
    rig.run_for(200_000);
    rig.take();
    rig
}

/// Runs until the relay opens, and says how long that took.
fn time_to_open(rig: &mut Rig, limit_us: u64) -> Option<u64> {
    let begun = rig.now.get();
    while rig.now.get() < begun + limit_us {
        rig.run_for(50);
        if !rig.relay.get() {
            return Some(rig.now.get() - begun);
        }
    }
    None
}

#[test]
fn over_current_opens_the_relay_at_the_reading_that_passes() {
    for period_us in PERIODS_US {
        for (channel, code) in [(Channel::One, 1_001), (Channel::Two, -1_001)] {
            let mut rig = rig_at(period_us);
            let mut limits = no_limits();
            limits.over_current_code[channel.index()] = Some(1_000);
            rig.set_current(channel.index(), if code > 0 { 1_000 } else { -1_000 });
            rig.set_limits(limits);
            rig.run_for(100_000);
            assert!(rig.relay.get(), "at the limit is not past it");
            rig.set_current(channel.index(), code);
            let took = time_to_open(&mut rig, 50_000).expect("a trip");
            assert!(
                took <= u64::from(period_us) + 100,
                "{took} µs at a period of {period_us} µs"
            );
            let trips = rig.trips();
            assert_eq!(trips.len(), 1);
            assert_eq!(trips[0].cause, GuardCause::OverCurrent { channel, code });
            assert!(trips[0].time.micros_since(trips[0].cause_time).unwrap() <= PROMISED_US);
        }
    }
}

#[test]
fn a_saturated_input_is_past_every_limit() {
    for code in [CURRENT_CODE_MAX, CURRENT_CODE_MIN] {
        let mut rig = rig_at(1_000);
        let mut limits = no_limits();
        limits.over_current_code[0] = Some(CURRENT_CODE_MAX as u32);
        rig.set_limits(limits);
        rig.set_current(0, code);
        assert!(time_to_open(&mut rig, 5_000).is_some());
    }
}

#[test]
fn a_known_inrush_is_ridden_out() {
    let mut rig = rig_at(1_000);
    let mut limits = no_limits();
    limits.over_current_code[0] = Some(1_000);
    limits.over_current_readings = 5;
    rig.set_limits(limits);
    rig.set_current(0, 9_000);
    rig.run_for(4_000);
    rig.set_current(0, 500);
    rig.run_for(1_000);
    rig.set_current(0, 9_000);
    rig.run_for(4_000);
    assert!(rig.relay.get(), "four in a row, twice, are not five in a row");
    rig.run_for(1_000);
    assert!(!rig.relay.get());
}

#[test]
fn heat_opens_the_relay_in_time_and_one_disturbed_conversion_does_not() {
    for period_us in PERIODS_US {
        let mut rig = rig_at(period_us);
        let mut limits = no_limits();
        limits.hot_code = [None, Some(900)];
        rig.set_limits(limits);
        rig.run_for(100_000);
        rig.thermistors.borrow_mut()[1] = Ok(899);
        let took = time_to_open(&mut rig, 100_000).expect("a trip");
        // A thermistor is read every 2 ms or at every reading, whichever is longer; the promise counts from there.
        let interval_us = u64::from(period_us).max(2_000);
        assert!(
            took <= interval_us + PROMISED_US,
            "{took} µs at a period of {period_us} µs"
        );
        let cause = GuardCause::OverTemperature {
            channel: Channel::Two,
            code: 899,
        };
        assert_eq!(rig.trips()[0].cause, cause);
    }
    let at = |us| BoardTime::from_micros(us);
    let hot = [ThermistorReading::Code(1), ThermistorReading::Code(2_000)];
    let fine = [ThermistorReading::Code(900); 2];
    let mut guard = Guard::new(false);
    let mut limits = no_limits();
    limits.hot_code = [Some(900); 2];
    guard.set_limits(limits, at(0));
    for (us, readings) in [
        (2_000, hot),
        (4_000, hot),
        (6_000, fine),
        (8_000, hot),
        (10_000, hot),
    ] {
        assert_eq!(guard.thermistors(readings, at(us)), None);
    }
    assert!(guard.thermistors(hot, at(12_000)).is_some());
}

/// As many readings must agree as fit into 8 ms behind the first, three at most.
#[test]
fn readings_further_apart_need_fewer_to_agree() {
    let at = |us| BoardTime::from_micros(us);
    for (interval_us, needed) in [
        (250, 3),
        (4_000, 3),
        (4_001, 2),
        (8_000, 2),
        (8_001, 1),
        (10_000, 1),
    ] {
        let mut guard = Guard::new(false);
        let mut limits = no_limits();
        limits.hot_code = [Some(900), None];
        guard.set_limits(limits, at(0));
        let mut trips = (0..).map(|reading: u64| {
            let code = if reading == 0 { 900 } else { 899 };
            let readings = [ThermistorReading::Code(code), ThermistorReading::Open];
            guard.thermistors(readings, at(1_000_000 + reading * interval_us))
        });
        assert_eq!(
            trips.position(|trip| trip.is_some()),
            Some(needed),
            "{interval_us} µs apart"
        );
    }
}

#[test]
fn silence_counts_from_the_arming() {
    let at = |ms: u64| BoardTime::from_micros(ms * 1_000);
    let mut guard = Guard::new(false);
    let mut limits = no_limits();
    limits.host_silent_ms = Some(500);
    guard.set_limits(limits, at(10_000));
    assert_eq!(guard.readings([None; 2], at(10_499), at(10_499)), None);
    assert!(guard.readings([None; 2], at(10_500), at(10_500)).is_some());
    guard.rearm(at(20_000)).unwrap();
    assert_eq!(guard.readings([None; 2], at(20_499), at(20_499)), None);
}

#[test]
fn a_lost_thermistor_trips_only_where_it_is_required() {
    use steadybench_firmware::ConversionFailed;
    for lost in [Ok(4_095), Ok(0), Err(ConversionFailed)] {
        for required in [false, true] {
            let mut rig = rig_at(1_000);
            let mut limits = no_limits();
            limits.thermistor_required[0] = required;
            limits.hot_code[0] = Some(900);
            rig.set_limits(limits);
            rig.thermistors.borrow_mut()[0] = lost;
            let opened = time_to_open(&mut rig, 100_000);
            assert_eq!(opened.is_some(), required, "{lost:?}");
            if let Some(took) = opened {
                assert!(took <= 2_000 + PROMISED_US);
                assert_eq!(
                    rig.trips()[0].cause,
                    GuardCause::ThermistorLost {
                        channel: Channel::One
                    }
                );
            }
        }
    }
}

#[test]
fn a_blind_channel_trips_after_10_ms_and_one_lost_reading_does_not() {
    for period_us in PERIODS_US {
        let mut rig = rig_at(period_us);
        let mut limits = no_limits();
        limits.over_current_code[1] = Some(1_000);
        rig.set_limits(limits);
        rig.run_for(100_000);
        rig.buses[1].0.borrow_mut().nacks = 1;
        rig.run_for(100_000);
        rig.buses[1].0.borrow_mut().nacks = 1;
        rig.run_for(100_000);
        assert!(rig.relay.get(), "at a period of {period_us} µs");
        rig.buses[1].0.borrow_mut().fault = Some(Fault::Nack);
        let took = time_to_open(&mut rig, 100_000).expect("a trip");
        // Blindness shows at the first instant that is 10 ms behind the last good reading, and is never one miss alone.
        let period_us = u64::from(period_us);
        assert!(
            took <= (2 * period_us).max(PROMISED_US + period_us),
            "{took} at {period_us}"
        );
        assert_eq!(
            rig.trips()[0].cause,
            GuardCause::MonitorLost {
                channel: Channel::Two
            }
        );
    }
}

#[test]
fn a_channel_that_was_never_there_cannot_be_guarded() {
    let mut rig = rig_at(1_000);
    rig.buses[0].0.borrow_mut().fault = Some(Fault::Nack);
    rig.run_for(1_000_000);
    let mut limits = no_limits();
    limits.over_current_code[0] = Some(1_000);
    rig.set_limits(limits);
    let took = time_to_open(&mut rig, 100_000).expect("a trip");
    assert!(
        (PROMISED_US - 1_000..=PROMISED_US + 1_100).contains(&took),
        "{took}"
    );
}

#[test]
fn a_silent_host_trips_and_a_speaking_one_does_not() {
    let mut rig = rig_at(1_000);
    let mut limits = no_limits();
    limits.host_silent_ms = Some(500);
    rig.set_limits(limits);
    for _ in 0..10 {
        rig.run_for(450_000);
        rig.send(&ToBoard::HelloRequest);
    }
    assert!(rig.relay.get());
    let silent_since = rig.time();
    // Noise on the line is not a host.
    rig.run_for(300_000);
    rig.send_bytes(&[1, 2, 3, 0, 0, 9, 0]);
    let took = time_to_open(&mut rig, 2_000_000).expect("a trip");
    assert!((300_000 + took).abs_diff(500_000) <= PROMISED_US);
    let trip = rig.trips()[0];
    assert_eq!(
        (trip.cause, trip.cause_time),
        (GuardCause::HostSilent, silent_since)
    );
    // The host comes back: it hears of the trip, and re-arms.
    rig.send(&ToBoard::Rearm);
    rig.run_for(2_000);
    assert!(rig.relay.get());
}

#[test]
fn a_trip_is_latched_until_re_armed_and_not_while_still_past() {
    let mut rig = rig_at(1_000);
    rig.send(&ToBoard::Rearm);
    let refused = |reason| {
        FromBoard::Refusal(Refusal {
            command: steadybench_protocol::Command::Rearm,
            reason,
        })
    };
    assert_eq!(rig.take(), [refused(RefusalReason::NotTripped)]);
    let mut limits = no_limits();
    limits.over_current_code[0] = Some(1_000);
    limits.hot_code[1] = Some(900);
    rig.set_limits(limits);
    rig.thermistors.borrow_mut()[1] = Ok(500);
    rig.run_for(20_000);
    assert_eq!(rig.ask_health().guard, GuardState::Tripped);
    rig.take();
    // Limits sent again do not close the relay, and the heat is still there.
    rig.set_limits(limits);
    assert_eq!(rig.last_health().guard, GuardState::Tripped);
    rig.take();
    rig.send(&ToBoard::Rearm);
    assert_eq!(rig.take(), [refused(RefusalReason::StillPastLimit)]);
    rig.run_for(5_000_000);
    assert!(!rig.relay.get());
    rig.thermistors.borrow_mut()[1] = Ok(2_000);
    rig.run_for(10_000);
    assert!(!rig.relay.get(), "cooling down alone does not close the relay");
    rig.send(&ToBoard::Rearm);
    assert_eq!(rig.last_health().guard, GuardState::Armed);
    rig.run_for(2_000);
    assert!(rig.relay.get());
    rig.set_current(0, 5_000);
    rig.run_for(2_000);
    assert!(!rig.relay.get());
    assert_eq!(rig.trips().len(), 1, "the first trip was taken before");
}

/// A relay whose contacts have welded, or a second supply: the current flows on though the output has dropped.
#[test]
fn re_arming_is_refused_while_the_current_is_past_its_limit_or_cannot_be_seen() {
    let mut rig = rig_at(1_000);
    let mut limits = no_limits();
    limits.over_current_code[0] = Some(1_000);
    rig.set_limits(limits);
    rig.set_current(0, 1_001);
    rig.run_for(5_000);
    assert!(!rig.relay.get());
    let refused = FromBoard::Refusal(Refusal {
        command: steadybench_protocol::Command::Rearm,
        reason: RefusalReason::StillPastLimit,
    });
    rig.send(&ToBoard::Rearm);
    assert_eq!(rig.received.last(), Some(&refused));
    rig.buses[0].0.borrow_mut().fault = Some(Fault::Nack);
    rig.run_for(50_000);
    rig.take();
    rig.send(&ToBoard::Rearm);
    assert_eq!(rig.received.last(), Some(&refused));
    rig.buses[0].0.borrow_mut().fault = None;
    rig.set_current(0, 1_000);
    rig.run_for(200_000);
    rig.send(&ToBoard::Rearm);
    assert_eq!(rig.last_health().guard, GuardState::Armed);
}

#[test]
fn the_guard_works_with_no_host_at_all() {
    let mut rig = rig_at(1_000);
    let mut limits = no_limits();
    limits.over_current_code[0] = Some(1_000);
    rig.set_limits(limits);
    rig.take();
    rig.host_reads = false;
    rig.run_for(10_000_000);
    rig.set_current(0, 2_000);
    rig.run_for(2_000);
    assert!(!rig.relay.get());
    rig.run_for(10_000_000);
    rig.host_reads = true;
    rig.pump();
    assert_eq!(rig.trips().len(), 1, "the host hears of it when it comes back");
}

#[test]
fn the_relay_stays_open_after_a_watchdog_reset_until_a_person_re_arms() {
    for (reset_cause, closed) in [
        (ResetCause::PowerOn, true),
        (ResetCause::External, true),
        (ResetCause::Unknown, true),
        (ResetCause::Watchdog, false),
        (ResetCause::BrownOut, false),
    ] {
        let mut rig = Rig::with_facts(steadybench_firmware::BoardFacts {
            reset_cause,
            ..facts()
        });
        rig.run_for(100_000);
        assert_eq!(rig.relay.get(), closed, "{reset_cause:?}");
        rig.send(&ToBoard::Rearm);
        rig.run_for(2_000);
        assert!(rig.relay.get());
        assert_eq!(rig.ask_health().guard, GuardState::Off);
    }
}

fn reading() -> impl Strategy<Value = ThermistorReading> {
    prop_oneof![
        8 => (0..=THERMISTOR_CODE_MAX).prop_map(ThermistorReading::Code),
        1 => Just(ThermistorReading::Open),
        1 => Just(ThermistorReading::Shorted),
        1 => Just(ThermistorReading::Failed),
    ]
}

proptest! {
    /// Whatever comes: the relay is open exactly while the guard is tripped, every trip is told once, and the current
    /// that was past its limit so many times in a row never leaves an armed guard armed.
    #[test]
    fn the_state_and_the_trips_agree(
        limit in prop::option::of(0_u32..200),
        in_a_row in 1_u8..5,
        steps in prop::collection::vec((prop::option::weighted(0.9, -250_i32..250), reading(), any::<bool>()), 1..200),
    ) {
        let mut guard = Guard::new(false);
        let limits = GuardLimits {
            over_current_code: [limit, None],
            over_current_readings: in_a_row,
            hot_code: [Some(300), None],
            thermistor_required: [true, false],
            host_silent_ms: None,
        };
        guard.set_limits(limits, BoardTime::from_micros(0));
        let mut past = 0;
        for (step, (code, thermistor, rearm)) in steps.into_iter().enumerate() {
            let now = BoardTime::from_micros(1_000 * (step as u64 + 1));
            let before = guard.state();
            let by_current = guard.readings([code, Some(0)], now, now);
            let by_heat = guard.thermistors([thermistor, ThermistorReading::Open], now);
            match code {
                Some(code) if limit.is_some_and(|limit| code.unsigned_abs() > limit) => past += 1,
                Some(_) => past = 0,
                None => {}
            }
            let trips = usize::from(by_current.is_some()) + usize::from(by_heat.is_some());
            let tripped = before == GuardState::Armed && guard.state() == GuardState::Tripped;
            prop_assert_eq!(trips, usize::from(tripped));
            prop_assert_eq!(guard.relay_closed(), guard.state() != GuardState::Tripped);
            prop_assert!(past < in_a_row || guard.state() == GuardState::Tripped);
            if rearm && guard.rearm(now).is_ok() {
                past = 0;
                prop_assert!(guard.relay_closed());
            }
        }
    }
}
