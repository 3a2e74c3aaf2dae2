//! Which codes can be a temperature, and what one disturbed conversion does.

use steadybench_firmware::thermistor::{classify, read};
use steadybench_firmware::{ConversionFailed, ThermistorConverter};
use steadybench_protocol::{Channel, DividerDescription, ThermistorReading};

const DIVIDER: DividerDescription = DividerDescription {
    series_ohm: 10_000,
    full_scale_code: 4_096,
};

/// Code of a thermistor's resistance behind the divider's series resistor.
fn code(thermistor_ohm: f64) -> u16 {
    (4_096.0 * thermistor_ohm / (thermistor_ohm + 10_000.0)) as u16
}

#[test]
fn the_ends_are_no_temperatures() {
    for (code, reading) in [
        (0, ThermistorReading::Shorted),
        (31, ThermistorReading::Shorted),
        (32, ThermistorReading::Code(32)),
        (4_063, ThermistorReading::Code(4_063)),
        (4_064, ThermistorReading::Open),
        (4_095, ThermistorReading::Open),
    ] {
        assert_eq!(classify(code, &DIVIDER), reading);
    }
}

/// Vishay application note 29089, appendix: the curve of a 10 kΩ thermistor with B25/85 = 3977 K, -40 to 125 °C.
fn vishay_b3977_ohm(temperature_c: f64) -> f64 {
    let t = temperature_c + 273.15;
    10_000.0 * (-14.633_72 + 4_791.842 / t - 115_334.0 / t.powi(2) - 3_730_535.0 / t.powi(3)).exp()
}

/// The curve's whole range lies between the ends, with a factor of two in resistance to spare.
#[test]
fn a_usual_thermistors_whole_range_is_temperatures() {
    // The note's table: 3605 Ω at 50 °C.
    assert_eq!(vishay_b3977_ohm(50.0).round(), 3_605.0);
    for ohm in [
        2.0 * vishay_b3977_ohm(-40.0),
        10_000.0,
        vishay_b3977_ohm(125.0) / 2.0,
    ] {
        assert!(
            matches!(classify(code(ohm), &DIVIDER), ThermistorReading::Code(_)),
            "{ohm}"
        );
    }
}

struct Sequence(Vec<Result<u16, ConversionFailed>>);

impl ThermistorConverter for Sequence {
    fn read(&mut self, _: Channel) -> Result<u16, ConversionFailed> {
        self.0.remove(0)
    }
}

#[test]
fn one_disturbed_conversion_of_three_changes_nothing() {
    for disturbed in [0, 1_999, 2_001, 4_095] {
        for at in 0..3 {
            let mut converter = Sequence(vec![Ok(2_000); 3]);
            converter.0[at] = Ok(disturbed);
            assert_eq!(
                read(&mut converter, Channel::One, &DIVIDER),
                ThermistorReading::Code(2_000)
            );
            let mut converter = Sequence(vec![Ok(2_000); 3]);
            converter.0[at] = Err(ConversionFailed);
            assert_eq!(
                read(&mut converter, Channel::One, &DIVIDER),
                ThermistorReading::Failed
            );
        }
    }
}
