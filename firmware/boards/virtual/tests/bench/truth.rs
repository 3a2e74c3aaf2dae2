use std::collections::BTreeMap;

use steadybench_protocol::{Channel, ConversionTime, FromBoard};
use steadybench_virtual::chip::noise;
use steadybench_virtual::{SHUNT_MICRO_OHM, Scenario};

use crate::host::{Host, ms};

/// Codes on the wire by channel and board time.
fn on_the_wire(host: &Host) -> BTreeMap<(usize, u64), i32> {
    let mut codes = BTreeMap::new();
    for block in host.blocks() {
        for position in 0..block.len() {
            for (channel, code) in block.codes(position).into_iter().enumerate() {
                if let Some(code) = code {
                    codes.insert((channel, block.time(position).as_micros()), code);
                }
            }
        }
    }
    codes
}

/// Every code that reaches the host is the true current through the true shunt with the chip's own errors, and what is
/// left over is the table's noise and the rounding, no more and no less.
#[test]
fn readings_are_the_truth_within_noise_and_rounding() {
    for (seed, period_us, conversion) in [
        (1, 1_000, ConversionTime::Us540),
        (2, 250, ConversionTime::Us150),
        (3, 10_000, ConversionTime::Us4120),
    ] {
        let mut host = Host::new(&Scenario::greenhouse(), seed);
        host.configure(period_us, conversion);
        host.board.record_readings(true);
        host.send(&steadybench_protocol::ToBoard::Start);
        host.run(ms(20_000));
        let codes = on_the_wire(&host);
        let readings = host.board.with_bench(|bench| bench.truth().readings.clone());
        let noise_v = noise::shunt_noise_v(
            conversion.code(),
            0,
            steadybench_protocol::ShuntRange::Millivolts164,
        );
        for channel in Channel::ALL {
            let parts = host.board.monitor_parts(channel);
            let shunt_ohm = host
                .board
                .with_bench(|bench| bench.unit().stages[channel.index()].shunt_ohm);
            let (mut squares, mut seen) = (0.0, 0);
            for reading in readings.iter().filter(|reading| reading.channel == channel) {
                let Some(code) = codes.get(&(channel.index(), reading.board_us)) else {
                    // Still in the block that is being filled, or read while the settings were checked.
                    continue;
                };
                assert_eq!(*code, reading.conversion.code);
                let at_pins_v = reading.conversion.truth;
                let expected_v = at_pins_v * (1.0 + parts.shunt_gain) + parts.shunt_offset_v;
                let left_v = f64::from(*code) * 312.5e-9 - expected_v;
                assert!(left_v.abs() < 6.0 * noise_v + 312.5e-9, "{left_v}");
                squares += left_v * left_v;
                seen += 1;
                // The shunt's temperature coefficient is 50 ppm/K, and the room within 6 K of 25 °C.
                assert!((at_pins_v - reading.current_a * shunt_ohm).abs() <= 3e-4 * at_pins_v.abs());
                // And the nominal shunt gives the current within its tolerance.
                let nominal_a = f64::from(*code) * 312.5e-9 / (f64::from(SHUNT_MICRO_OHM) * 1e-6);
                let noise_a = 6.0 * noise_v / 0.05;
                assert!(
                    (nominal_a - reading.current_a).abs() < 0.011 * reading.current_a.abs() + noise_a + 2e-5
                );
            }
            let expected = noise_v.powi(2) + 312.5e-9_f64.powi(2) / 12.0;
            let ratio = squares / f64::from(seen) / expected;
            // Six standard errors of a mean of squares.
            let allowed = 6.0 * (2.0 / f64::from(seen)).sqrt();
            assert!(seen > 1_900, "{seen}");
            assert!((ratio - 1.0).abs() < allowed, "seed {seed} {channel:?}: {ratio}");
        }
    }
}

/// The question about any window agrees with the sum of the parts, and the history ends where it should.
#[test]
fn the_truth_of_a_window_is_the_mean_of_its_parts() {
    let mut host = Host::started(&Scenario::greenhouse(), 4);
    host.run(ms(65_000));
    host.board.with_bench(|bench| {
        let whole = bench.current_a(Channel::Two, 62.0, 64.0).unwrap();
        let parts: f64 = (0..2_000)
            .map(|k| {
                let from_s = 62.0 + f64::from(k) * 1e-3;
                bench.current_a(Channel::Two, from_s, from_s + 1e-3).unwrap()
            })
            .sum();
        assert!((whole - parts / 2_000.0).abs() < 1e-9);
        assert_eq!(bench.current_a(Channel::Two, 64.0, 70.0), None);
        assert_eq!(bench.current_a(Channel::Two, 1.0, 2.0), None);
        assert_eq!(bench.current_a(Channel::Two, 63.0, 63.0), None);
    });
}

/// Rail and thermistors: slow values against the bench.
#[test]
fn slow_values_are_the_rail_and_the_temperatures() {
    let mut host = Host::started(&Scenario::greenhouse(), 7);
    host.run(ms(50_000));
    let slow = host.slow();
    let last = slow.last().unwrap();
    let temperatures = host.board.with_bench(|bench| *bench.temperatures());
    for channel in Channel::ALL {
        let rail_v = f64::from(last.rail[channel.index()].unwrap().latest) * 195.312_5e-6;
        // 24 V less source, shunt: a few tens of millivolts; noise of the shortest conversion 3 mV rms.
        assert!((rail_v - 23.95).abs() < 0.05, "{rail_v}");
        let steadybench_protocol::ThermistorReading::Code(code) = last.thermistor[channel.index()] else {
            panic!("a thermistor is there");
        };
        let ohm = 10_000.0 * f64::from(code) / (4_096.0 - f64::from(code));
        // Inverse of the curve: Vishay document 29049 by way of the published coefficients.
        let l = (ohm / 10_000.0).ln();
        let kelvin =
            1.0 / (3.354_016e-3 + 2.569_850e-4 * l + 2.620_131e-6 * l * l + 6.383_091e-8 * l * l * l);
        let celsius = kelvin - 273.15;
        let truth_c = temperatures.thermistor_c[channel.index()];
        assert!((celsius - truth_c).abs() < 0.25, "{celsius} {truth_c}");
        let chip_c = f64::from(last.chip_temperature[channel.index()].unwrap()) * 7.812_5e-3;
        assert!((chip_c - (temperatures.room_c + 3.0)).abs() < 1.1, "{chip_c}");
    }
    assert!(
        host.messages
            .iter()
            .any(|message| matches!(message, FromBoard::Health(_)))
    );
}
