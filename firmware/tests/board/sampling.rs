//! When readings are due, how often the rest is read, and what late means.

use proptest::prelude::*;
use steadybench_firmware::sampler::{Schedule, periods_in, readings_per_block};
use steadybench_protocol::limits::{
    BLOCK_SPAN_US, READING_PERIOD_MAX_US, READING_PERIOD_MIN_US, READINGS_PER_BLOCK_MAX,
};
use steadybench_protocol::{BoardTime, Configure, ConversionTime, FromBoard, ShuntRange, ToBoard};

use crate::rig::Rig;

const fn at(us: u64) -> BoardTime {
    BoardTime::from_micros(us)
}

#[test]
fn half_a_period_late_is_in_time_and_more_is_late() {
    let mut schedule = Schedule::new(at(1_000), 1_000);
    assert_eq!(schedule.wake(at(999)), None);
    let wake = schedule.wake(at(1_500)).unwrap();
    assert_eq!((wake.due, wake.overslept, wake.late), (at(1_000), 0, false));
    let wake = schedule.wake(at(2_501)).unwrap();
    assert_eq!((wake.due, wake.overslept, wake.late), (at(2_000), 0, true));
    assert_eq!(schedule.next_due(), at(3_000));
    let wake = schedule.wake(at(6_200)).unwrap();
    assert_eq!((wake.due, wake.overslept, wake.late), (at(6_000), 3, false));
    let wake = schedule.wake(at(8_000)).unwrap();
    assert_eq!((wake.due, wake.overslept, wake.late), (at(8_000), 1, false));
}

fn periods() -> impl Strategy<Value = u32> {
    READING_PERIOD_MIN_US..=READING_PERIOD_MAX_US
}

proptest! {
    /// However the sampler oversleeps, each instant of the grid is either read or said to be overslept, once, in order.
    #[test]
    fn no_instant_is_skipped_in_silence(
        period in periods(),
        delays in prop::collection::vec(0_u64..50_000, 1..200),
    ) {
        let mut schedule = Schedule::new(at(5), period);
        let mut now = 5;
        let mut instants = 0;
        for delay in delays {
            now = schedule.next_due().as_micros().max(now) + delay;
            let Some(wake) = schedule.wake(at(now)) else { continue };
            instants += wake.overslept;
            prop_assert_eq!(wake.due, at(5 + instants * u64::from(period)));
            prop_assert!(wake.due <= at(now));
            let lateness = now - wake.due.as_micros();
            prop_assert!(lateness < u64::from(period));
            prop_assert_eq!(wake.late, 2 * lateness > u64::from(period));
            instants += 1;
        }
    }

    #[test]
    fn the_rest_is_read_as_often_as_promised(period in periods()) {
        let mut schedule = Schedule::new(at(0), period);
        let [mut rail, mut settings, mut thermistors, mut temperature, mut slow, mut health] = [0_u32; 6];
        let ticks = 3_000_000 / period;
        for _ in 0..ticks {
            let errands = schedule.wake(schedule.next_due()).unwrap().errands;
            rail += u32::from(errands.rail);
            settings += u32::from(errands.settings);
            thermistors += u32::from(errands.thermistors);
            temperature += u32::from(errands.chip_temperature);
            slow += u32::from(errands.slow_values);
            health += u32::from(errands.health);
            if period <= 2_500 {
                let on_the_bus = [errands.rail, errands.settings, errands.chip_temperature];
                prop_assert!(on_the_bus.into_iter().filter(|due| *due).count() <= 1);
            }
        }
        // The longest reading period allows 100 of anything a second; a count may fall short by the one just ahead.
        prop_assert!(rail >= 299 && settings >= 299 && thermistors >= 299, "{rail} {settings} {thermistors}");
        prop_assert!((29..=60).contains(&temperature) && (29..=60).contains(&slow), "{temperature} {slow}");
        prop_assert!((3..=6).contains(&health), "{health}");
    }

    #[test]
    fn a_block_spans_no_more_than_its_time(period in periods()) {
        let readings = readings_per_block(period);
        prop_assert!((1..=READINGS_PER_BLOCK_MAX).contains(&readings));
        prop_assert!(readings as u32 * period <= BLOCK_SPAN_US);
        prop_assert!(readings == READINGS_PER_BLOCK_MAX || (readings as u32 + 1) * period > BLOCK_SPAN_US);
        prop_assert!(periods_in(10_000, period) * period <= 10_000);
    }
}

#[test]
fn late_and_overslept_readings_are_marked_and_counted() {
    let mut rig = Rig::ready();
    rig.send(&ToBoard::Start);
    rig.run_for(5_000);
    rig.oversleep(800 + 1_000 - rig.now.get() % 1_000 + 300);
    rig.run_for(20_000);
    rig.oversleep(7_000);
    rig.send(&ToBoard::Stop);
    let blocks = rig.blocks();
    let readings: Vec<_> = blocks
        .iter()
        .flat_map(|block| {
            (0..block.len()).map(move |at| (block.time(at), block.codes(at), block.is_late(at)))
        })
        .collect();
    let late = readings.iter().filter(|(_, _, late)| *late).count();
    let missing = readings
        .iter()
        .filter(|(_, codes, _)| *codes == [None; 2])
        .count();
    assert!(late >= 1, "{readings:?}");
    assert!(missing >= 6, "{readings:?}");
    assert_eq!(rig.last_health().late_ticks as usize, late + missing);
    assert_eq!(rig.last_health().next_index as usize, readings.len());
    for pair in readings.windows(2) {
        assert_eq!(
            pair[1].0.micros_since(pair[0].0),
            Some(1_000),
            "the index keeps in step with time"
        );
    }
}

/// Four hours of sleep at 4000 readings a second: more instants than could ever be made into blocks.
#[test]
fn a_very_long_sleep_is_counted_at_once() {
    let mut rig = Rig::ready();
    let settings = Configure {
        reading_period_us: READING_PERIOD_MIN_US,
        conversion_time: ConversionTime::Us150,
        shunt_range: ShuntRange::Millivolts164,
    };
    rig.send(&ToBoard::Configure(settings));
    rig.run_for(2_000);
    rig.send(&ToBoard::Start);
    rig.run_for(10_000);
    let sleep = 4 * 3_600_000_000_u64;
    rig.oversleep(sleep);
    rig.run_for(1_000);
    rig.send(&ToBoard::Stop);
    let health = rig.last_health();
    let sent: u64 = rig.blocks().iter().map(|block| block.len() as u64).sum();
    assert_eq!(health.next_index, sent + health.readings_dropped);
    assert!(
        health.next_index.abs_diff((sleep + 11_000) / 250) < 10,
        "{}",
        health.next_index
    );
    let blocks = rig.blocks();
    let (first, last) = (&blocks[0], &blocks[blocks.len() - 1]);
    let spanned = last.time(0).micros_since(first.time(0)).unwrap();
    assert_eq!(spanned, 250 * (last.first_index() - first.first_index()));
}

#[test]
fn slow_values_bear_the_rails_extremes() {
    use steadybench_firmware::ina228::Register;
    let mut rig = Rig::ready();
    rig.buses[0].set_code(Register::Vbus, 122_880);
    rig.send(&ToBoard::Start);
    rig.run_for(300_000);
    rig.take();
    for code in [122_880, 120_000, 124_000, 122_000] {
        rig.buses[0].set_code(Register::Vbus, code);
        rig.run_for(25_000);
    }
    rig.run_for(100_000);
    let slow: Vec<_> = rig
        .received
        .iter()
        .filter_map(|message| match message {
            FromBoard::Slow(slow) => Some(*slow),
            _ => None,
        })
        .collect();
    assert_eq!(slow.len(), 2);
    let rails: Vec<_> = slow.iter().map(|slow| slow.rail[0].unwrap()).collect();
    assert_eq!(rails.iter().map(|rail| rail.lowest).min(), Some(120_000));
    assert_eq!(rails.iter().map(|rail| rail.highest).max(), Some(124_000));
    assert_eq!(rails[1].latest, 122_000);
    assert!(
        slow.iter().all(|slow| slow.chip_temperature == [Some(0); 2]),
        "{slow:?}"
    );
}
