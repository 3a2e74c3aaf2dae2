//! Every message a host sends.

use postcard::experimental::max_size::MaxSize;
use serde::{Deserialize, Serialize};

use crate::limits;
use crate::quantities::{Command, ConversionTime, ShuntRange};

/// A message from the host to the board. The order of the variants is the wire's: never reorder, append only.
///
/// Every message is answered by exactly one message, named at each variant, or by [`crate::Refusal`].
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub enum ToBoard {
    /// Asks who is there. Answered by [`crate::Hello`].
    HelloRequest,
    /// Sets rate, conversion time and range; refused while running. Answered by [`crate::Hello`] with the new settings.
    Configure(Configure),
    /// Starts the stream of readings. Answered by [`crate::Health`] with `running` set. Starting twice is no error.
    Start,
    /// Stops the stream. Answered, after the last block, by [`crate::Health`] with `running` clear.
    Stop,
    /// Asks for the board's time. Answered by [`crate::TimeReply`].
    TimeRequest(TimeRequest),
    /// Sets what the guard acts on, and arms it. Answered by [`crate::Health`].
    GuardLimits(GuardLimits),
    /// Closes the supply relay again after a trip. Answered by [`crate::Health`].
    Rearm,
    /// Blinks the board's lamp for five seconds. Answered by [`crate::Health`].
    Identify,
}

impl ToBoard {
    /// Which command this is, as a refusal names it.
    #[must_use]
    pub const fn command(&self) -> Command {
        match self {
            Self::HelloRequest => Command::HelloRequest,
            Self::Configure(_) => Command::Configure,
            Self::Start => Command::Start,
            Self::Stop => Command::Stop,
            Self::TimeRequest(_) => Command::TimeRequest,
            Self::GuardLimits(_) => Command::GuardLimits,
            Self::Rearm => Command::Rearm,
            Self::Identify => Command::Identify,
        }
    }
}

/// How readings are to be taken, on both channels alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct Configure {
    /// Time from one reading to the next in microseconds,
    /// [`limits::READING_PERIOD_MIN_US`] to [`limits::READING_PERIOD_MAX_US`].
    pub reading_period_us: u32,
    /// Integration time of the shunt voltage. With the rail's and the chip temperature's conversions (50 µs each) it
    /// must fit into the reading period, or the board refuses.
    pub conversion_time: ConversionTime,
    /// Full scale of the shunt voltage.
    pub shunt_range: ShuntRange,
}

impl Configure {
    /// Time in microseconds that the chip needs for one round: the shunt's conversion, and the shortest (50 µs) each
    /// for the rail and the chip's own temperature.
    #[must_use]
    pub const fn round_us(&self) -> u32 {
        self.conversion_time.micros() + 2 * ConversionTime::Us50.micros()
    }

    /// Whether the period is legal and the chip's round fits into it.
    #[must_use]
    pub const fn is_legal(&self) -> bool {
        self.reading_period_us >= limits::READING_PERIOD_MIN_US
            && self.reading_period_us <= limits::READING_PERIOD_MAX_US
            && self.round_us() <= self.reading_period_us
    }

    /// The longest conversion time, and so the least noise, that fits `reading_period_us`.
    ///
    /// ```
    /// use steadybench_protocol::{Configure, ConversionTime};
    ///
    /// assert_eq!(Configure::quietest_conversion(1_000), ConversionTime::Us540);
    /// assert_eq!(Configure::quietest_conversion(250), ConversionTime::Us150);
    /// ```
    #[must_use]
    pub fn quietest_conversion(reading_period_us: u32) -> ConversionTime {
        ConversionTime::ALL
            .into_iter()
            .rev()
            .find(|time| time.micros() + 2 * ConversionTime::Us50.micros() <= reading_period_us)
            .unwrap_or(ConversionTime::Us50)
    }
}

/// One half of a two-way time exchange; the names T1 to T4 are those of RFC 5905, section 8.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct TimeRequest {
    /// Counts the requests, so that a reply finds its request.
    pub number: u32,
    /// T1: when the host sent this, in nanoseconds of a clock of the host's choosing. The board only echoes it.
    pub host_send_ns: u64,
}

/// What the guard acts on. Each limit is in raw codes: the host converts, the board compares.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
pub struct GuardLimits {
    /// Trips when the magnitude of the channel's current code exceeds this; `None` is no limit.
    pub over_current_code: [Option<u32>; limits::CHANNELS],
    /// So many readings in a row past the limit trip it, 1 to [`limits::OVER_CURRENT_READINGS_MAX`];
    /// more than one rides out a spike or a known inrush.
    pub over_current_readings: u8,
    /// Trips when the thermistor's code falls below this: hotter is a smaller code. `None` is no limit.
    pub hot_code: [Option<u16>; limits::CHANNELS],
    /// Trips when this thermistor is open or shorted.
    pub thermistor_required: [bool; limits::CHANNELS],
    /// Trips when no valid frame from the host has arrived for so long, in milliseconds,
    /// [`limits::HOST_SILENT_MIN_MS`] to [`limits::HOST_SILENT_MAX_MS`]; `None` is no limit.
    pub host_silent_ms: Option<u32>,
}

impl GuardLimits {
    /// Whether every limit given lies in its range.
    #[must_use]
    pub fn is_legal(&self) -> bool {
        let current = self
            .over_current_code
            .iter()
            .flatten()
            .all(|code| *code <= limits::CURRENT_CODE_MAX as u32);
        let hot = self
            .hot_code
            .iter()
            .flatten()
            .all(|code| *code <= limits::THERMISTOR_CODE_MAX);
        let silent = self
            .host_silent_ms
            .is_none_or(|ms| (limits::HOST_SILENT_MIN_MS..=limits::HOST_SILENT_MAX_MS).contains(&ms));
        let readings = (1..=limits::OVER_CURRENT_READINGS_MAX).contains(&self.over_current_readings);
        current && hot && silent && readings
    }

    /// Whether any limit is given; without one the guard is off.
    #[must_use]
    pub fn acts(&self) -> bool {
        self.over_current_code.iter().any(Option::is_some)
            || self.hot_code.iter().any(Option::is_some)
            || self.thermistor_required.contains(&true)
            || self.host_silent_ms.is_some()
    }
}
