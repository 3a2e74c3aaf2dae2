use std::time::Duration;

use steadybench_protocol::{Channel, ConversionTime, ToBoard};
use steadybench_virtual::model::Bench;
use steadybench_virtual::{Scenario, SwitchOn};

use crate::host::{Host, ms};

fn bench(scenario: &Scenario) -> Bench {
    let mut bench = Bench::new(scenario.unit.clone(), 9);
    bench.switch_supply(true, 0.0);
    bench.drive_relay(true, 0.0);
    bench
}

/// Energy of switch-on: what charges two capacitors from a source heats the resistances with as much as it stores,
/// half C V squared each, whatever the resistances are (RC charging in closed form).
#[test]
fn the_inrush_heats_as_much_as_it_stores() {
    let scenario = Scenario::healthy();
    let mut bench = bench(&scenario);
    bench.advance(0.2);
    let stage = scenario.unit.stages[0];
    let on_s = scenario.unit.supply.relay_operate_s;
    let (mut heat_j, h) = (0.0, 5e-6);
    let mut peak_a: f64 = 0.0;
    let end_s = on_s + stage.bridge_after_s;
    let mut at_s = on_s;
    while at_s < end_s {
        let i: Vec<f64> = Channel::ALL
            .iter()
            .map(|channel| bench.current_a(*channel, at_s, at_s + h).unwrap())
            .collect();
        let branch_ohm = stage.branch_ohm + stage.precharge_ohm + stage.shunt_ohm;
        heat_j += h * (branch_ohm * (i[0] * i[0] + i[1] * i[1]) + 0.1 * (i[0] + i[1]).powi(2));
        peak_a = peak_a.max(i[0]);
        at_s += h;
    }
    let stored_j = 2.0 * 0.5 * stage.reservoir_f * 24.0_f64.powi(2);
    assert!((heat_j / stored_j - 1.0).abs() < 5e-3, "{heat_j} {stored_j}");
    // Both branches share the source: V / (R + 2 Rs).
    let expected_a = 24.0 / (stage.branch_ohm + stage.precharge_ohm + stage.shunt_ohm + 0.2);
    assert!((peak_a / expected_a - 1.0).abs() < 2e-3, "{peak_a} {expected_a}");
}

/// The same inrush through chip, firmware and wire at 4000 readings a second: peak, time constant, I²t.
#[test]
fn the_inrush_on_the_wire_is_the_closed_form() {
    let mut scenario = Scenario::healthy();
    scenario.switch_on = SwitchOn::Never;
    let mut host = Host::new(&scenario, 3);
    host.configure(250, ConversionTime::Us150);
    host.send(&ToBoard::Start);
    host.board.switch_supply(true, ms(1_000));
    host.run(ms(2_000));
    let stage = host.board.with_bench(|bench| bench.unit().stages[0]);
    let amperes: Vec<f64> = host
        .blocks()
        .flat_map(|block| (0..block.len()).map(|position| block.codes(position)[0]))
        .map(|code| f64::from(code.unwrap()) * 312.5e-9 / stage.shunt_ohm)
        .collect();
    let begin = amperes.iter().position(|a| *a > 0.1).unwrap();
    let peak_a = amperes.iter().copied().fold(0.0, f64::max);
    let ohm = stage.branch_ohm + stage.precharge_ohm + stage.shunt_ohm + 0.2;
    // The first whole conversion lies up to one period and a conversion after the switch.
    assert!((peak_a * ohm / 24.0 - 1.0).abs() < 0.05, "{peak_a}");
    let first_a = amperes[begin + 2];
    let later_a = amperes[begin + 2 + 60];
    let tau_s = 60.0 * 250e-6 / (first_a / later_a).ln();
    assert!((tau_s / (ohm * stage.reservoir_f) - 1.0).abs() < 0.02, "{tau_s}");
    let i2t: f64 = amperes[begin..begin + 300].iter().map(|a| a * a * 250e-6).sum();
    let closed_form = stage.reservoir_f * 24.0 * 24.0 / (2.0 * ohm);
    assert!((i2t / closed_form - 1.0).abs() < 0.05, "{i2t} {closed_form}");
}

/// Over hours the case ends where the mean power and the thermal resistance put it, and the draw with it.
#[test]
fn a_soak_settles_where_heat_balances() {
    let mut scenario = Scenario::greenhouse();
    scenario.unit.room.cycle_k = 0.0;
    scenario.unit.room.day_k = 0.0;
    let mut bench = bench(&scenario);
    bench.advance(10.0);
    let cold_a = bench.current_a(Channel::Two, 5.0, 9.0).unwrap();
    bench.advance(6.0 * 3_600.0);
    // The last whole programmes of the motors.
    let end_s = 6.0 * 3_600.0;
    bench.keep_history(1_300.0);
    bench.advance(end_s + 1_200.0);
    let mean_a: f64 = Channel::ALL
        .iter()
        .map(|channel| bench.current_a(*channel, end_s, end_s + 1_200.0).unwrap())
        .sum();
    let rise_k =
        mean_a * 24.0 * scenario.unit.thermal.heating_share * scenario.unit.thermal.case_to_room_k_per_w;
    let case_k = bench.temperatures().case_c - 21.0;
    assert!((case_k / rise_k - 1.0).abs() < 0.02, "{case_k} {rise_k}");
    let warm_a = bench
        .current_a(Channel::Two, end_s + 1_190.0, end_s + 1_199.0)
        .unwrap();
    let expected = 1.0 + 2.5e-3 * (bench.temperatures().stage_c - 21.0);
    assert!(
        (warm_a / cold_a / expected - 1.0).abs() < 0.02,
        "{warm_a} {cold_a} {expected}"
    );
}

#[test]
fn a_shorted_stage_never_leaves_its_charging_resistor() {
    let scenario: Scenario = "greenhouse-shorted-stage".parse().unwrap();
    let mut bench = bench(&scenario);
    bench.advance(5.0);
    let stage = scenario.unit.stages[1];
    let expected_a = 24.0 / (stage.branch_ohm + stage.precharge_ohm + stage.shunt_ohm + 0.8);
    let found_a = bench.current_a(Channel::Two, 3.0, 4.0).unwrap();
    assert!(
        (found_a / expected_a - 1.0).abs() < 0.02,
        "{found_a} {expected_a}"
    );
    // The other stage works.
    let sound_a = bench.current_a(Channel::One, 3.0, 4.0).unwrap();
    assert!((sound_a - 0.085 - 24.0 / 10_000.0).abs() < 0.003, "{sound_a}");
}

/// An open lead is a gap on both channels at once, with a surge behind it: the reservoirs fill up again.
#[test]
fn a_loose_lead_opens_both_channels() {
    let scenario: Scenario = "greenhouse-loose-lead".parse().unwrap();
    let mut bench = bench(&scenario);
    bench.keep_history(4_000.0);
    bench.advance(3_600.0);
    let gaps = bench.truth().lead_gaps.clone();
    assert!((5..=40).contains(&gaps.len()), "{}", gaps.len());
    for (from_s, to_s) in gaps {
        for channel in Channel::ALL {
            let gap_a = bench.current_a(channel, from_s + 1e-5, to_s - 1e-5).unwrap();
            assert!(gap_a.abs() < 1e-12, "{gap_a}");
            let surge_a = bench.current_a(channel, to_s, to_s + 2e-4).unwrap();
            assert!(surge_a > 0.1, "{surge_a}");
        }
    }
}

#[test]
fn twins_in_good_order_draw_alike_and_the_faulty_stage_does_not() {
    for (scenario, alike) in [(Scenario::healthy(), true), (Scenario::greenhouse(), false)] {
        let mut host = Host::started(&scenario, 11);
        host.run(Duration::from_secs(20));
        let [one, two] = host
            .board
            .with_bench(|bench| Channel::ALL.map(|channel| bench.current_a(channel, 10.0, 20.0).unwrap()));
        assert_eq!((two / one - 1.0).abs() < 0.05, alike, "{one} {two}");
    }
}
