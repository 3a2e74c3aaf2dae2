//! What the guard is to act on, in quantities; the board compares codes.

use steadybench_protocol::limits::{
    CURRENT_CODE_MAX, HOST_SILENT_MAX_MS, HOST_SILENT_MIN_MS, OVER_CURRENT_READINGS_MAX, THERMISTOR_CODE_MAX,
};
use steadybench_protocol::{GuardLimits, Hello};

use crate::fault::Fault;
use crate::units::Units;

/// Limits of the guard; without any it is off.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct GuardOptions {
    /// Magnitude of each channel's current in amperes.
    pub over_current_a: [Option<f64>; 2],
    /// Readings in a row past the limit that trip it; 0 is the default of 1.
    pub over_current_readings: u8,
    /// Temperature of each thermistor in degrees Celsius.
    pub hot_c: [Option<f64>; 2],
    /// Whether losing each thermistor trips it.
    pub thermistor_required: [bool; 2],
    /// Silence of this program in milliseconds.
    pub host_silent_ms: Option<u32>,
}

impl GuardOptions {
    /// The limits in words, as `run.toml` keeps them; `None` when none is given.
    #[must_use]
    pub fn words(&self) -> Option<String> {
        let mut words = Vec::new();
        for (channel, number) in [(0, 1), (1, 2)] {
            if let Some(limit_a) = self.over_current_a[channel] {
                let readings = self.over_current_readings.max(1);
                words.push(format!(
                    "channel {number} over {limit_a} A for {readings} readings"
                ));
            }
            if let Some(limit_c) = self.hot_c[channel] {
                words.push(format!("thermistor {number} over {limit_c} °C"));
            }
            if self.thermistor_required[channel] {
                words.push(format!("thermistor {number} lost"));
            }
        }
        if let Some(silent_ms) = self.host_silent_ms {
            words.push(format!("host silent for {silent_ms} ms"));
        }
        (!words.is_empty()).then(|| words.join("; "))
    }

    /// The limits in the codes of the board that said `hello`; `None` when none is given.
    ///
    /// # Errors
    /// When a limit lies outside what the board can measure.
    pub fn limits(&self, hello: &Hello) -> Result<Option<GuardLimits>, Fault> {
        let units = Units::of(hello);
        let mut limits = GuardLimits {
            over_current_readings: self.over_current_readings.max(1),
            thermistor_required: self.thermistor_required,
            host_silent_ms: self.host_silent_ms,
            ..GuardLimits::default()
        };
        for channel in [0, 1] {
            if let Some(limit_a) = self.over_current_a[channel] {
                let scale = units.channels[channel];
                let code = scale.current_code(limit_a);
                if !(1.0..f64::from(CURRENT_CODE_MAX)).contains(&code) {
                    return Err(Fault::usage(
                        format!("a guard limit of {limit_a} A on channel {}", channel + 1),
                        format!(
                            "the board measures there up to {:.4} A",
                            scale.current_a(CURRENT_CODE_MAX)
                        ),
                    )
                    .remedy("choose a lower --guard-current, a wider --range, or a smaller shunt"));
                }
                limits.over_current_code[channel] = Some(code as u32);
            }
            if let Some(limit_c) = self.hot_c[channel] {
                let code = units
                    .thermistor_code(channel, limit_c)
                    .filter(|code| *code <= THERMISTOR_CODE_MAX);
                let Some(code) = code else {
                    return Err(Fault::usage(
                        format!("a guard limit of {limit_c} °C on channel {}", channel + 1),
                        "the board's thermistor and divider cannot show it",
                    )
                    .remedy("choose a lower --guard-hot"));
                };
                limits.hot_code[channel] = Some(code);
            }
        }
        if limits.over_current_readings > OVER_CURRENT_READINGS_MAX {
            return Err(Fault::usage(
                format!("--guard-readings {}", self.over_current_readings),
                format!("the guard waits for 1 to {OVER_CURRENT_READINGS_MAX} readings in a row"),
            ));
        }
        if let Some(silent_ms) = self.host_silent_ms
            && !(HOST_SILENT_MIN_MS..=HOST_SILENT_MAX_MS).contains(&silent_ms)
        {
            return Err(Fault::usage(
                format!("--guard-host-silent of {silent_ms} ms"),
                format!("the guard waits {HOST_SILENT_MIN_MS} ms to {HOST_SILENT_MAX_MS} ms"),
            ));
        }
        Ok(limits.acts().then_some(limits))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recorder::testing::hello;

    #[test]
    fn limits_are_in_the_codes_of_the_board() {
        let options = GuardOptions {
            over_current_a: [Some(2.0), None],
            over_current_readings: 3,
            hot_c: [None, Some(70.0)],
            ..GuardOptions::default()
        };
        let limits = options.limits(&hello(1)).unwrap().unwrap();
        // 10 mΩ and 312.5 nV a step make 31.25 µA a step.
        assert_eq!(limits.over_current_code, [Some(64_000), None]);
        assert_eq!(limits.over_current_readings, 3);
        // 1.75 kΩ at 70 °C (10 kΩ, B 3977 K) behind 10 kΩ: some 610 of 4096.
        let code = limits.hot_code[1].unwrap();
        assert!((590..640).contains(&code), "{code}");
        assert!(limits.is_legal());
        insta::assert_snapshot!(options.words().unwrap(), @"channel 1 over 2 A for 3 readings; thermistor 2 over 70 °C");
        assert_eq!(GuardOptions::default().limits(&hello(1)), Ok(None));
    }

    #[test]
    fn limits_beyond_the_board_are_refused_with_what_it_can() {
        let faults: Vec<String> = [
            GuardOptions {
                over_current_a: [Some(20.0), None],
                ..GuardOptions::default()
            },
            GuardOptions {
                hot_c: [Some(900.0), None],
                ..GuardOptions::default()
            },
            GuardOptions {
                over_current_readings: 41,
                ..GuardOptions::default()
            },
            GuardOptions {
                host_silent_ms: Some(10),
                ..GuardOptions::default()
            },
        ]
        .iter()
        .map(|options| options.limits(&hello(1)).unwrap_err().to_string())
        .collect();
        insta::assert_snapshot!(faults.join("\n"), @r"
        a guard limit of 20 A on channel 1: the board measures there up to 16.3840 A
          remedy: choose a lower --guard-current, a wider --range, or a smaller shunt
        a guard limit of 900 °C on channel 1: the board's thermistor and divider cannot show it
          remedy: choose a lower --guard-hot
        --guard-readings 41: the guard waits for 1 to 40 readings in a row
        --guard-host-silent of 10 ms: the guard waits 500 ms to 3600000 ms
        ");
    }
}
