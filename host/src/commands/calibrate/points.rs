//! Runs with what a reference read meanwhile, and how far that may be off.

use std::path::PathBuf;
use std::time::Duration;

use steadybench_analysis::planning::{Quantity, Unit, parse_any_quantity, parse_quantity};

use crate::fault::Fault;

/// What the reference read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Value {
    Amperes(f64),
    Volts(f64),
    Celsius(f64),
}

/// A run and what the reference read meanwhile.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Point {
    pub(super) run: PathBuf,
    pub(super) value: Value,
    /// From when on in the run it stood still.
    pub(super) from: Duration,
}

/// Reads `RUN=1.000A`.
pub(super) fn point(text: &str) -> Result<Point, String> {
    let (run, reading) = text
        .rsplit_once('=')
        .ok_or_else(|| "write it like runs/0003-free=1.000A".to_owned())?;
    Ok(Point {
        run: PathBuf::from(run),
        value: value(reading)?,
        from: Duration::ZERO,
    })
}

/// Reads `1.000A`, `24.00V` or `25.0C`.
pub(super) fn value(reading: &str) -> Result<Value, String> {
    let quantity = parse_any_quantity(reading).map_err(|error| error.to_string())?;
    match quantity.unit {
        Unit::Ampere => Ok(Value::Amperes(quantity.value)),
        Unit::Volt => Ok(Value::Volts(quantity.value)),
        Unit::Celsius => Ok(Value::Celsius(quantity.value)),
        _ => Err(format!("`{reading}` is no current, voltage or temperature")),
    }
}

impl Value {
    /// The number without its unit.
    pub(super) const fn number(self) -> f64 {
        match self {
            Self::Amperes(value) | Self::Volts(value) | Self::Celsius(value) => value,
        }
    }

    /// The unit.
    pub(super) const fn unit(self) -> &'static str {
        match self {
            Self::Amperes(_) => "A",
            Self::Volts(_) => "V",
            Self::Celsius(_) => "°C",
        }
    }
}

/// How far a reference may be off, either way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Limit {
    Share(f64),
    Fixed(f64, &'static str),
}

/// Reads `0.1%`, `2mA`, `20mV` or `0.3K`.
pub(super) fn limit(text: &str) -> Result<Limit, String> {
    // A bare K may also stand for a thousand; of a limit it says kelvins.
    let quantity = if text.trim_end().ends_with('K') {
        parse_quantity(text, Unit::Kelvin).map(|value| Quantity {
            value,
            unit: Unit::Kelvin,
        })
    } else {
        parse_any_quantity(text)
    };
    let quantity = quantity.map_err(|error| error.to_string())?;
    if quantity.value <= 0.0 {
        return Err(format!(
            "`{text}`: no reference is exact; its data sheet says how far it may be off"
        ));
    }
    Ok(match quantity.unit {
        Unit::Share => Limit::Share(quantity.value),
        Unit::Ampere => Limit::Fixed(quantity.value, "A"),
        Unit::Volt => Limit::Fixed(quantity.value, "V"),
        Unit::Kelvin => Limit::Fixed(quantity.value, "K"),
        _ => {
            return Err(format!(
                "`{text}` is no limit of a reference; write it like 0.1%, 2mA, 20mV or 0.3K"
            ));
        }
    })
}

impl Limit {
    /// The standard uncertainty at a reading: as likely anywhere within the limit, so a/√3 (JCGM 100, 4.3.7).
    pub(super) fn standard_uncertainty(self, reading: f64, unit: &'static str) -> Result<f64, Fault> {
        let half_width = match self {
            Self::Share(share) if unit != "K" => share * reading.abs(),
            Self::Fixed(value, its_unit) if its_unit == unit => value,
            _ => {
                return Err(Fault::usage("--reference-limit", format!("here it is in {unit}"))
                    .remedy("write it like 0.1%, 2mA or 20mV for a gain, and like 0.3K for a thermistor"));
            }
        };
        Ok(half_width / 3.0_f64.sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_and_limits_are_read_by_their_units() {
        let read = point("a=b/runs/0003-free=1.5A").unwrap();
        assert_eq!(
            (read.run, read.value),
            (PathBuf::from("a=b/runs/0003-free"), Value::Amperes(1.5))
        );
        assert_eq!(point("r=-5C").unwrap().value, Value::Celsius(-5.0));
        assert!(point("r=50mOhm").unwrap_err().contains("no current"));
        assert_eq!(limit("0.1%").unwrap(), Limit::Share(0.001));
        assert!(limit("0%").unwrap_err().contains("no reference is exact"));
        // 0.3 K either way, as likely anywhere: 0.173 K.
        let u = limit("0.3K").unwrap().standard_uncertainty(25.0, "K").unwrap();
        assert!((u - 0.1732).abs() < 1e-4);
        assert!(limit("0.1%").unwrap().standard_uncertainty(25.0, "K").is_err());
    }
}
