//! What the model knows and a board does not: for tests that ask whether the figures are right. Bench seconds
//! throughout.

use steadybench_protocol::Channel;

use super::joint::JointEventKind;
use crate::chip::Conversion;

/// A tap.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TapTruth {
    /// When.
    pub at_s: f64,
    /// Where: position in [`super::Unit::places`].
    pub place: usize,
    /// Whether the joint or the lead opened from it.
    pub hit: bool,
}

/// Something stage 2's joint did.
#[derive(Clone, Debug, PartialEq)]
pub struct JointTruth {
    /// What.
    pub kind: JointEventKind,
    /// Share of the stage's draw left while open, 0 to 1.
    pub share_left: f64,
    /// Each opening: begin and end.
    pub openings: Vec<(f64, f64)>,
    /// The tap that caused it, as a position in [`Truth::taps`].
    pub tap: Option<usize>,
}

/// A change of load that is no fault.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoadChange {
    /// When.
    pub at_s: f64,
    /// Whether the motors started or stopped.
    pub motors_on: bool,
}

/// One shunt code as the board read it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReadingTruth {
    /// Of which channel.
    pub channel: Channel,
    /// Board time of the transfer's beginning, microseconds.
    pub board_us: u64,
    /// The conversion; its truth is the mean shunt voltage.
    pub conversion: Conversion,
    /// The true mean current meanwhile, amperes.
    pub current_a: f64,
}

/// Everything that has happened.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Truth {
    /// Taps, in order.
    pub taps: Vec<TapTruth>,
    /// What the joint did, in order of the disturbances.
    pub joint: Vec<JointTruth>,
    /// When the supply's lead was open: begin and end.
    pub lead_gaps: Vec<(f64, f64)>,
    /// Starts and stops of the motors.
    pub loads: Vec<LoadChange>,
    /// When the unit was given its supply (`true`) or lost it.
    pub power: Vec<(f64, bool)>,
    /// Shunt codes as they were read, while that is being recorded.
    pub readings: Vec<ReadingTruth>,
}
