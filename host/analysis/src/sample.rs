//! One reading of the bench as the examinations take it, and what the operator marked.

use serde::{Deserialize, Serialize};

/// The readings taken at one instant, in SI units.
///
/// A value that is missing is `NaN`, never zero: a blank cell, a failed bus read, an open thermistor. A row that is
/// missing altogether shows only as a jump of [`Sample::time_s`].
///
/// ```
/// use steadybench_analysis::sample::Sample;
///
/// let sample = Sample { time_s: 0.001, current_a: [0.25, f64::NAN], ..Sample::missing_at(0.001) };
/// assert!(sample.current_a[1].is_nan());
/// ```
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Start of the interval the reading averages over, in seconds from the start of the recording. Never decreases.
    pub time_s: f64,
    /// Current of channel 1 and channel 2 in amperes; positive from the supply into the load.
    pub current_a: [f64; 2],
    /// Voltage of the rail behind each shunt, in volts.
    pub rail_v: [f64; 2],
    /// Temperatures in degrees Celsius: the first is the unit's case or part, the second the room unless said otherwise.
    pub temperature_c: [f64; 2],
}

impl Sample {
    /// A sample at `time_s` of which nothing else is known.
    #[must_use]
    pub const fn missing_at(time_s: f64) -> Self {
        Self {
            time_s,
            current_a: [f64::NAN; 2],
            rail_v: [f64::NAN; 2],
            temperature_c: [f64::NAN; 2],
        }
    }
}

/// What the operator said happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum MarkKind {
    /// A place on the unit was tapped or flexed; the label is the place.
    Tap,
    /// The operator switched a load; the label says what.
    Command,
}

/// An operator's mark on the time line, placed by hand and so only good to about a tenth of a second.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mark {
    /// Seconds from the start of the recording.
    pub time_s: f64,
    /// Tap or command.
    pub kind: MarkKind,
    /// The place tapped, or what was switched.
    pub label: String,
}
