use super::*;
use steadybench_firmware::ina228::registers::adc_config;

/// Constant inputs.
struct Steady {
    shunt_v: f64,
    rail_v: f64,
    chip_c: f64,
}

impl ChipInputs for Steady {
    fn shunt_v(&self, _: f64, _: f64) -> f64 {
        self.shunt_v
    }

    fn rail_v(&self, _: f64, _: f64) -> f64 {
        self.rail_v
    }

    fn chip_c(&self) -> f64 {
        self.chip_c
    }

    fn totals(&self, at_s: f64) -> Totals {
        Totals {
            shunt_vs: self.shunt_v * at_s,
            product_v2s: self.shunt_v * self.rail_v * at_s,
        }
    }
}

/// The data sheet's design example, section 8.2: 6 A through 16.2 mΩ at 48 V and 25 °C.
const EXAMPLE: Steady = Steady {
    shunt_v: 97.2e-3,
    rail_v: 48.0,
    chip_c: 25.0,
};

fn chip() -> Chip {
    Chip::new(ChipParts::PERFECT, 1, 0.0)
}

fn read(chip: &mut Chip, register: Register, at_s: f64, inputs: &Steady) -> u64 {
    let mut bytes = [0; 8];
    let width = register.bytes();
    chip.write(&[register.address()], at_s, inputs);
    chip.read(&mut bytes[8 - width..], at_s, inputs);
    u64::from_be_bytes(bytes)
}

fn set(chip: &mut Chip, register: Register, content: u16, at_s: f64, inputs: &Steady) {
    let [high, low] = content.to_be_bytes();
    chip.write(&[register.address(), high, low], at_s, inputs);
}

/// Register map of the data sheet, tables 7-3 and 7-5 to 7-24.
#[test]
fn every_register_has_the_data_sheets_address_width_and_reset_value() {
    let mut seen = 0;
    for line in include_str!("../../data/ina228_registers.csv")
        .lines()
        .filter(|line| !line.starts_with('#') && !line.starts_with("addr"))
    {
        let cells: Vec<&str> = line.split(',').collect();
        let address = u8::from_str_radix(cells[0], 16).unwrap();
        let bytes: usize = cells[2].parse::<usize>().unwrap() / 8;
        let reset = u64::from_str_radix(cells[3], 16).unwrap();
        let inputs = Steady {
            shunt_v: 0.0,
            rail_v: 0.0,
            chip_c: 0.0,
        };
        let mut chip = chip();
        let mut content = [0xAA; 6];
        chip.write(&[address], 0.0, &inputs);
        chip.read(&mut content, 0.0, &inputs);
        assert_eq!(content[bytes], 0xFF, "{} is {bytes} bytes wide", cells[1]);
        let value = content[..bytes]
            .iter()
            .fold(0, |value, byte| value << 8 | u64::from(*byte));
        assert_eq!(value, reset, "{}", cells[1]);
        seen += 1;
    }
    assert_eq!(seen, Register::ALL.len());
}

/// Tables 8-3 and 8-4, with the longest conversions averaged 1024 times so that the noise is half a step.
#[test]
fn the_design_example_of_the_data_sheet() {
    let mut chip = chip();
    set(&mut chip, Register::ShuntCal, 4_050, 0.0, &EXAMPLE);
    set(&mut chip, Register::AdcConfig, 0xFFFF, 0.0, &EXAMPLE);
    let at_s = 3_600.0;
    let shunt = read(&mut chip, Register::Vshunt, at_s, &EXAMPLE) >> 4;
    assert!(shunt.abs_diff(311_040) <= 1, "{shunt}");
    let current = read(&mut chip, Register::Current, at_s, &EXAMPLE) >> 4;
    assert!(current.abs_diff(314_572) <= 2, "{current}");
    let rail = read(&mut chip, Register::Vbus, at_s, &EXAMPLE) >> 4;
    assert!(rail.abs_diff(245_760) <= 2, "{rail}");
    // The sheet prints 4718604; exact scaling gives 4718592.
    let power = read(&mut chip, Register::Power, at_s, &EXAMPLE);
    assert!(power.abs_diff(4_718_592) <= 50, "{power}");
    assert_eq!(read(&mut chip, Register::DieTemp, at_s, &EXAMPLE), 3_200);
    // The sheet multiplies its own rounded values: 12 steps of power in the sum.
    let energy = read(&mut chip, Register::Energy, at_s, &EXAMPLE);
    assert!((energy as f64 / 1_061_683_200.0 - 1.0).abs() < 1e-5, "{energy}");
    let charge = read(&mut chip, Register::Charge, at_s, &EXAMPLE);
    assert!((charge as f64 / 1_132_462_080.0 - 1.0).abs() < 1e-5, "{charge}");
    // SOVL for 10 A is 7E90h, BOVL for 52 V is 4100h: neither is passed here.
    set(&mut chip, Register::ShuntOverLimit, 0x7E90, at_s, &EXAMPLE);
    set(&mut chip, Register::BusOverLimit, 0x4100, at_s, &EXAMPLE);
    let flags = read(&mut chip, Register::DiagAlert, at_s + 5.0, &EXAMPLE) as u16;
    assert_eq!(flags & (diag_alert::SHNTOL | diag_alert::BUSOL), 0);
    let above = Steady {
        shunt_v: 163e-3,
        rail_v: 53.0,
        ..EXAMPLE
    };
    let flags = read(&mut chip, Register::DiagAlert, at_s + 20.0, &above) as u16;
    assert_eq!(
        flags & (diag_alert::SHNTOL | diag_alert::BUSOL),
        diag_alert::SHNTOL | diag_alert::BUSOL
    );
}

/// 1011 0100 0001 0000 0000b is -97.2 mV (section 8.1.2).
#[test]
fn a_negative_voltage_is_twos_complement() {
    let mut chip = chip();
    let inputs = Steady {
        shunt_v: -97.2e-3,
        ..EXAMPLE
    };
    set(&mut chip, Register::AdcConfig, 0xFFFF, 0.0, &inputs);
    let code = read(&mut chip, Register::Vshunt, 20.0, &inputs) >> 4;
    assert!(code.abs_diff(0b1011_0100_0001_0000_0000) <= 1, "{code:b}");
}

#[test]
fn both_ranges_saturate_at_their_ends() {
    let beyond = Steady {
        shunt_v: 1.0,
        ..EXAMPLE
    };
    let below = Steady {
        shunt_v: -1.0,
        ..EXAMPLE
    };
    for setting in [0, config::ADCRANGE] {
        let mut chip = chip();
        set(&mut chip, Register::Config, setting, 0.0, &beyond);
        assert_eq!(read(&mut chip, Register::Vshunt, 1.0, &beyond) >> 4, 0x7_FFFF);
        assert_eq!(read(&mut chip, Register::Vshunt, 2.0, &below) >> 4, 0x8_0000);
    }
}

/// Standard deviation of many conversions against table 8-2, both ranges, within four standard errors (s/√2n for a
/// Gaussian). Rounding adds a twelfth of a step's square.
#[test]
fn the_noise_is_the_tables() {
    for (time, range_setting) in [
        (0_u16, 0),
        (2, 0),
        (4, 0),
        (4, config::ADCRANGE),
        (7, config::ADCRANGE),
    ] {
        let inputs = Steady {
            shunt_v: 4.2e-3,
            ..EXAMPLE
        };
        let mut chip = chip();
        set(&mut chip, Register::Config, range_setting, 0.0, &inputs);
        set(
            &mut chip,
            Register::AdcConfig,
            0xF << 12 | time << adc_config::VSHCT,
            0.0,
            &inputs,
        );
        let n = 20_000;
        let step_v = f64::from(chip.range().step_pv()) * 1e-12;
        let volts: Vec<f64> = (1..=n)
            .map(|k| {
                read(&mut chip, Register::Vshunt, f64::from(k) * 5e-3, &inputs);
                f64::from(chip.latest_shunt().unwrap().code) * step_v
            })
            .collect();
        let mean = volts.iter().sum::<f64>() / f64::from(n);
        let variance = volts.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / f64::from(n - 1);
        let expected =
            (noise::shunt_noise_v(time as u8, 0, chip.range()).powi(2) + step_v.powi(2) / 12.0).sqrt();
        let error = 4.0 * expected / f64::from(2 * n).sqrt();
        assert!(
            (variance.sqrt() - expected).abs() < error,
            "{} {expected}",
            variance.sqrt()
        );
        assert!((mean - 4.2e-3).abs() < 4.0 * expected / f64::from(n).sqrt());
    }
}

#[test]
fn a_conversion_read_twice_is_the_same_and_the_pointer_stays() {
    let mut chip = chip();
    set(&mut chip, Register::AdcConfig, 0xF << 12, 0.0, &EXAMPLE);
    let first = read(&mut chip, Register::Vshunt, 1.0, &EXAMPLE);
    let mut again = [0; 3];
    chip.read(&mut again, 1.0, &EXAMPLE);
    assert_eq!(
        u64::from_be_bytes([0, 0, 0, 0, 0, again[0], again[1], again[2]]),
        first
    );
}

#[test]
fn reset_forgets_settings_and_results() {
    let mut chip = chip();
    set(&mut chip, Register::Config, config::ADCRANGE, 0.0, &EXAMPLE);
    set(&mut chip, Register::AdcConfig, 0xF000, 0.0, &EXAMPLE);
    assert_ne!(read(&mut chip, Register::Vshunt, 1.0, &EXAMPLE), 0);
    set(&mut chip, Register::Config, config::RST, 1.0, &EXAMPLE);
    assert_eq!(read(&mut chip, Register::Config, 1.0, &EXAMPLE), 0);
    assert_eq!(read(&mut chip, Register::AdcConfig, 1.0, &EXAMPLE), 0xFB68);
    assert_eq!(read(&mut chip, Register::Vshunt, 1.0, &EXAMPLE), 0);
}

#[test]
fn results_identity_and_unknown_registers_cannot_be_written() {
    let mut chip = chip();
    for register in [Register::ManufacturerId, Register::DeviceId] {
        set(&mut chip, register, 0x1234, 0.0, &EXAMPLE);
        assert_eq!(
            read(&mut chip, register, 0.0, &EXAMPLE),
            u64::from(register.after_reset())
        );
    }
    chip.write(&[0x2A, 1, 2], 0.0, &EXAMPLE);
    let mut content = [0xAA; 2];
    chip.read(&mut content, 0.0, &EXAMPLE);
    assert_eq!(content, [0, 0]);
}

#[test]
fn the_finishing_flag_is_cleared_by_reading() {
    let mut chip = chip();
    set(&mut chip, Register::AdcConfig, 0xF000, 0.0, &EXAMPLE);
    let flag =
        |chip: &mut Chip, at_s| read(chip, Register::DiagAlert, at_s, &EXAMPLE) as u16 & diag_alert::CNVRF;
    assert_eq!(flag(&mut chip, 1e-5), 0);
    assert_eq!(flag(&mut chip, 151e-6), diag_alert::CNVRF);
    assert_eq!(flag(&mut chip, 152e-6), 0);
    assert_eq!(flag(&mut chip, 301e-6), diag_alert::CNVRF);
}

#[test]
fn without_calibration_there_is_no_current() {
    let mut chip = chip();
    set(&mut chip, Register::ShuntCal, 0, 0.0, &EXAMPLE);
    assert_eq!(read(&mut chip, Register::Current, 1.0, &EXAMPLE), 0);
    assert_eq!(read(&mut chip, Register::Power, 1.0, &EXAMPLE), 0);
}
