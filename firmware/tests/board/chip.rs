//! The chip's registers, settings, codes and scaling against its data sheet, TI SLYS021A (January 2021, revised May
//! 2022), and, where it is not mistaken, against another driver: the crate `ina228` 0.2.0. That crate's alert bits
//! MEMSTAT, ENERGYOF, MATHOF, CHARGEOF and its latch bit are not where the data sheet has them, so no bit of that
//! register is compared with it.

use crate::bus::{ADDRESS, FakeBus};
use embassy_futures::block_on;
use proptest::prelude::*;
use steadybench_firmware::ina228::{Ina228, Register, Settings, registers, scaling};
use steadybench_protocol::limits::{CURRENT_CODE_MAX, CURRENT_CODE_MIN, RAIL_CODE_MAX};
use steadybench_protocol::{ConversionTime, ShuntRange};

/// Data sheet tables 7-3 and 7-5 to 7-24: address, name, width, content after reset, fields.
const REGISTERS: &str = include_str!("data/ina228_registers.csv");

/// The data sheet's names, in the order of the addresses.
const NAMES: [&str; 20] = [
    "CONFIG",
    "ADC_CONFIG",
    "SHUNT_CAL",
    "SHUNT_TEMPCO",
    "VSHUNT",
    "VBUS",
    "DIETEMP",
    "CURRENT",
    "POWER",
    "ENERGY",
    "CHARGE",
    "DIAG_ALRT",
    "SOVL",
    "SUVL",
    "BOVL",
    "BUVL",
    "TEMP_LIMIT",
    "PWR_LIMIT",
    "MANUFACTURER_ID",
    "DEVICE_ID",
];

fn rows() -> Vec<Vec<&'static str>> {
    let rows: Vec<Vec<&str>> = REGISTERS
        .lines()
        .filter(|line| !line.starts_with('#') && !line.starts_with("addr_hex"))
        .map(|line| line.splitn(5, ',').collect())
        .collect();
    assert_eq!(rows.len(), Register::ALL.len());
    rows
}

#[test]
fn registers_have_the_printed_address_width_and_reset_content() {
    for ((row, register), name) in rows().iter().zip(Register::ALL).zip(NAMES) {
        assert_eq!(row[1], name, "{register:?}");
        assert_eq!(u8::from_str_radix(row[0], 16), Ok(register.address()), "{name}");
        assert_eq!(row[2].parse::<usize>(), Ok(8 * register.bytes()), "{name}");
        assert_eq!(
            u16::from_str_radix(row[3], 16),
            Ok(register.after_reset()),
            "{name}"
        );
    }
}

/// The position that a row's fields give for a name such as `ADCRANGE4`.
fn bit(register: &str, field: &str) -> u16 {
    let rows = rows();
    let row = rows.iter().find(|row| row[1] == register).expect("register");
    let position = row[4]
        .split(' ')
        .filter_map(|word| word.strip_prefix(field))
        .map(|rest| {
            rest.split(['(', ':'])
                .next_back()
                .filter(|_| rest.contains(':'))
                .unwrap_or(rest)
        })
        .find_map(|digits| digits.parse::<u32>().ok());
    1 << position.unwrap_or_else(|| panic!("{register} has no {field}"))
}

#[test]
fn bits_are_where_the_data_sheet_prints_them() {
    use registers::{adc_config, config, diag_alert as alert};
    for (field, ours) in [
        ("RST", config::RST),
        ("RSTACC", config::RSTACC),
        ("TEMPCOMP", config::TEMPCOMP),
        ("ADCRANGE", config::ADCRANGE),
    ] {
        assert_eq!(bit("CONFIG", field), ours, "{field}");
    }
    for (field, ours) in [
        ("VBUSCT", adc_config::VBUSCT),
        ("VSHCT", adc_config::VSHCT),
        ("VTCT", adc_config::VTCT),
    ] {
        assert_eq!(bit("ADC_CONFIG", field), 1 << ours, "{field}");
    }
    for (field, ours) in [
        ("ALATCH", alert::ALATCH),
        ("CNVR", alert::CNVR),
        ("SLOWALERT", alert::SLOWALERT),
        ("APOL", alert::APOL),
        ("ENERGYOF", alert::ENERGYOF),
        ("CHARGEOF", alert::CHARGEOF),
        ("MATHOF", alert::MATHOF),
        ("TMPOL", alert::TMPOL),
        ("SHNTOL", alert::SHNTOL),
        ("SHNTUL", alert::SHNTUL),
        ("BUSOL", alert::BUSOL),
        ("BUSUL", alert::BUSUL),
        ("POL", alert::POL),
        ("CNVRF", alert::CNVRF),
        ("MEMSTAT", alert::MEMSTAT),
    ] {
        assert_eq!(bit("DIAG_ALRT", field), ours, "{field}");
    }
}

/// Data sheet section 8.2, tables 8-3 and 8-4: 48 V rail, 10 A at most through 16.2 mΩ.
#[test]
fn scaling_gives_the_worked_example() {
    let step_a = scaling::current_step_a(10.0);
    assert!((step_a - 19.0735e-6).abs() < 5e-11, "{step_a}");
    assert_eq!(
        scaling::shunt_cal(step_a, 0.0162, ShuntRange::Millivolts164),
        Some(4_050)
    );
    assert_eq!(
        scaling::shunt_cal(step_a, 0.0162, ShuntRange::Millivolts41),
        Some(16_200)
    );
    let close = |ours: f64, sheet: f64| assert!((ours / sheet - 1.0).abs() < 4e-6, "{ours} is not {sheet}");
    close(scaling::shunt_v(311_040, ShuntRange::Millivolts164), 97.2e-3);
    close(scaling::shunt_v(-311_040, ShuntRange::Millivolts164), -97.2e-3);
    close(scaling::shunt_v(4 * 32_000, ShuntRange::Millivolts41), 10e-3);
    close(scaling::current_a(314_572, step_a), 6.0);
    close(scaling::rail_v(245_760), 48.0);
    close(scaling::power_w(4_718_604, step_a), 288.0);
    close(scaling::chip_temperature_c(3_200), 25.0);
}

#[test]
fn a_shunt_calibration_that_does_not_fit_its_15_bits_is_none() {
    let range = ShuntRange::Millivolts164;
    assert_eq!(scaling::shunt_cal(1.0, 1.0, range), None);
    assert_eq!(scaling::shunt_cal(0.0, 0.016, range), None);
    assert_eq!(scaling::shunt_cal(f64::NAN, 0.016, range), None);
    assert_eq!(scaling::shunt_cal(-1e-6, 0.016, range), None);
}

/// Data sheet section 8.2: 1011 0100 0001 0000 0000b stands for -311040.
#[test]
fn the_driver_reads_the_worked_examples_codes() {
    let bus = FakeBus::new();
    let mut chip = Ina228::new(bus.clone(), ADDRESS);
    let set = |register, content: &[u8]| bus.0.borrow_mut().set(register, content);
    set(Register::Vshunt, &[0b1011_0100, 0b0001_0000, 0]);
    assert_eq!(block_on(chip.shunt_code()), Ok(-311_040));
    set(Register::Vshunt, &[0x4B, 0xF0, 0x00]);
    assert_eq!(block_on(chip.shunt_code()), Ok(311_040));
    set(Register::Vbus, &[0x3C, 0x00, 0x00]);
    assert_eq!(block_on(chip.rail_code()), Ok(245_760));
    set(Register::DieTemp, &[0x0C, 0x80]);
    assert_eq!(block_on(chip.chip_temperature()), Ok(3_200));
    set(Register::DieTemp, &[0xFF, 0xFF]);
    assert_eq!(block_on(chip.chip_temperature()), Ok(-1));
}

#[test]
fn the_ends_of_the_range_stay_as_they_are() {
    let bus = FakeBus::new();
    let mut chip = Ina228::new(bus.clone(), ADDRESS);
    for code in [CURRENT_CODE_MIN, CURRENT_CODE_MAX, 0, -1, 1] {
        bus.set_code(Register::Vshunt, code);
        assert_eq!(block_on(chip.shunt_code()), Ok(code));
    }
    bus.set_code(Register::Vbus, -1);
    assert_eq!(
        block_on(chip.rail_code()),
        Ok(RAIL_CODE_MAX),
        "the rail is never negative"
    );
}

#[test]
fn the_pointer_is_written_only_when_it_must_move() {
    let bus = FakeBus::new();
    let mut chip = Ina228::new(bus.clone(), ADDRESS);
    let written = || -> Vec<Vec<u8>> {
        bus.0
            .borrow_mut()
            .log
            .drain(..)
            .map(|(written, _)| written)
            .collect()
    };
    block_on(async {
        chip.shunt_code().await.unwrap();
        chip.shunt_code().await.unwrap();
        chip.rail_code().await.unwrap();
        chip.shunt_code().await.unwrap();
    });
    assert_eq!(written(), [vec![0x04], vec![], vec![0x05], vec![0x04]]);
    // After a failure nobody knows where the pointer is.
    bus.0.borrow_mut().nacks = 1;
    assert!(block_on(chip.shunt_code()).is_err());
    block_on(chip.shunt_code()).unwrap();
    assert_eq!(written(), [vec![0x04]]);
    // A chip that is set up is told range first, then mode and times: F800h and the shunt's code at bit 6.
    let settings = Settings {
        shunt_range: ShuntRange::Millivolts41,
        conversion_time: ConversionTime::Us540,
    };
    block_on(chip.configure(settings)).unwrap();
    assert_eq!(written(), [vec![0x00, 0x00, 0x10], vec![0x01, 0xF1, 0x00]]);
}

#[test]
fn identity_is_right_in_any_revision_and_only_then() {
    let bus = FakeBus::new();
    let mut chip = Ina228::new(bus.clone(), ADDRESS);
    for (manufacturer, device, right) in [
        (0x5449, 0x2281, true),
        (0x5449, 0x228F, true),
        (0x5449, 0x2291, false),
        (0x5449, 0x2381, false),
        (0x5448, 0x2281, false),
        (0xFFFF, 0xFFFF, false),
    ] {
        bus.0.borrow_mut().set_u16(Register::ManufacturerId, manufacturer);
        bus.0.borrow_mut().set_u16(Register::DeviceId, device);
        let identity = block_on(chip.identity()).unwrap();
        assert_eq!(identity.is_ina228(), right, "{identity:?}");
    }
}

#[test]
fn settings_are_those_of_the_other_driver() {
    use ina228::{AdcRange, AveragingCount, ConversionTime as Theirs, OperatingMode};
    let theirs = [
        Theirs::Us50,
        Theirs::Us84,
        Theirs::Us150,
        Theirs::Us280,
        Theirs::Us540,
        Theirs::Us1052,
        Theirs::Us2074,
        Theirs::Us4120,
    ];
    for (shunt_range, range) in [
        (ShuntRange::Millivolts164, AdcRange::Range163mV),
        (ShuntRange::Millivolts41, AdcRange::Range40mV),
    ] {
        for (conversion_time, time) in ConversionTime::ALL.into_iter().zip(theirs) {
            let bus = FakeBus::new();
            let mut other = ina228::Ina228::new(bus.clone(), ADDRESS);
            other.set_adc_range(range).unwrap();
            other
                .configure(
                    OperatingMode::ContinuousAll,
                    Theirs::Us50,
                    time,
                    Theirs::Us50,
                    AveragingCount::N1,
                )
                .unwrap();
            let settings = Settings {
                shunt_range,
                conversion_time,
            };
            assert_eq!(bus.0.borrow().get_u16(Register::Config), settings.config());
            assert_eq!(bus.0.borrow().get_u16(Register::AdcConfig), settings.adc_config());
        }
    }
}

proptest! {
    #[test]
    fn readings_are_those_of_the_other_driver(
        shunt in CURRENT_CODE_MIN..=CURRENT_CODE_MAX,
        rail in 0..=RAIL_CODE_MAX,
        temperature: i16,
    ) {
        let bus = FakeBus::new();
        bus.set_code(Register::Vshunt, shunt);
        bus.set_code(Register::Vbus, rail as i32);
        bus.0.borrow_mut().set(Register::DieTemp, &temperature.to_be_bytes());
        let mut chip = Ina228::new(bus.clone(), ADDRESS);
        let mut other = ina228::Ina228::new(bus, ADDRESS);
        let close = |ours: f64, theirs: f32| (ours - f64::from(theirs)).abs() <= 1e-6 * ours.abs() + 1e-12;
        let code = block_on(chip.shunt_code()).unwrap();
        prop_assert_eq!(code, shunt);
        prop_assert!(close(scaling::shunt_v(code, ShuntRange::Millivolts164), other.shunt_voltage().unwrap()));
        let code = block_on(chip.rail_code()).unwrap();
        prop_assert_eq!(code, rail);
        prop_assert!(close(scaling::rail_v(code), other.bus_voltage().unwrap()));
        let code = block_on(chip.chip_temperature()).unwrap();
        prop_assert_eq!(code, temperature);
        prop_assert!(close(scaling::chip_temperature_c(code), other.die_temperature().unwrap()));
    }
}
