use std::time::Duration;

use steadybench_protocol::{FromBoard, GuardState, ResetCause, TimeRequest, ToBoard};
use steadybench_virtual::Scenario;

use crate::host::{Host, ms};

#[test]
fn a_watchdog_reset_is_a_new_boot_with_the_relay_open() {
    let mut host = Host::started(&Scenario::greenhouse(), 1);
    host.run(ms(3_000));
    let before = host.hello();
    assert_eq!((before.boot_count, before.reset_cause), (1, ResetCause::PowerOn));
    host.board.reboot(ResetCause::Watchdog);
    host.run(ms(1_000));
    let after = host.hello();
    assert_eq!((after.boot_count, after.reset_cause), (2, ResetCause::Watchdog));
    assert_ne!(after.boot_nonce, before.boot_nonce);
    assert_eq!(after.board_serial, before.board_serial);
    assert!(!after.running);
    assert!(after.time < before.time);
    assert_eq!(after.guard, GuardState::Tripped);
    assert!(!host.board.relay_driven());
}

#[test]
fn a_pulled_cable_is_silence_and_then_a_first_boot() {
    let mut host = Host::started(&Scenario::greenhouse(), 1);
    host.run(ms(3_000));
    let before = host.hello();
    host.board.unplug();
    host.messages.clear();
    host.run(ms(2_000));
    assert!(host.messages.is_empty());
    host.send(&ToBoard::HelloRequest);
    assert!(host.messages.is_empty());
    host.board.plug_in();
    host.run(ms(500));
    let after = host.hello();
    assert_eq!((after.boot_count, after.reset_cause), (1, ResetCause::PowerOn));
    assert_ne!(after.boot_nonce, before.boot_nonce);
    assert!(host.board.relay_driven());
}

/// The board's clock gains what its crystal says, and a time reply carries it.
#[test]
fn the_crystal_is_as_fast_as_it_says() {
    let mut scenario = Scenario::greenhouse();
    scenario.crystal_ppm = Some(-25.0);
    let mut host = Host::started(&scenario, 1);
    let ask = |host: &mut Host| {
        host.send(&ToBoard::TimeRequest(TimeRequest {
            number: 1,
            host_send_ns: 77,
        }));
        let reply = host
            .messages
            .iter()
            .rev()
            .find_map(|message| match message {
                FromBoard::Time(reply) => Some(*reply),
                _ => None,
            })
            .unwrap();
        assert_eq!((reply.host_send_ns, reply.board_receive), (77, reply.board_send));
        (host.board.now(), reply.board_receive)
    };
    let (bench_1, board_1) = ask(&mut host);
    host.run(Duration::from_secs(400));
    let (bench_2, board_2) = ask(&mut host);
    let board_us = board_2.micros_since(board_1).unwrap() as f64;
    let bench_us = (bench_2 - bench_1).as_secs_f64() * 1e6;
    assert!(((board_us / bench_us - 1.0) * 1e6 + 25.0).abs() < 0.01);
}
