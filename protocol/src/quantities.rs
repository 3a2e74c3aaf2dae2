//! Board time, and the settings that both directions speak of.

use postcard::experimental::max_size::MaxSize;
use serde::{Deserialize, Serialize};

/// A board's own clock: microseconds since the board started, 64 bits, never set and never stepped.
///
/// It wraps after 584 000 years. Zero is the start of the board; two board times compare only within one boot.
///
/// ```
/// use steadybench_protocol::BoardTime;
///
/// let start = BoardTime::from_micros(1_000);
/// assert_eq!(start.plus_micros(250).micros_since(start), Some(250));
/// assert_eq!(start.micros_since(start.plus_micros(1)), None);
/// ```
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, MaxSize,
)]
pub struct BoardTime(u64);

impl BoardTime {
    /// The time `micros` microseconds after the board's start.
    #[must_use]
    pub const fn from_micros(micros: u64) -> Self {
        Self(micros)
    }

    /// Microseconds since the board's start.
    #[must_use]
    pub const fn as_micros(self) -> u64 {
        self.0
    }

    /// This time and `micros` microseconds more, held at the largest value.
    #[must_use]
    pub const fn plus_micros(self, micros: u64) -> Self {
        Self(self.0.saturating_add(micros))
    }

    /// Microseconds from `earlier` to this time, or `None` when `earlier` is the later one.
    #[must_use]
    pub const fn micros_since(self, earlier: Self) -> Option<u64> {
        self.0.checked_sub(earlier.0)
    }
}

/// A measuring channel: a shunt, the rail behind it, and the monitor chip on both.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, MaxSize)]
pub enum Channel {
    /// Channel 1.
    One,
    /// Channel 2.
    Two,
}

impl Channel {
    /// Both channels in order.
    pub const ALL: [Self; crate::limits::CHANNELS] = [Self::One, Self::Two];

    /// Position in arrays that have one element a channel: 0 or 1.
    #[must_use]
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The number printed on the board: 1 or 2.
    #[must_use]
    pub const fn number(self) -> u8 {
        self as u8 + 1
    }
}

/// How long the monitor chip integrates one shunt voltage; the wire carries the chip's own code, 0 to 7.
///
/// INA228 data sheet (TI SLYS021A), `ADC_CONFIG` register, field `VSHCT`.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, MaxSize,
)]
pub enum ConversionTime {
    /// 50 µs.
    Us50,
    /// 84 µs.
    Us84,
    /// 150 µs.
    Us150,
    /// 280 µs.
    Us280,
    /// 540 µs, the setting at 1000 readings a second.
    #[default]
    Us540,
    /// 1052 µs.
    Us1052,
    /// 2074 µs.
    Us2074,
    /// 4120 µs.
    Us4120,
}

impl ConversionTime {
    /// Every setting, shortest first.
    pub const ALL: [Self; 8] = [
        Self::Us50,
        Self::Us84,
        Self::Us150,
        Self::Us280,
        Self::Us540,
        Self::Us1052,
        Self::Us2074,
        Self::Us4120,
    ];

    /// The chip's code for this setting, 0 to 7.
    #[must_use]
    pub const fn code(self) -> u8 {
        self as u8
    }

    /// Nominal integration time in microseconds; the chip's oscillator is good to ±0.5 % at 25 °C.
    #[must_use]
    pub const fn micros(self) -> u32 {
        match self {
            Self::Us50 => 50,
            Self::Us84 => 84,
            Self::Us150 => 150,
            Self::Us280 => 280,
            Self::Us540 => 540,
            Self::Us1052 => 1052,
            Self::Us2074 => 2074,
            Self::Us4120 => 4120,
        }
    }
}

/// Full scale of the shunt voltage (INA228 data sheet, `CONFIG` register, field `ADCRANGE`).
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, MaxSize,
)]
pub enum ShuntRange {
    /// ±163.84 mV, 312.5 nV a step.
    #[default]
    Millivolts164,
    /// ±40.96 mV, 78.125 nV a step.
    Millivolts41,
}

impl ShuntRange {
    /// Shunt voltage of one step of the code, in picovolts.
    #[must_use]
    pub const fn step_pv(self) -> u32 {
        match self {
            Self::Millivolts164 => 312_500,
            Self::Millivolts41 => 78_125,
        }
    }
}

/// Which command a refusal answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, MaxSize)]
pub enum Command {
    /// [`crate::ToBoard::HelloRequest`].
    HelloRequest,
    /// [`crate::ToBoard::Configure`].
    Configure,
    /// [`crate::ToBoard::Start`].
    Start,
    /// [`crate::ToBoard::Stop`].
    Stop,
    /// [`crate::ToBoard::TimeRequest`].
    TimeRequest,
    /// [`crate::ToBoard::GuardLimits`].
    GuardLimits,
    /// [`crate::ToBoard::Rearm`].
    Rearm,
    /// [`crate::ToBoard::Identify`].
    Identify,
}
