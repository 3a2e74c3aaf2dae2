use std::time::Duration;

use steadybench_protocol::{Channel, FromBoard, MonitorState, ThermistorReading};
use steadybench_virtual::{BusFault, Scenario};

use crate::host::{Host, ms};

fn named(name: &str) -> Scenario {
    name.parse().unwrap()
}

#[test]
fn the_hello_says_what_is_wrong_with_a_monitor() {
    for (name, one, two) in [
        ("greenhouse", MonitorState::Ready, MonitorState::Ready),
        (
            "greenhouse-absent-monitor",
            MonitorState::Ready,
            MonitorState::Absent,
        ),
        (
            "greenhouse-stuck-bus",
            MonitorState::Ready,
            MonitorState::BusStuck,
        ),
        (
            "greenhouse-wrong-monitor",
            MonitorState::Ready,
            MonitorState::WrongChip {
                manufacturer_id: 0x5449,
                device_id: 0x2381,
            },
        ),
    ] {
        let hello = Host::new(&named(name), 1).hello();
        assert_eq!(hello.board, "virtual greenhouse");
        assert_eq!(
            hello.channels.map(|channel| channel.monitor),
            [one, two],
            "{name}"
        );
        assert_eq!(hello.channels[0].shunt_micro_ohm, 50_000);
    }
}

#[test]
fn a_lost_thermistor_is_a_state() {
    for (name, state) in [
        ("greenhouse-open-thermistor", ThermistorReading::Open),
        ("greenhouse-shorted-thermistor", ThermistorReading::Shorted),
    ] {
        let mut host = Host::started(&named(name), 1);
        host.run(ms(2_000));
        let slow = host.slow();
        assert!(slow.len() > 10);
        for values in slow {
            assert_eq!(values.thermistor[0], state);
            assert!(matches!(values.thermistor[1], ThermistorReading::Code(_)));
        }
    }
}

/// Three transfers without an acknowledge are three readings missing on that channel, and counted.
#[test]
fn readings_that_failed_are_missing_and_counted() {
    let mut host = Host::started(&Scenario::greenhouse(), 1);
    host.run(ms(500));
    host.board
        .set_bus_fault(Channel::One, BusFault::NotAcknowledged { transfers: 3 });
    host.run(ms(500));
    let mut missing = [0, 0];
    for block in host.blocks() {
        for position in 0..block.len() {
            for (count, code) in missing.iter_mut().zip(block.codes(position)) {
                *count += u32::from(code.is_none());
            }
        }
    }
    assert_eq!(missing, [3, 0]);
    assert_eq!(host.health().bus_errors, [3, 0]);
}

#[test]
fn a_held_bus_is_freed_and_the_chip_comes_back() {
    let mut host = Host::started(&Scenario::greenhouse(), 1);
    host.run(ms(500));
    host.board
        .set_bus_fault(Channel::Two, BusFault::Stuck { recoveries: Some(2) });
    host.run(ms(100));
    assert_eq!(host.hello().channels[1].monitor, MonitorState::BusStuck);
    host.run(ms(500));
    assert_eq!(host.hello().channels[1].monitor, MonitorState::Ready);
}

#[test]
fn a_chip_that_lost_its_settings_is_set_up_again() {
    let mut host = Host::started(&named("greenhouse-restarting-monitor"), 1);
    host.run(Duration::from_secs(240));
    let health = host.health();
    assert!(
        (2..=12).contains(&health.monitor_restarts[0]),
        "{:?}",
        health.monitor_restarts
    );
    assert_eq!(health.monitor_restarts[1], 0);
}

/// A host that takes nothing for five seconds: the buffer fills, whole blocks are dropped, and what is missing on the
/// wire is what was counted.
#[test]
fn a_stalled_host_loses_what_the_board_counted() {
    let mut host = Host::started(&Scenario::greenhouse(), 1);
    host.run(ms(1_000));
    let mut nothing = Vec::new();
    let until = host.board.now() + Duration::from_secs(5);
    host.board.advance_into(until, &[], &mut nothing, 0);
    assert!(nothing.is_empty());
    host.run(ms(1_000));
    let mut next = None;
    let mut lost = 0;
    for block in host.blocks() {
        if let Some(next) = next {
            lost += block.first_index() - next;
        }
        next = Some(block.next_index());
    }
    assert!(lost > 2_000, "{lost}");
    assert_eq!(host.health().readings_dropped, lost);
}

#[test]
fn no_reading_is_late_in_virtual_time() {
    let mut host = Host::started(&Scenario::greenhouse(), 1);
    host.run(Duration::from_secs(10));
    let health = host.health();
    assert_eq!(
        (health.late_ticks, health.readings_dropped, health.bus_errors),
        (0, 0, [0, 0])
    );
    assert!(
        !host
            .messages
            .iter()
            .any(|message| matches!(message, FromBoard::Refusal(_)))
    );
}
