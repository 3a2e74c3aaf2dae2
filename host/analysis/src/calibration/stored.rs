//! A board's calibration as it is kept.

use super::ChannelCalibration;
use crate::thermistor::{Divider, Thermistor};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use std::fmt;

/// A thermistor input: its divider and what is fitted to it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThermistorChannel {
    /// The divider.
    pub divider: Divider,
    /// The thermistor.
    pub thermistor: Thermistor,
}

/// All corrections of one board. Written as TOML it is a file a person can read and mend.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// Serial number of the board it was made for.
    pub board_serial: String,
    /// The day it was made.
    pub made_on: Date,
    /// What it was compared with, in words: a meter and its own calibration.
    #[serde(default)]
    pub reference: String,
    /// The two measuring channels.
    pub channels: [ChannelCalibration; 2],
    /// The two thermistor inputs.
    pub thermistors: [ThermistorChannel; 2],
}

/// A reason to think twice about a calibration.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Caution {
    /// Made for another board: its zero and gain do not belong to this one.
    OtherBoard {
        /// Serial number it was made for.
        made_for: String,
        /// Serial number of the board at hand.
        present: String,
    },
    /// Older than allowed.
    Old {
        /// Its age in days.
        days: i64,
        /// Age allowed in days.
        allowed_days: i64,
    },
    /// Dated after today: one of the two clocks is wrong.
    Future {
        /// By how many days.
        days: i64,
    },
    /// The zero of a channel was not measured; the chip's limit stands in.
    ZeroNotMeasured {
        /// Channel, 1 or 2.
        channel: usize,
    },
    /// The current gain of a channel was not measured; the shunt's tolerance stands in.
    GainNotMeasured {
        /// Channel, 1 or 2.
        channel: usize,
    },
}

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OtherBoard { made_for, present } => write!(
                f,
                "this calibration belongs to board {made_for}, but board {present} is connected; calibrate this board"
            ),
            Self::Old { days, allowed_days } => {
                write!(
                    f,
                    "the calibration is {days} days old, and {allowed_days} are allowed; calibrate again"
                )
            }
            Self::Future { days } => {
                write!(
                    f,
                    "the calibration is dated {days} days after today; check the date of this computer"
                )
            }
            Self::ZeroNotMeasured { channel } => write!(
                f,
                "the zero of channel {channel} was not measured; small currents carry the chip's offset of up to 1 uV"
            ),
            Self::GainNotMeasured { channel } => write!(
                f,
                "the gain of channel {channel} was not measured; currents carry the whole tolerance of the shunt"
            ),
        }
    }
}

impl Calibration {
    /// What to mind when this calibration is used on the board `present_serial`, `today`, with `allowed_days` of age.
    ///
    /// An age of exactly `allowed_days` is allowed. Serial numbers are compared without regard to case.
    #[must_use]
    pub fn cautions(&self, present_serial: &str, today: Date, allowed_days: i64) -> Vec<Caution> {
        let mut cautions = Vec::new();
        if !self.board_serial.eq_ignore_ascii_case(present_serial) {
            let (made_for, present) = (self.board_serial.clone(), present_serial.to_owned());
            cautions.push(Caution::OtherBoard { made_for, present });
        }
        let days = self.made_on.duration_until(today).as_hours() / 24;
        if days > allowed_days {
            cautions.push(Caution::Old { days, allowed_days });
        } else if days < 0 {
            cautions.push(Caution::Future { days: -days });
        }
        for (index, channel) in self.channels.iter().enumerate() {
            if channel.zero_uncertainty_v.is_none() {
                cautions.push(Caution::ZeroNotMeasured { channel: index + 1 });
            }
            if channel.current_gain_uncertainty.is_none() {
                cautions.push(Caution::GainNotMeasured { channel: index + 1 });
            }
        }
        cautions
    }

    /// Whether the corrections may be applied to the board `present_serial` at all.
    #[must_use]
    pub fn belongs_to(&self, present_serial: &str) -> bool {
        self.board_serial.eq_ignore_ascii_case(present_serial)
    }
}

#[cfg(test)]
mod tests {
    use super::super::Shunt;
    use super::*;

    fn calibration() -> Calibration {
        let shunt = Shunt {
            nominal_ohm: 0.1,
            tolerance: 0.01,
            temperature_coefficient_per_k: 75e-6,
        };
        let channel = ChannelCalibration {
            zero_v: 3.1e-7,
            zero_uncertainty_v: Some(4e-8),
            current_gain: 1.0042,
            current_gain_uncertainty: Some(0.0008),
            ..ChannelCalibration::uncalibrated(shunt)
        };
        let thermistor = ThermistorChannel {
            divider: Divider::default(),
            thermistor: Thermistor::ntc_10k_b3977(0.05),
        };
        Calibration {
            board_serial: "E6614103E7452D2F".into(),
            made_on: jiff::civil::date(2026, 3, 1),
            reference: "bench meter, calibrated in January".into(),
            channels: [channel; 2],
            thermistors: [thermistor; 2],
        }
    }

    #[test]
    fn it_survives_toml_to_the_last_digit() {
        let text = toml::to_string(&calibration()).unwrap();
        assert!(text.contains("made_on = \"2026-03-01\""), "{text}");
        assert_eq!(toml::from_str::<Calibration>(&text).unwrap(), calibration());
        // A person may write the least: a shunt, and the rest is as if never calibrated.
        let least = "[shunt]\nnominal_ohm = 0.1\ntolerance = 0.01\ntemperature_coefficient_per_k = 75e-6\n";
        let channel: ChannelCalibration = toml::from_str(least).unwrap();
        assert_eq!(channel, ChannelCalibration::uncalibrated(channel.shunt));
    }

    #[test]
    fn age_and_board_are_minded() {
        let day = jiff::civil::date;
        let kept = calibration();
        assert!(kept.cautions("e6614103e7452d2f", day(2026, 3, 1), 365).is_empty());
        assert!(kept.cautions("E6614103E7452D2F", day(2027, 3, 1), 365).is_empty());
        assert_eq!(
            kept.cautions("E6614103E7452D2F", day(2027, 3, 2), 365),
            [Caution::Old {
                days: 366,
                allowed_days: 365
            }]
        );
        assert_eq!(
            kept.cautions("E6614103E7452D2F", day(2026, 2, 27), 365),
            [Caution::Future { days: 2 }]
        );
        let foreign = kept.cautions("0000000000000001", day(2026, 3, 1), 365);
        assert!(
            foreign[0].to_string().contains("calibrate this board") && !kept.belongs_to("0000000000000001")
        );
        let mut raw = kept.clone();
        raw.channels[1] = ChannelCalibration::uncalibrated(kept.channels[1].shunt);
        assert_eq!(
            raw.cautions("E6614103E7452D2F", day(2026, 3, 1), 365),
            [
                Caution::ZeroNotMeasured { channel: 2 },
                Caution::GainNotMeasured { channel: 2 }
            ]
        );
    }
}
