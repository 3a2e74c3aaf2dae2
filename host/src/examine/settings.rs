//! What the operator sets with `--set key=value`.

use steadybench_analysis::events::EventSettings;
use steadybench_analysis::power_up::{ChannelType, PowerUpSettings};
use steadybench_analysis::soak::SoakSettings;
use steadybench_analysis::tap::TapSettings;
use steadybench_analysis::twins::TwinSettings;

use crate::exit::Exit;
use crate::fault::Fault;

/// The settings of an examination; what is not set is `None`, and the examination's own default holds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settings {
    /// Mains frequency in hertz.
    pub mains_hz: Option<f64>,
    /// Readings a second, for a table without a time column.
    pub rate_hz: Option<f64>,
    /// Window of I²t and charge from the switch-on, in seconds.
    pub i2t_window_s: Option<f64>,
    /// Where each channel's converter ends, in amperes.
    pub full_scale_a: [Option<f64>; 2],
    /// Direct or alternating current.
    pub channel_type: [ChannelType; 2],
    /// The settled current a healthy unit draws, in amperes.
    pub expected_settled_a: [Option<(f64, f64)>; 2],
    /// Nominal voltage of each rail, in volts.
    pub nominal_rail_v: [Option<f64>; 2],
    /// Twins that differ by less than this share of the larger current are alike for the bench.
    pub margin_share: Option<f64>,
    /// And twins that differ by less than this many amperes.
    pub margin_a: Option<f64>,
}

/// Every key with its meaning, for the help text and for the message about a wrong one.
pub const KEYS: [(&str, &str); 9] = [
    ("mains_hz", "mains frequency, 45 to 65"),
    ("rate_hz", "readings a second, for a table without times"),
    ("i2t_window_s", "window of I²t from the switch-on, in seconds"),
    ("chN_full_scale_a", "where channel N's converter ends, in amperes"),
    ("chN_type", "dc or ac"),
    (
        "chN_expected_settled_a",
        "settled current of a healthy unit, FROM..TO in amperes",
    ),
    ("chN_nominal_rail_v", "nominal rail voltage, in volts"),
    (
        "margin_share",
        "twins, and beside good units: share of the current that does not matter, 0 to 1",
    ),
    ("margin_a", "the same: amperes that do not matter"),
];

impl Settings {
    /// Reads the words of every `--set`.
    ///
    /// # Errors
    /// A [`Fault`] that names the word, the rule it breaks and the keys there are.
    pub fn read<'a>(words: impl IntoIterator<Item = &'a str>) -> Result<Self, Fault> {
        let mut settings = Self::default();
        for word in words {
            settings.set(word)?;
        }
        Ok(settings)
    }

    fn set(&mut self, word: &str) -> Result<(), Fault> {
        let (key, value) = word.split_once('=').ok_or_else(|| unknown(word))?;
        let (key, value) = (key.trim(), value.trim());
        let (name, channel) = match key.strip_prefix("ch1_").map(|name| (name, 0)) {
            Some(split) => split,
            None => key
                .strip_prefix("ch2_")
                .map_or((key, usize::MAX), |name| (name, 1)),
        };
        let positive = || number(word, value, f64::MIN_POSITIVE, f64::MAX);
        match (name, channel) {
            ("mains_hz", usize::MAX) => self.mains_hz = Some(number(word, value, 45.0, 65.0)?),
            ("rate_hz", usize::MAX) => self.rate_hz = Some(positive()?),
            ("i2t_window_s", usize::MAX) => self.i2t_window_s = Some(positive()?),
            ("margin_share", usize::MAX) => self.margin_share = Some(number(word, value, 0.0, 1.0)?),
            ("margin_a", usize::MAX) => self.margin_a = Some(number(word, value, 0.0, f64::MAX)?),
            ("full_scale_a", 0 | 1) => self.full_scale_a[channel] = Some(positive()?),
            ("nominal_rail_v", 0 | 1) => self.nominal_rail_v[channel] = Some(positive()?),
            ("type", 0 | 1) => {
                self.channel_type[channel] = match value {
                    "dc" => ChannelType::Dc,
                    "ac" => ChannelType::Ac,
                    _ => return Err(Fault::usage(word, "a channel is dc or ac")),
                };
            }
            ("expected_settled_a", 0 | 1) => {
                let (low, high) = value
                    .split_once("..")
                    .ok_or_else(|| Fault::usage(word, "a range is written FROM..TO, as in 0.30..0.55"))?;
                let low = number(word, low, f64::MIN, f64::MAX)?;
                self.expected_settled_a[channel] = Some((low, number(word, high, low, f64::MAX)?));
            }
            _ => return Err(unknown(word)),
        }
        Ok(())
    }

    /// How events are found.
    #[must_use]
    pub fn events(&self) -> EventSettings {
        EventSettings {
            rate_hz: self.rate_hz,
            mains_hz: self.mains_hz,
            ..EventSettings::default()
        }
    }

    /// The settings of a tap examination.
    #[must_use]
    pub fn tap(&self) -> TapSettings {
        TapSettings {
            events: self.events(),
            ..TapSettings::default()
        }
    }

    /// The settings of a soak examination: none are the operator's.
    #[must_use]
    pub fn soak(&self) -> SoakSettings {
        SoakSettings::default()
    }

    /// The settings of a comparison of twins.
    #[must_use]
    pub fn twins(&self) -> TwinSettings {
        let default = TwinSettings::default();
        TwinSettings {
            mains_hz: self.mains_hz,
            margin_share: self.margin_share.unwrap_or(default.margin_share),
            margin_floor_a: self.margin_a.unwrap_or(default.margin_floor_a),
            ..default
        }
    }

    /// The settings of a power-up examination.
    #[must_use]
    pub fn power_up(&self) -> PowerUpSettings {
        let default = PowerUpSettings::default();
        PowerUpSettings {
            mains_hz: self.mains_hz,
            i2t_window_s: self.i2t_window_s.unwrap_or(default.i2t_window_s),
            full_scale_a: self.full_scale_a,
            channel_type: self.channel_type,
            expected_settled_a: self.expected_settled_a,
            nominal_rail_v: self.nominal_rail_v,
            ..default
        }
    }
}

fn number(word: &str, value: &str, low: f64, high: f64) -> Result<f64, Fault> {
    let parsed: f64 = value.trim().parse().map_err(|_| {
        Fault::usage(word, format!("'{value}' is not a number")).remedy("write it as 0.25, with a point")
    })?;
    if (low..=high).contains(&parsed) {
        Ok(parsed)
    } else if high < f64::MAX {
        Err(Fault::usage(
            word,
            format!("the value must lie between {low} and {high}"),
        ))
    } else {
        Err(Fault::usage(word, "the value is too small"))
    }
}

fn unknown(word: &str) -> Fault {
    let keys: Vec<String> = KEYS
        .iter()
        .map(|(key, meaning)| format!("{key} ({meaning})"))
        .collect();
    Fault::new(Exit::Usage, word, "no such setting").remedy(format!("the settings are: {}", keys.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_every_key() {
        let settings = Settings::read([
            "mains_hz=50",
            "rate_hz=1000",
            "i2t_window_s=0.2",
            "ch1_full_scale_a=8.19",
            "ch2_type=ac",
            "ch1_expected_settled_a=0.2995..0.5563",
            "ch2_nominal_rail_v=24",
            "margin_share=0.1",
            "margin_a=0.002",
        ])
        .unwrap();
        assert_eq!(settings.expected_settled_a, [Some((0.2995, 0.5563)), None]);
        assert_eq!(
            settings.power_up().channel_type,
            [ChannelType::Dc, ChannelType::Ac]
        );
        assert_eq!(settings.margin_a, Some(0.002));
    }

    #[test]
    fn a_wrong_word_is_named_with_its_rule() {
        for (word, rule) in [
            (
                "mains_hz=400",
                "mains_hz=400: the value must lie between 45 and 65",
            ),
            ("ch3_type=ac", "ch3_type=ac: no such setting"),
            ("mains_hz", "mains_hz: no such setting"),
            ("ch1_type=tri", "ch1_type=tri: a channel is dc or ac"),
            ("rate_hz=0", "rate_hz=0: the value is too small"),
            ("i2t_window_s=0,2", "i2t_window_s=0,2: '0,2' is not a number"),
            (
                "ch1_expected_settled_a=0.5..0.3",
                "ch1_expected_settled_a=0.5..0.3: the value is too small",
            ),
        ] {
            let fault = Settings::read([word]).unwrap_err();
            assert!(fault.to_string().starts_with(rule), "{fault}");
        }
    }
}
