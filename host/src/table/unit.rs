//! What a unit in a heading or a cell scales to.

/// What is measured, with the SI unit (or degree Celsius) that the program works in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// Seconds.
    Time,
    /// Amperes.
    Current,
    /// Volts.
    Voltage,
    /// Degrees Celsius.
    Temperature,
}

impl Quantity {
    /// The unit the program works in.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Time => "s",
            Self::Current => "A",
            Self::Voltage => "V",
            Self::Temperature => "°C",
        }
    }
}

/// A unit: `value * scale + offset` is in the quantity's own unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    /// What it measures.
    pub quantity: Quantity,
    /// How many of the program's unit one of it is.
    pub scale: f64,
    /// What to add after scaling; zero but for temperatures not in degrees Celsius.
    pub offset: f64,
}

impl Unit {
    /// The program's own unit of a quantity.
    #[must_use]
    pub const fn of(quantity: Quantity) -> Self {
        Self {
            quantity,
            scale: 1.0,
            offset: 0.0,
        }
    }

    /// Brings a value into the program's own unit.
    #[must_use]
    pub fn apply(&self, value: f64) -> f64 {
        value.mul_add(self.scale, self.offset)
    }

    /// Reads a unit's symbol or name, as instruments write it.
    ///
    /// ```
    /// use steadybench_host::table::unit::{Quantity, Unit};
    ///
    /// let milliampere = Unit::read("mA").expect("a unit of current");
    /// assert_eq!(milliampere.quantity, Quantity::Current);
    /// assert_eq!(milliampere.apply(250.0), 0.25);
    /// assert!(Unit::read("furlong").is_none());
    /// ```
    #[must_use]
    pub fn read(text: &str) -> Option<Self> {
        use Quantity::{Current, Temperature, Time, Voltage};
        let text = text.trim().trim_matches(['(', ')', '[', ']']).trim();
        // Case matters where a prefix does: mA is not MA. Both signs for micro are in use, and a plain u.
        let exact = match text {
            "s" | "S" => (Time, 1.0, 0.0),
            "ms" => (Time, 1e-3, 0.0),
            "us" | "µs" | "μs" => (Time, 1e-6, 0.0),
            "ns" => (Time, 1e-9, 0.0),
            "min" => (Time, 60.0, 0.0),
            "h" => (Time, 3_600.0, 0.0),
            "A" => (Current, 1.0, 0.0),
            "mA" => (Current, 1e-3, 0.0),
            "uA" | "µA" | "μA" => (Current, 1e-6, 0.0),
            "nA" => (Current, 1e-9, 0.0),
            "kA" => (Current, 1e3, 0.0),
            "V" => (Voltage, 1.0, 0.0),
            "mV" => (Voltage, 1e-3, 0.0),
            "uV" | "µV" | "μV" => (Voltage, 1e-6, 0.0),
            "kV" => (Voltage, 1e3, 0.0),
            "C" | "°C" | "ºC" | "degC" | "deg C" => (Temperature, 1.0, 0.0),
            "K" => (Temperature, 1.0, -273.15),
            "F" | "°F" | "degF" => (Temperature, 5.0 / 9.0, -160.0 / 9.0),
            _ => match text.to_lowercase().as_str() {
                "sec" | "secs" | "second" | "seconds" => (Time, 1.0, 0.0),
                "msec" | "millisecond" | "milliseconds" => (Time, 1e-3, 0.0),
                "usec" | "microsecond" | "microseconds" => (Time, 1e-6, 0.0),
                "minute" | "minutes" => (Time, 60.0, 0.0),
                "hour" | "hours" => (Time, 3_600.0, 0.0),
                "a" | "amp" | "amps" | "ampere" | "amperes" => (Current, 1.0, 0.0),
                "ma" | "milliamp" | "milliamps" | "milliampere" | "milliamperes" => (Current, 1e-3, 0.0),
                "ua" | "microamp" | "microamps" | "microampere" | "microamperes" => (Current, 1e-6, 0.0),
                "v" | "volt" | "volts" => (Voltage, 1.0, 0.0),
                "mv" | "millivolt" | "millivolts" => (Voltage, 1e-3, 0.0),
                "c" | "celsius" => (Temperature, 1.0, 0.0),
                "kelvin" => (Temperature, 1.0, -273.15),
                _ => return None,
            },
        };
        Some(Self {
            quantity: exact.0,
            scale: exact.1,
            offset: exact.2,
        })
    }
}
