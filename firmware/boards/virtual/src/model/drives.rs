//! From what is switched on to the network's shape and what drives it.

use num_complex::Complex64;

use super::bench::Bench;
use super::network::{BRANCHES, Drive, Network};

pub(crate) fn network(bench: &Bench) -> Network {
    let stages = &bench.unit.stages;
    Network {
        source_ohm: bench.unit.supply.source_ohm,
        closed: bench.powered && !bench.lead_open,
        branch_ohm: std::array::from_fn(|k| {
            let charging = if bench.bridged[k] {
                0.0
            } else {
                stages[k].precharge_ohm
            };
            stages[k].branch_ohm + stages[k].shunt_ohm + charging
        }),
        reservoir_f: stages.map(|stage| stage.reservoir_f),
        leak_s: stages.map(|stage| 1.0 / stage.across_ohm),
    }
}

/// Share of stage 2's draw that its joint lets through.
fn joint_share(bench: &Bench) -> f64 {
    bench
        .open_events
        .iter()
        .filter_map(|event| bench.truth.joint.get(*event))
        .fold(1.0, |share, event| event.share_left.min(share))
}

pub(crate) fn drives(bench: &Bench, closed: bool) -> Vec<Drive> {
    let now_s = bench.now_s;
    let share: [f64; BRANCHES] = {
        let share = [1.0, joint_share(bench)];
        std::array::from_fn(|k| {
            if bench.drawing && bench.bridged[k] {
                share[k]
            } else {
                0.0
            }
        })
    };
    let supply = &bench.unit.supply;
    let stages = &bench.unit.stages;
    let motors_s = bench.motors_since_s.map(|since_s| now_s - since_s);
    let constant_a = |k: usize| {
        let stage = &stages[k];
        let warmer_k = bench.temperatures.stage_c - 25.0;
        let grown_a = stage.excess_a + stage.excess_a_per_hour * now_s / 3_600.0;
        let look_a = if bench.looking[k] { stage.look_a } else { 0.0 };
        let motor_a = if motors_s.is_some() { stage.motor_a } else { 0.0 };
        (stage.rest_a + grown_a) * (1.0 + stage.draw_per_k * warmer_k) + bench.wander_a[k] + look_a + motor_a
    };
    let mut drives = vec![Drive {
        rate: Complex64::ZERO,
        source_v: if closed { supply.volts } else { 0.0 }.into(),
        draw_a: std::array::from_fn(|k| (share[k] * constant_a(k)).into()),
    }];
    if closed {
        for ripple in supply.ripple {
            let omega = std::f64::consts::TAU * supply.mains_hz * ripple.harmonic;
            drives.push(Drive {
                rate: Complex64::new(0.0, omega),
                source_v: Complex64::from_polar(ripple.amplitude_v, omega * now_s),
                draw_a: [Complex64::ZERO; BRANCHES],
            });
        }
    }
    if let Some(motors_s) = motors_s {
        for k in 0..BRANCHES {
            let stage = &stages[k];
            let only = |amplitude: Complex64| {
                let mut draw_a = [Complex64::ZERO; BRANCHES];
                draw_a[k] = amplitude * share[k];
                draw_a
            };
            let left = (-motors_s / stage.motor_start_s).exp();
            if left > 1e-9 {
                drives.push(Drive {
                    rate: Complex64::from(-1.0 / stage.motor_start_s),
                    source_v: Complex64::ZERO,
                    draw_a: only(((stage.motor_start_a - stage.motor_a) * left).into()),
                });
            }
            let omega = std::f64::consts::TAU * stage.pulse_hz;
            drives.push(Drive {
                rate: Complex64::new(0.0, omega),
                source_v: Complex64::ZERO,
                draw_a: only(Complex64::from_polar(stage.pulse_a, omega * now_s)),
            });
        }
    }
    drives
}
