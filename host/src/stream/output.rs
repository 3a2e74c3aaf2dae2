//! What a stream gives.

use serde::Serialize;
use steadybench_protocol::{BoardTime, Health, Hello, MarkEdge};

use crate::clock::UtcInstant;
use crate::recorder::HostMarkKind;
use crate::units::{SlowQuantities, Units};

/// An instant of a run.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct When {
    /// Microseconds of board time since the run's first reading; `None` before it. Never altered by the host's clock.
    pub elapsed_us: Option<i64>,
    /// UTC with its bound; `None` before the first time exchange.
    pub utc: Option<UtcInstant>,
}

impl When {
    /// The instant `micros` microseconds of board time later, for spans so short that the clocks' rates do not matter.
    #[must_use]
    pub fn plus_micros(self, micros: u64) -> Self {
        self.moved(i64::try_from(micros).unwrap_or(i64::MAX))
    }

    /// The instant `micros` microseconds of board time earlier, for spans as short.
    #[must_use]
    pub fn minus_micros(self, micros: i64) -> Self {
        self.moved(micros.saturating_neg())
    }

    fn moved(self, micros: i64) -> Self {
        Self {
            elapsed_us: self
                .elapsed_us
                .and_then(|elapsed_us| elapsed_us.checked_add(micros)),
            utc: self.utc.and_then(|instant| {
                let utc = instant
                    .utc
                    .checked_add(jiff::SignedDuration::from_micros(micros))
                    .ok()?;
                Some(UtcInstant { utc, ..instant })
            }),
        }
    }
}

/// One thing a stream gives.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// The board introduced itself, and by these units its codes are to be read from here on.
    Board {
        /// As whom.
        hello: Box<Hello>,
        /// Its units.
        units: Units,
    },
    /// A reading instant.
    Reading(Reading),
    /// Reading instants that never arrived.
    Gap(Gap),
    /// Rail voltages and temperatures as they came.
    Slow {
        /// When.
        when: When,
        /// What.
        slow: SlowQuantities,
    },
    /// A mark of the foot switch or of the operator.
    Mark(MarkRow),
    /// Something that happened to the run.
    Happening(Happening),
    /// The board's counts.
    Health(Health),
}

/// One reading instant of both channels.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Index since the board started.
    pub index: u64,
    /// When it was due.
    pub when: When,
    /// The same in the board's own time, since its start.
    pub board: BoardTime,
    /// Raw codes; `None` is missing.
    pub codes: [Option<i32>; 2],
    /// Currents in amperes; `None` is missing.
    pub current_a: [Option<f64>; 2],
    /// Taken more than half a period after its instant.
    pub late: bool,
    /// Slow values that had come by this instant and belong to no row before.
    pub slow: Option<SlowQuantities>,
}

/// Why readings never arrived.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum GapCause {
    /// Frames were damaged on the line.
    Line,
    /// The port was closed meanwhile: unplugged, or the far end hung up.
    Unplugged,
    /// This computer could not keep them: a full or failing disk.
    Host,
    /// The board did not send them: its buffer was full.
    Board,
    /// The board was off or starting anew; how many readings there would have been, nobody knows.
    BoardOff,
}

impl GapCause {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Line => "frames were damaged on the line",
            Self::Unplugged => "the port was closed meanwhile",
            Self::Host => "this computer could not write them",
            Self::Board => "the board did not send them",
            Self::BoardOff => "the board was off or starting anew",
        }
    }
}

/// Reading instants that never arrived, or a time in which none were taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gap {
    /// Index of the first one missing; `None` when none were taken.
    pub first_index: Option<u64>,
    /// How many were taken and never arrived.
    pub readings: u64,
    /// When the gap begins: the first one missing was due.
    pub when: When,
    /// Microseconds from there to the next reading.
    pub duration_us: u64,
    /// Why.
    pub cause: GapCause,
}

/// Where a mark came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MarkSource {
    /// The foot switch, in board time.
    FootSwitch {
        /// Its number since the board started.
        number: u32,
        /// Which way it moved.
        edge: MarkEdge,
    },
    /// The operator, by key, click or command.
    Operator(HostMarkKind),
}

/// A mark on the time line.
#[derive(Clone, Debug, PartialEq)]
pub struct MarkRow {
    /// When.
    pub when: When,
    /// Whence.
    pub source: MarkSource,
    /// What the operator called it; empty for the foot switch.
    pub label: String,
}

/// Something that happened to the run.
#[derive(Clone, Debug, PartialEq)]
pub struct Happening {
    /// When.
    pub when: When,
    /// What.
    pub kind: HappeningKind,
    /// Channel 1 or 2, where it is one's.
    pub channel: Option<u8>,
    /// In words.
    pub detail: String,
}

/// What can happen to a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum HappeningKind {
    /// The port was opened.
    PortOpened,
    /// The port was lost.
    PortClosed,
    /// The board started anew within the run.
    BoardRestarted,
    /// A monitor chip is not as it should be.
    MonitorFault,
    /// A monitor chip had lost its settings and was given them again.
    MonitorRestarted,
    /// Bus transactions failed.
    BusErrors,
    /// The guard opened the supply relay.
    GuardTrip,
    /// The guard was armed, re-armed or switched off.
    GuardChanged,
    /// A command was refused.
    Refusal,
    /// The host's clock was set.
    HostClockSet,
    /// The board's clock stood still or jumped.
    BoardClockStep,
}

impl HappeningKind {
    /// The name in files.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::PortOpened => "port_opened",
            Self::PortClosed => "port_closed",
            Self::BoardRestarted => "board_restarted",
            Self::MonitorFault => "monitor_fault",
            Self::MonitorRestarted => "monitor_restarted",
            Self::BusErrors => "bus_errors",
            Self::GuardTrip => "guard_trip",
            Self::GuardChanged => "guard_changed",
            Self::Refusal => "refusal",
            Self::HostClockSet => "host_clock_set",
            Self::BoardClockStep => "board_clock_step",
        }
    }
}
