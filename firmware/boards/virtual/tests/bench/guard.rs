use steadybench_protocol::{Channel, FromBoard, GuardCause, GuardLimits, GuardState, ToBoard};
use steadybench_virtual::model::thermistor::ThermistorFault;
use steadybench_virtual::{Scenario, SwitchOn};

use crate::host::{Host, ms};

fn limits(channel: Channel, code: u32, readings: u8) -> GuardLimits {
    let mut limits = GuardLimits {
        over_current_readings: readings,
        ..GuardLimits::default()
    };
    limits.over_current_code[channel.index()] = Some(code);
    limits
}

/// 1 A through 50 mΩ, in steps of 312.5 nV.
const ONE_AMPERE: u32 = 160_000;

/// From the reading that passed the limit to the contacts being open: within 10 ms, relay included.
fn assert_opened_in_time(host: &Host) {
    let trip = host
        .messages
        .iter()
        .find_map(|message| match message {
            FromBoard::GuardTrip(trip) => Some(*trip),
            _ => None,
        })
        .expect("a trip");
    let passed_s = host.board.bench_time(trip.cause_time).as_secs_f64();
    let (open_s, powered) = host
        .board
        .with_bench(|bench| *bench.truth().power.last().unwrap());
    assert!(!powered);
    assert!((0.0..0.010).contains(&(open_s - passed_s)), "{open_s} {passed_s}");
    assert!(!host.board.relay_driven());
}

#[test]
fn over_current_opens_the_relay_and_the_current_is_gone() {
    let scenario: Scenario = "greenhouse-shorted-stage".parse().unwrap();
    let mut host = Host::started(&scenario, 2);
    // The charging of a sound stage is below 1 A after 8 ms; 12 readings ride it out.
    host.send(&ToBoard::GuardLimits(limits(Channel::Two, ONE_AMPERE, 12)));
    host.run(ms(3_000));
    assert_opened_in_time(&host);
    assert!(host.messages.iter().any(|message| matches!(
        message,
        FromBoard::GuardTrip(trip) if matches!(trip.cause, GuardCause::OverCurrent { channel: Channel::Two, .. })
    )));
    let last = host.blocks().last().unwrap().codes(0);
    for code in last {
        // Noise and offset of nothing.
        assert!(code.unwrap().abs() < 60, "{code:?}");
    }
    // Re-armed, it closes the relay, and the short trips it again.
    host.send(&ToBoard::Rearm);
    host.run(ms(5));
    assert!(host.board.relay_driven());
    host.run(ms(1_000));
    assert!(!host.board.relay_driven());
    assert_eq!(host.health().guard, GuardState::Tripped);
}

#[test]
fn it_needs_no_host() {
    let mut scenario: Scenario = "greenhouse-shorted-stage".parse().unwrap();
    scenario.switch_on = SwitchOn::AfterStart(2.0);
    let mut host = Host::new(&scenario, 2);
    host.send(&ToBoard::GuardLimits(limits(Channel::Two, ONE_AMPERE, 12)));
    host.board.set_port_open(false);
    host.run(ms(3_000));
    assert!(!host.board.relay_driven());
    host.board.set_port_open(true);
    host.run(ms(10));
    assert_opened_in_time(&host);
}

#[test]
fn a_sound_unit_with_the_same_limits_runs_on() {
    let mut host = Host::started(&Scenario::healthy(), 2);
    host.send(&ToBoard::GuardLimits(limits(Channel::Two, ONE_AMPERE, 12)));
    host.run(ms(30_000));
    assert_eq!(host.health().guard, GuardState::Armed);
    assert!(host.board.relay_driven());
}

#[test]
fn a_lost_thermistor_opens_the_relay() {
    let mut host = Host::started(&Scenario::healthy(), 3);
    host.send(&ToBoard::GuardLimits(GuardLimits {
        over_current_readings: 1,
        thermistor_required: [true, false],
        ..GuardLimits::default()
    }));
    host.run(ms(3_000));
    assert!(host.board.relay_driven());
    let broken_s = host.board.now().as_secs_f64();
    host.board
        .set_thermistor_fault(Channel::One, ThermistorFault::Open);
    host.run(ms(100));
    let (open_s, powered) = host
        .board
        .with_bench(|bench| *bench.truth().power.last().unwrap());
    assert!(!powered);
    assert!(open_s - broken_s < 0.015, "{}", open_s - broken_s);
}
