//! Pages of the codes' scale and of the first switch-on.

// What is refused must fail the test.
#![allow(clippy::unwrap_used)]

use super::common::column;
use super::page::{PUBLISHED, Row, keep, page, page_of, row};
use steadybench_analysis::calibration::{
    ChannelCalibration, DIE_TEMPERATURE_STEP_C, Shunt, ShuntRange, noise_peak_to_peak_v,
};
use steadybench_analysis::limiter::{FirstSwitchOn, RailKind, advise};

#[test]
fn scale_and_noise_of_the_monitor_chip() {
    let shunt = Shunt {
        nominal_ohm: 0.016_2,
        tolerance: 0.01,
        temperature_coefficient_per_k: 75e-6,
    };
    let channel = ChannelCalibration::uncalibrated(shunt);
    let example = [
        row(
            "current of code 311 040 in 16.2 mΩ, A",
            6.0,
            channel.current_a(311_040.0, ShuntRange::Wide),
            9,
        ),
        row(
            "current of code −311 040, A",
            -6.0,
            channel.current_a(-311_040.0, ShuntRange::Wide),
            9,
        ),
        row("rail of code 245 760, V", 48.0, channel.rail_v(245_760.0), 9),
        row(
            "temperature of code 3 200, °C",
            25.0,
            3_200.0 * DIE_TEMPERATURE_STEP_C,
            9,
        ),
    ];
    let text = include_str!("../data/ina228_noise_table_8-2.csv");
    let [time_us, averages, wide_uv, narrow_uv] = [0, 1, 5, 6].map(|index| column(text, index));
    let noise: Vec<Row> = (0..time_us.len())
        .filter(|at| averages[*at] == 1.0)
        .flat_map(|at| {
            [
                (ShuntRange::Wide, "±163.84 mV", wide_uv[at]),
                (ShuntRange::Narrow, "±40.96 mV", narrow_uv[at]),
            ]
            .map(|(range, name, published)| {
                let ours = noise_peak_to_peak_v(time_us[at] as u32, 1, range).unwrap() * 1e6;
                row(
                    &format!("noise at {} µs, {name}, µV from peak to peak", time_us[at]),
                    published,
                    ours,
                    4,
                )
            })
        })
        .collect();
    keep(
        "calibration",
        &page_of(
            &[
                (
                    "TI SLYS021A, section 8.2, the worked design example",
                    PUBLISHED,
                    &example,
                ),
                (
                    "TI SLYS021A, table 8-2, the rows without averaging, worked out from its noise-free bits",
                    PUBLISHED,
                    &noise,
                ),
            ],
            &[],
        ),
    );
}

#[test]
fn a_resistor_in_series() {
    let first = FirstSwitchOn {
        rail_v: 24.0,
        kind: RailKind::Dc,
        expected_a: 0.5,
    };
    let resistor = advise(&first).unwrap().resistor;
    let ohm = resistor.resistance_ohm;
    let rows = [
        row("into a short, A", 24.0 / ohm, resistor.fault_a, 9),
        row("heat in it on a short, W", 24.0 * 24.0 / ohm, resistor.fault_w, 9),
        row("48 Ω behind it, A", 24.0 / (ohm + 48.0), resistor.resistive_a, 9),
        row(
            "voltage left for 48 Ω, V",
            24.0 * 48.0 / (ohm + 48.0),
            resistor.left_resistive_v,
            9,
        ),
        row(
            "voltage left at 0.5 A, V",
            24.0 - 0.5 * ohm,
            resistor.left_constant_current_v,
            9,
        ),
    ];
    let columns = ["closed form", "ours", "relative difference"];
    let source = format!(
        "Ohm's law for 24 V and 0.5 A behind the {ohm} Ω that are advised; no source is needed, and the lamp's exponent has \
         none (from memory)"
    );
    keep("limiter", &page(&source, columns, &rows, &[]));
}
