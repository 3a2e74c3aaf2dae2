//! Units that planning takes, and how people write them.

use serde::{Deserialize, Serialize};

/// What a number counts. Values are in the SI unit named, temperatures in degrees Celsius.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    /// Volts.
    Volt,
    /// Amperes.
    Ampere,
    /// Ohms.
    Ohm,
    /// Watts.
    Watt,
    /// Seconds.
    Second,
    /// Degrees Celsius, on the scale.
    Celsius,
    /// Kelvins, as a difference or as the Beta of a thermistor.
    Kelvin,
    /// Hertz.
    Hertz,
    /// Farads.
    Farad,
    /// Metres; copper may be given in ounces, of 35 µm each.
    Metre,
    /// Ampere² seconds.
    AmpereSquaredSecond,
    /// Watts per kelvin: the dissipation factor of a thermistor.
    WattPerKelvin,
    /// Kelvins per watt: the thermal resistance of a part.
    KelvinPerWatt,
    /// A share, given in per cent, parts per million, or as a plain number.
    Share,
    /// A share per kelvin, given in ppm/K or %/K.
    SharePerKelvin,
    /// A plain count.
    Count,
}

/// Factor of a unit prefix.
pub(super) fn prefix_factor(prefix: char) -> Option<f64> {
    Some(match prefix {
        'p' => 1e-12,
        'n' => 1e-9,
        'u' => 1e-6,
        'm' => 1e-3,
        'k' | 'K' => 1e3,
        'M' => 1e6,
        'G' => 1e9,
        _ => return None,
    })
}

impl Unit {
    /// All units, those whose spelling is the most particular first.
    pub(super) const ALL: [Self; 16] = [
        Self::AmpereSquaredSecond,
        Self::WattPerKelvin,
        Self::KelvinPerWatt,
        Self::SharePerKelvin,
        Self::Celsius,
        Self::Second,
        Self::Share,
        Self::Volt,
        Self::Ampere,
        Self::Ohm,
        Self::Watt,
        Self::Hertz,
        Self::Farad,
        Self::Metre,
        Self::Kelvin,
        Self::Count,
    ];

    /// What the quantity is called in a message.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Volt => "a voltage",
            Self::Ampere => "a current",
            Self::Ohm => "a resistance",
            Self::Watt => "a power",
            Self::Second => "a time",
            Self::Celsius => "a temperature",
            Self::Kelvin => "a number of kelvins",
            Self::Hertz => "a frequency",
            Self::Farad => "a capacitance",
            Self::Metre => "a length",
            Self::AmpereSquaredSecond => "an I2t",
            Self::WattPerKelvin => "a dissipation factor",
            Self::KelvinPerWatt => "a thermal resistance",
            Self::Share => "a share",
            Self::SharePerKelvin => "a temperature coefficient",
            Self::Count => "a count",
        }
    }

    /// How it may be written.
    #[must_use]
    pub const fn example(self) -> &'static str {
        match self {
            Self::Volt => "24V, 3V3 or 500mV",
            Self::Ampere => "1.5A or 250mA",
            Self::Ohm => "50mOhm, 0R05, 4k7 or 10k",
            Self::Watt => "0.25W or 500mW",
            Self::Second => "20ms, 90s, 3min or 2h",
            Self::Celsius => "25°C or 25C",
            Self::Kelvin => "3977K",
            Self::Hertz => "50Hz or 1kHz",
            Self::Farad => "470uF or 100nF",
            Self::Metre => "0.3mm, 35um or 1oz",
            Self::AmpereSquaredSecond => "0.144A2s",
            Self::WattPerKelvin => "3mW/K",
            Self::KelvinPerWatt => "60K/W",
            Self::Share => "1% or 50ppm",
            Self::SharePerKelvin => "75ppm/K",
            Self::Count => "12",
        }
    }

    /// Factor that turns a number with this spelling of the unit (prefix included) into the value; `None` if it isn't one.
    pub(super) fn factor(self, spelling: &str) -> Option<f64> {
        let with_prefix = |names: &[&str]| {
            names.iter().find_map(|name| {
                let prefix = spelling.strip_suffix(name)?;
                let mut letters = prefix.chars();
                match (letters.next(), letters.next()) {
                    (None, _) => Some(1.0),
                    (Some(letter), None) => prefix_factor(letter),
                    _ => None,
                }
            })
        };
        match self {
            Self::Volt => with_prefix(&["Vdc", "VDC", "Vac", "VAC", "volts", "volt", "V", "v"]),
            Self::Ampere => with_prefix(&["Adc", "ADC", "amps", "amp", "A", "a"]),
            Self::Ohm => with_prefix(&["Ohms", "Ohm", "ohms", "ohm", "OHM", "Ω", "R"]),
            Self::Watt => with_prefix(&["watts", "watt", "W", "w"]),
            Self::Hertz => with_prefix(&["Hz", "hz", "HZ"]),
            Self::Farad => with_prefix(&["farad", "F"]),
            Self::Kelvin => with_prefix(&["kelvin", "K"]),
            Self::AmpereSquaredSecond => with_prefix(&["A2s", "A^2s", "A2*s"]),
            Self::WattPerKelvin => with_prefix(&["W/K", "W/C", "W/°C"]),
            Self::KelvinPerWatt => with_prefix(&["K/W", "C/W", "°C/W"]),
            Self::Metre => match spelling {
                "oz" => Some(35e-6),
                "mil" => Some(25.4e-6),
                "cm" => Some(1e-2),
                "in" | "inch" => Some(25.4e-3),
                _ => with_prefix(&["m"]),
            },
            Self::Celsius => matches!(spelling, "°C" | "C" | "degC" | "celsius" | "Celsius").then_some(1.0),
            Self::Second => match spelling {
                "min" | "mins" | "minute" | "minutes" => Some(60.0),
                "h" | "hr" | "hour" | "hours" => Some(3600.0),
                "d" | "day" | "days" => Some(86_400.0),
                "sec" | "second" | "seconds" => Some(1.0),
                _ => with_prefix(&["s"]),
            },
            Self::Share => match spelling {
                "%" => Some(1e-2),
                "ppm" => Some(1e-6),
                _ => None,
            },
            Self::SharePerKelvin => match spelling {
                "ppm/K" | "ppm/C" | "ppm/°C" => Some(1e-6),
                "%/K" | "%/C" | "%/°C" => Some(1e-2),
                _ => None,
            },
            Self::Count => matches!(spelling, "bit" | "bits").then_some(1.0),
        }
    }

    /// Whether the quantity can be below 0.
    pub(super) const fn may_be_negative(self) -> bool {
        matches!(self, Self::Celsius)
    }
}
