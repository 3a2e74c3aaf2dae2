//! What goes wrong on the bus, and what the board says and does about it.

use steadybench_firmware::ina228::{Register, registers};
use steadybench_firmware::monitor::{FAILURES_UNTIL_LOST, RETRY_US};
use steadybench_protocol::limits::{CURRENT_CODE_MAX, CURRENT_CODE_MIN};
use steadybench_protocol::{
    Command, Configure, ConversionTime, FromBoard, Hello, MonitorState, Refusal, RefusalReason, ShuntRange,
    ToBoard,
};

use crate::bus::Fault;
use crate::rig::Rig;

fn hello(rig: &mut Rig) -> Hello {
    rig.take();
    rig.send(&ToBoard::HelloRequest);
    match rig.take().pop() {
        Some(FromBoard::Hello(hello)) => hello,
        other => panic!("{other:?}"),
    }
}

fn states(rig: &mut Rig) -> [MonitorState; 2] {
    hello(rig).channels.map(|channel| channel.monitor)
}

/// Codes of both channels, in order, as the host got them.
fn codes(rig: &Rig) -> Vec<[Option<i32>; 2]> {
    rig.blocks()
        .iter()
        .flat_map(|block| (0..block.len()).map(|at| block.codes(at)).collect::<Vec<_>>())
        .collect()
}

#[test]
fn an_absent_chip_a_wrong_one_and_a_stuck_bus_are_told_apart() {
    let mut rig = Rig::new();
    rig.buses[0].0.borrow_mut().fault = Some(Fault::Nack);
    rig.buses[1].0.borrow_mut().set_u16(Register::DeviceId, 0x2381);
    rig.run_for(1_000);
    let wrong = MonitorState::WrongChip {
        manufacturer_id: 0x5449,
        device_id: 0x2381,
    };
    assert_eq!(states(&mut rig), [MonitorState::Absent, wrong]);
    rig.send(&ToBoard::Start);
    let refusal = Refusal {
        command: Command::Start,
        reason: RefusalReason::NoMonitor,
    };
    assert_eq!(rig.take(), [FromBoard::Refusal(refusal)]);

    rig.buses[0].0.borrow_mut().fault = Some(Fault::Stuck {
        until_recoveries: u32::MAX,
    });
    rig.run_for(2 * RETRY_US);
    assert_eq!(states(&mut rig)[0], MonitorState::BusStuck);
}

#[test]
fn a_stuck_bus_is_clocked_free() {
    let mut rig = Rig::new();
    rig.buses[1].0.borrow_mut().fault = Some(Fault::Stuck { until_recoveries: 3 });
    rig.run_for(1_000);
    assert_eq!(states(&mut rig)[1], MonitorState::BusStuck);
    rig.run_for(4 * RETRY_US);
    assert_eq!(states(&mut rig)[1], MonitorState::Ready);
    assert_eq!(rig.buses[1].0.borrow().recoveries, 3);
    let health = rig.ask_health();
    assert_eq!(health.bus_errors, [0, 3]);
    assert_eq!(health.monitor_restarts, [0, 0], "it was never in service before");
}

#[test]
fn a_failed_read_is_missing_and_counted_and_hurts_nothing_else() {
    let mut rig = Rig::ready();
    rig.set_current(0, 111);
    rig.set_current(1, 222);
    rig.send(&ToBoard::Start);
    rig.run_for(103_000);
    rig.buses[0].0.borrow_mut().nacks = 2;
    rig.run_for(100_000);
    rig.send(&ToBoard::Stop);
    let codes = codes(&rig);
    let missing: Vec<_> = codes.iter().filter(|codes| codes[0].is_none()).collect();
    assert_eq!(missing, [&[None, Some(222)]; 2]);
    assert!(
        codes
            .iter()
            .flatten()
            .flatten()
            .all(|code| [111, 222].contains(code))
    );
    let health = rig.last_health();
    assert_eq!(health.bus_errors, [2, 0]);
    assert_eq!(health.next_index as usize, codes.len());
    assert_eq!(health.late_ticks, 0);
}

#[test]
fn failures_far_apart_do_not_add_up_to_a_lost_chip() {
    let mut rig = Rig::ready();
    rig.send(&ToBoard::Start);
    for _ in 0..20 {
        rig.run_for(7_000);
        rig.buses[1].0.borrow_mut().nacks = 1;
    }
    rig.run_for(5_000);
    rig.send(&ToBoard::Stop);
    assert_eq!(rig.last_health().bus_errors, [0, 20]);
    assert_eq!(codes(&rig).iter().filter(|codes| codes[1].is_none()).count(), 20);
}

#[test]
fn a_saturated_code_is_passed_on_as_it_is() {
    let mut rig = Rig::ready();
    rig.set_current(0, CURRENT_CODE_MAX);
    rig.set_current(1, CURRENT_CODE_MIN);
    rig.send(&ToBoard::Start);
    rig.run_for(50_000);
    rig.send(&ToBoard::Stop);
    let codes = codes(&rig);
    assert!(codes.len() >= 45);
    assert!(
        codes
            .iter()
            .all(|codes| *codes == [Some(CURRENT_CODE_MAX), Some(CURRENT_CODE_MIN)])
    );
}

#[test]
fn a_chip_that_lost_its_settings_mid_run_is_given_them_again() {
    let mut rig = Rig::ready();
    let settings = Configure {
        reading_period_us: 1_000,
        conversion_time: ConversionTime::Us540,
        shunt_range: ShuntRange::Millivolts41,
    };
    rig.send(&ToBoard::Configure(settings));
    rig.run_for(3_000);
    rig.send(&ToBoard::Start);
    rig.run_for(500_000);
    for bus in &rig.buses {
        assert_eq!(
            bus.0.borrow().get_u16(Register::Config),
            registers::config::ADCRANGE
        );
    }
    for (round, restarts) in [(0, [1, 0]), (1, [1, 1])] {
        rig.take();
        rig.buses[round].0.borrow_mut().power_up();
        let begun = rig.now.get();
        while rig.buses[round].0.borrow().get_u16(Register::Config) == 0 {
            rig.run_for(500);
            assert!(rig.now.get() - begun < 30_000, "not noticed");
        }
        // The host is told at once, not at the next full second.
        rig.run_for(2_000);
        assert_eq!(rig.last_health().monitor_restarts, restarts);
        assert_eq!(rig.buses[round].0.borrow().get_u16(Register::AdcConfig), 0xF100);
    }
    rig.send(&ToBoard::Stop);
    assert_eq!(rig.last_health().bus_errors, [0, 0]);
}

/// At 4000 readings a second a round of conversions is as long as the period: the reading at which the loss is noticed
/// and the next are both without a conversion under the right settings.
#[test]
fn readings_are_missing_until_a_restarted_chip_has_converted() {
    let mut rig = Rig::ready();
    let settings = Configure {
        reading_period_us: 250,
        conversion_time: ConversionTime::Us150,
        shunt_range: ShuntRange::Millivolts164,
    };
    rig.send(&ToBoard::Configure(settings));
    rig.run_for(3_000);
    rig.send(&ToBoard::Start);
    rig.run_for(100_000);
    rig.buses[0].0.borrow_mut().power_up();
    rig.run_for(100_000);
    rig.send(&ToBoard::Stop);
    assert_eq!(rig.last_health().monitor_restarts, [1, 0]);
    assert_eq!(codes(&rig).iter().filter(|codes| codes[0].is_none()).count(), 2);
    assert!(codes(&rig).iter().all(|codes| codes[1].is_some()));
}

#[test]
fn a_chip_whose_times_alone_were_changed_is_noticed_too() {
    let mut rig = Rig::ready();
    rig.send(&ToBoard::Start);
    rig.run_for(500_000);
    rig.buses[0].0.borrow_mut().set_u16(Register::AdcConfig, 0xFB68);
    rig.run_for(50_000);
    assert_eq!(rig.buses[0].0.borrow().get_u16(Register::AdcConfig), 0xF100);
    assert_eq!(rig.ask_health().monitor_restarts, [1, 0]);
}

#[test]
fn a_chip_that_was_unplugged_comes_back_into_the_same_run() {
    let mut rig = Rig::ready();
    rig.send(&ToBoard::Start);
    rig.run_for(200_000);
    rig.buses[0].0.borrow_mut().fault = Some(Fault::Nack);
    rig.run_for(1_000_000);
    assert_eq!(states(&mut rig), [MonitorState::Absent, MonitorState::Ready]);
    let errors = rig.ask_health().bus_errors[0];
    let most = u32::from(FAILURES_UNTIL_LOST) + 1_000_000 / RETRY_US as u32 + 1;
    assert!(
        (u32::from(FAILURES_UNTIL_LOST) + 5..=most).contains(&errors),
        "{errors}: looked for, not hammered"
    );
    {
        let mut wire = rig.buses[0].0.borrow_mut();
        wire.fault = None;
        wire.power_up();
    }
    rig.run_for(RETRY_US + 2_000);
    assert_eq!(states(&mut rig), [MonitorState::Ready; 2]);
    rig.set_current(0, 77);
    rig.run_for(100_000);
    rig.send(&ToBoard::Stop);
    assert_eq!(codes(&rig).last(), Some(&[Some(77), Some(0)]));
    assert_eq!(rig.last_health().monitor_restarts, [1, 0]);
}

#[test]
fn until_a_round_of_conversions_has_ended_there_is_no_reading() {
    let mut rig = Rig::new();
    let clock_us = |rig: &Rig| rig.now.get();
    rig.tick();
    rig.send(&ToBoard::Start);
    let begun = clock_us(&rig);
    rig.run_for(30_000);
    rig.send(&ToBoard::Stop);
    let first = rig.blocks()[0].time(0).as_micros();
    assert!(first - begun >= 640 + 640 / 50, "{first}");
    assert!(rig.blocks()[0].codes(0).iter().all(Option::is_some));

    // New settings and a start in one breath: the run begins when the chips have converted under them.
    rig.take();
    for (period, conversion_time) in [(10_000, ConversionTime::Us4120), (250, ConversionTime::Us150)] {
        rig.send(&ToBoard::Configure(Configure {
            reading_period_us: period,
            conversion_time,
            shunt_range: ShuntRange::Millivolts41,
        }));
        rig.send(&ToBoard::Start);
        rig.run_for(100_000);
        rig.send(&ToBoard::Stop);
        assert!(rig.blocks().iter().all(|block| block.period_us() == period));
        assert!(codes(&rig).iter().flatten().all(Option::is_some));
        rig.take();
    }
}
