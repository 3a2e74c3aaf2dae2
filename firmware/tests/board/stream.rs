//! From the chips to the host's end of the wire: everything is there, or counted.

use std::collections::BTreeMap;

use proptest::prelude::*;
use steadybench_firmware::buffer::BLOCKS;
use steadybench_protocol::{
    BoardTime, Configure, Continuity, ConversionTime, FromBoard, Placement, ReadingsBlock, ShuntRange,
    ToBoard,
};

use crate::rig::Rig;

/// A host that keeps count as a collector does.
struct Host {
    continuity: Continuity,
    readings: u64,
    repeated: u64,
}

impl Host {
    /// Takes everything from the answer to a start on.
    fn read(messages: &[FromBoard]) -> (Self, Option<u64>) {
        let start = messages
            .iter()
            .position(|message| matches!(message, FromBoard::Health(health) if health.running))
            .expect("the answer to the start");
        let FromBoard::Health(health) = &messages[start] else {
            unreachable!()
        };
        let mut host = Self {
            continuity: Continuity::from_index(health.next_index),
            readings: 0,
            repeated: 0,
        };
        let mut closed = None;
        for message in &messages[start..] {
            match message {
                FromBoard::Readings(block) => host.take(block),
                FromBoard::Health(health) if !health.running => {
                    closed = Some(host.continuity.close(health.next_index));
                }
                _ => {}
            }
        }
        (host, closed)
    }

    fn take(&mut self, block: &ReadingsBlock) {
        match self.continuity.place(block) {
            Placement::InOrder | Placement::AfterLoss(_) => self.readings += block.len() as u64,
            Placement::Repeated => self.repeated += 1,
        }
    }
}

#[test]
fn a_run_arrives_whole_with_its_last_reading() {
    let mut rig = Rig::ready();
    for (run, ms) in [(0, 1_007), (1, 3), (2, 250)] {
        rig.take();
        rig.send(&ToBoard::Start);
        let first = rig.last_health().next_index;
        rig.run_for(ms * 1_000);
        rig.send(&ToBoard::Stop);
        let (host, closed) = Host::read(&rig.received);
        assert_eq!(closed, Some(0), "run {run}");
        assert_eq!(
            (host.readings, host.repeated, host.continuity.lost()),
            (ms, 0, 0),
            "run {run}"
        );
        assert_eq!(rig.last_health().next_index, first + ms);
        assert_eq!(
            rig.received
                .last()
                .map(|last| matches!(last, FromBoard::Health(_))),
            Some(true)
        );
        rig.run_for(777_000);
    }
}

#[test]
fn a_host_that_stalls_for_two_and_a_half_seconds_loses_nothing() {
    let mut rig = Rig::ready();
    rig.send(&ToBoard::Start);
    rig.run_for(1_000_000);
    rig.host_reads = false;
    rig.run_for(2_500_000);
    rig.host_reads = true;
    rig.run_for(500_000);
    rig.send(&ToBoard::Stop);
    let (host, closed) = Host::read(&rig.received);
    assert_eq!(
        (host.readings, host.continuity.lost(), closed),
        (4_000, 0, Some(0))
    );
    let health = rig.last_health();
    assert_eq!(health.readings_dropped, 0);
    assert!(health.buffer_high_water >= 124, "{}", health.buffer_high_water);
    assert_eq!(usize::from(health.buffer_capacity), BLOCKS);
    let slow = rig
        .received
        .iter()
        .filter(|message| matches!(message, FromBoard::Slow(_)));
    assert!(
        (39..=41).contains(&slow.count()),
        "slow values ride out the stall too"
    );
}

#[test]
fn past_that_whole_new_blocks_are_dropped_and_both_ends_count_the_same() {
    let mut rig = Rig::ready();
    rig.send(&ToBoard::Start);
    rig.run_for(100_000);
    rig.host_reads = false;
    rig.run_for(10_000_000);
    rig.host_reads = true;
    rig.run_for(1_000_000);
    rig.send(&ToBoard::Stop);
    let (host, closed) = Host::read(&rig.received);
    let health = rig.last_health();
    assert_eq!(closed, Some(0));
    assert_eq!(host.continuity.lost(), health.readings_dropped);
    assert_eq!(host.readings + health.readings_dropped, 11_100);
    assert_eq!(health.readings_dropped % 20, 0, "whole blocks");
    assert!(
        (7_400..=7_480).contains(&health.readings_dropped),
        "{}",
        health.readings_dropped
    );
    let losses: Vec<_> = rig
        .blocks()
        .windows(2)
        .map(|pair| pair[1].first_index() - pair[0].next_index())
        .collect();
    assert_eq!(
        losses.iter().filter(|lost| **lost > 0).count(),
        1,
        "one gap, with a known length"
    );
}

#[test]
fn a_stop_while_the_host_stalls_is_answered_behind_what_waited() {
    let mut rig = Rig::ready();
    rig.send(&ToBoard::Start);
    rig.run_for(20_000);
    rig.host_reads = false;
    rig.run_for(10_000_000);
    let mut bytes: &[u8] = &{
        let mut frame = steadybench_protocol::FrameBuffer::new();
        let mut both = frame.encode(&ToBoard::Stop).unwrap().to_vec();
        both.extend_from_slice(frame.encode(&ToBoard::HelloRequest).unwrap());
        both
    };
    let now = rig.time();
    rig.link.bytes_in(&rig.station, now, &mut bytes);
    assert!(
        !bytes.is_empty(),
        "while the stop is unanswered the next command waits"
    );
    rig.run_for(1_000_000);
    rig.host_reads = true;
    rig.pump();
    let (host, closed) = Host::read(&rig.received);
    let health = rig.last_health();
    assert!(!health.running);
    assert_eq!(health.next_index, 10_020, "nothing is taken after the stop");
    assert_eq!(host.readings + health.readings_dropped, 10_020);
    assert_eq!(host.continuity.lost(), health.readings_dropped);
    assert!(
        closed.is_some_and(|missing| missing > 0),
        "what was dropped at the end is found by the last index"
    );
    rig.send_bytes(bytes);
    assert!(matches!(rig.received.last(), Some(FromBoard::Hello(_))));
}

#[test]
fn a_host_that_joins_a_run_gets_what_waited_before_the_answer() {
    let mut rig = Rig::ready();
    rig.send(&ToBoard::Start);
    rig.run_for(105_000);
    rig.host_reads = false;
    rig.run_for(1_000_000);
    // The program ended and another opens the port.
    rig.link.opened();
    rig.take();
    rig.host_reads = true;
    rig.send(&ToBoard::Start);
    let before: u64 = rig.blocks().iter().map(|block| block.len() as u64).sum();
    assert_eq!(before, 1_005, "all that waited, the block in the making too");
    let answer = rig.last_health();
    assert_eq!(rig.received.last(), Some(&FromBoard::Health(answer)));
    rig.take();
    rig.run_for(20_000);
    assert_eq!(rig.blocks()[0].first_index(), answer.next_index);
}

/// The sampler's sleep before the start is not of the run, be it the first or a later one.
#[test]
fn a_run_begins_with_its_first_reading() {
    let mut rig = Rig::ready();
    for _ in 0..2 {
        let before = rig.ask_health().next_index;
        // Instants lie 0.3 ms behind the full milliseconds, so this ends less than half a period after one.
        rig.now.set(rig.now.get() + 50_400);
        rig.send(&ToBoard::Start);
        rig.oversleep(0);
        rig.send(&ToBoard::Stop);
        assert_eq!(rig.last_health().next_index, before + 1);
        assert_eq!(rig.last_health().late_ticks, 0);
    }
}

#[test]
fn slow_values_that_find_no_room_keep_the_rails_extremes() {
    use steadybench_firmware::ina228::Register;
    let mut rig = Rig::ready();
    rig.buses[1].set_code(Register::Vbus, 50_000);
    rig.send(&ToBoard::Start);
    rig.run_for(200_000);
    rig.take();
    rig.host_reads = false;
    rig.run_for(5_000_000);
    for code in [40_000, 60_000, 50_000] {
        rig.buses[1].set_code(Register::Vbus, code);
        rig.run_for(300_000);
    }
    rig.host_reads = true;
    rig.pump();
    let slow = rig.received.iter().filter_map(|message| match message {
        FromBoard::Slow(slow) => slow.rail[1],
        _ => None,
    });
    let slow: Vec<_> = slow.collect();
    assert_eq!(slow.len(), 32);
    let last = slow[31];
    assert_eq!((last.lowest, last.highest, last.latest), (40_000, 60_000, 50_000));
    assert!(
        slow[..31]
            .iter()
            .all(|rail| rail.lowest == 50_000 && rail.highest == 50_000)
    );
}

#[test]
fn an_empty_block_is_nothing_to_keep() {
    use steadybench_firmware::buffer::BlockBuffer;
    let mut buffer = BlockBuffer::new();
    buffer.push(ReadingsBlock::new(0, BoardTime::from_micros(0), 1_000));
    assert_eq!(
        (buffer.waiting(), buffer.dropped(), buffer.high_water()),
        (0, 0, 0)
    );
}

/// Answers owed to a program that has closed the port are not given to the next.
#[test]
fn answers_owed_end_with_the_port() {
    let mut rig = Rig::ready();
    let mut frame = steadybench_protocol::FrameBuffer::new();
    let mut bytes = frame.encode(&ToBoard::HelloRequest).unwrap();
    let now = rig.time();
    rig.link.bytes_in(&rig.station, now, &mut bytes);
    rig.link.opened();
    rig.pump();
    assert_eq!(rig.received, []);
}

/// Half a frame of the program before does not spoil the first command of the next.
#[test]
fn a_port_opened_anew_begins_with_a_clean_line() {
    let mut rig = Rig::ready();
    rig.send_bytes(&[3, 1, 4, 1, 5]);
    rig.link.opened();
    rig.send(&ToBoard::HelloRequest);
    assert!(matches!(rig.received.last(), Some(FromBoard::Hello(_))));
    assert_eq!(rig.ask_health().frames_rejected, 0);
    rig.send_bytes(&[3, 1, 4, 0]);
    assert_eq!(rig.ask_health().frames_rejected, 1);
}

/// Settings and a start that arrive while the buses are being read: what is being read is not of that run.
#[test]
fn a_reading_under_way_does_not_count_under_settings_that_came_meanwhile() {
    use std::pin::pin;
    use std::task::{Context, Poll, Waker};

    let mut rig = Rig::ready();
    rig.run_for(10_000);
    rig.take();
    rig.buses[0].0.borrow_mut().pending_polls = 1;
    rig.now.set(rig.now.get() + 1_000);
    let now = rig.time();
    let clock = || now;
    let mut frame = steadybench_protocol::FrameBuffer::new();
    {
        let mut tick = pin!(rig.measuring.tick(&rig.station, &clock));
        let mut context = Context::from_waker(Waker::noop());
        assert_eq!(tick.as_mut().poll(&mut context), Poll::Pending);
        let configure = ToBoard::Configure(Configure {
            reading_period_us: 500,
            conversion_time: ConversionTime::Us280,
            shunt_range: ShuntRange::Millivolts41,
        });
        for command in [configure, ToBoard::Start] {
            let mut bytes = frame.encode(&command).unwrap();
            rig.link.bytes_in(&rig.station, now, &mut bytes);
        }
        while tick.as_mut().poll(&mut context).is_pending() {}
    }
    rig.pump();
    assert!(rig.last_health().running);
    assert_eq!(rig.ask_health().next_index, 0);
}

/// The lock is free while a transfer is on the bus: the link is served between any two polls of the sampler.
#[test]
fn the_link_is_served_while_the_buses_are_read() {
    use std::pin::pin;
    use std::task::{Context, Poll, Waker};

    let mut rig = Rig::ready();
    rig.send(&ToBoard::Start);
    rig.run_for(19_000);
    rig.take();
    for bus in &rig.buses {
        bus.0.borrow_mut().pending_polls = 3;
    }
    rig.now.set(rig.now.get() + 1_000);
    let now = rig.time();
    let mut polls = 0;
    {
        let clock = || now;
        let mut tick = pin!(rig.measuring.tick(&rig.station, &clock));
        let mut context = Context::from_waker(Waker::noop());
        let mut frame = steadybench_protocol::FrameBuffer::new();
        loop {
            if let Poll::Ready(next) = tick.as_mut().poll(&mut context) {
                assert!(next > now, "the reading was due");
                break;
            }
            polls += 1;
            let mut bytes = frame.encode(&ToBoard::Identify).unwrap();
            rig.link.bytes_in(&rig.station, now, &mut bytes);
            assert!(rig.link.next_frame(&rig.station, now).is_some());
        }
    }
    // Both buses wait at the same time: three polls for each transfer of the busier one, not the sum of both.
    assert_eq!(polls % 3, 0);
    assert!((3..=6).contains(&polls), "{polls}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// Any rate, any stalls of the host, any sleeps of the sampler, any failed reads: each instant of the run is in
    /// exactly one block or counted as dropped; what the host holds missing is what the board says it dropped; and
    /// times and codes are those of the instants.
    #[test]
    fn everything_is_accounted_for(
        period_us in 250_u32..=10_000,
        acts in prop::collection::vec((0_u8..4, 1_u64..1_500_000), 1..8),
    ) {
        let mut rig = Rig::ready();
        rig.send(&ToBoard::Configure(Configure {
            reading_period_us: period_us,
            conversion_time: ConversionTime::Us50,
            shunt_range: ShuntRange::Millivolts164,
        }));
        rig.run_for(30_000);
        rig.take();
        rig.send(&ToBoard::Start);
        let mut truth: BTreeMap<u64, i32> = BTreeMap::new();
        let mut code = 0;
        for (act, us) in acts {
            code += 1_000;
            rig.set_current(0, code);
            rig.set_current(1, -code);
            truth.insert(rig.now.get(), code);
            match act {
                0 => rig.run_for(us),
                1 => {
                    rig.host_reads = false;
                    rig.run_for(4 * us);
                    rig.host_reads = true;
                    rig.pump();
                }
                2 => rig.oversleep(us / 10),
                _ => {
                    rig.buses[0].0.borrow_mut().nacks = 3;
                    rig.run_for(us);
                }
            }
        }
        rig.send(&ToBoard::Stop);
        let (host, closed) = Host::read(&rig.received);
        let health = rig.last_health();
        prop_assert!(!health.running && closed.is_some());
        prop_assert_eq!(host.repeated, 0);
        prop_assert_eq!(host.continuity.lost(), health.readings_dropped);
        prop_assert_eq!(host.readings + health.readings_dropped, health.next_index);
        let blocks = rig.blocks();
        let Some(first) = blocks.first().map(|block| block.time(0).as_micros()) else { return Ok(()) };
        for block in &blocks {
            for at in 0..block.len() {
                let index = block.first_index() + at as u64;
                let due = block.time(at);
                prop_assert_eq!(due, BoardTime::from_micros(first + index * u64::from(period_us)));
                // A late reading may be of the code set since.
                let Some((_, expected)) = truth.range(..=due.as_micros()).next_back() else { continue };
                let codes = block.codes(at);
                if !block.is_late(at) && truth.range(due.as_micros()..due.as_micros() + u64::from(period_us)).count() == 0 {
                    prop_assert!(codes[0].is_none_or(|code| code == *expected), "{:?} {}", codes, expected);
                    prop_assert!(codes[1].is_none_or(|code| code == -*expected), "{:?} {}", codes, expected);
                }
            }
        }
    }
}
