//! A window as it is answered. Currents in amperes, rails in volts, temperatures in degrees Celsius; `null` where there is
//! no reading.

use schemars::JsonSchema;
use serde::Serialize;

use crate::live::view::{At, DetectionView, MarkView};

/// Which window of which run.
#[derive(Clone, Debug, PartialEq)]
pub struct WindowRequest {
    /// The run's number; `None` when none is being recorded and none was named.
    pub run: Option<u32>,
    /// The board's identity; `None` for the first.
    pub board: Option<String>,
    /// Where it begins, in seconds of the run.
    pub from_s: f64,
    /// Where it ends; `None` at the last reading.
    pub to_s: Option<f64>,
    /// Columns at most.
    pub columns: usize,
}

/// A stretch of a run in columns, each with the extremes of every reading in it.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Window {
    /// The run.
    pub run: u32,
    /// The board.
    pub board: String,
    /// Where the first column begins, in seconds of board time since the run's first reading: at or before what was asked.
    pub from_s: f64,
    /// Where the last column ends: at or after what was asked.
    pub to_s: f64,
    /// Length of a column: what was asked or a little more, so that columns hold whole intervals of what is kept.
    pub column_s: f64,
    /// Until when readings are on the disk; what came later is in the live stream.
    pub recorded_to_s: f64,
    /// The two channels.
    pub channels: [ChannelColumns; 2],
    /// The two thermistors.
    pub temperature: [Extremes; 2],
    /// Where readings are missing.
    pub gaps: Vec<GapView>,
    /// What happened in the readings, the latest word on each.
    pub events: Vec<DetectionView>,
    /// Marks of the operator and the foot switch.
    pub marks: Vec<MarkView>,
    /// What was altered on the unit meanwhile.
    pub alterations: Vec<AlterationMark>,
    /// Events, marks and gaps that are not listed because the window holds too many: those that speak for a fault are
    /// listed first, then the latest. A shorter window lists more.
    pub unlisted: usize,
    /// Share of the recording that was read to make its extremes: less than 1 while that is going on, and then there are
    /// no columns yet; ask again.
    pub made_share: f64,
}

impl Default for Window {
    fn default() -> Self {
        Self {
            run: 0,
            board: String::new(),
            from_s: 0.0,
            to_s: 0.0,
            column_s: 0.0,
            recorded_to_s: 0.0,
            channels: Default::default(),
            temperature: Default::default(),
            gaps: Vec::new(),
            events: Vec::new(),
            marks: Vec::new(),
            alterations: Vec::new(),
            unlisted: 0,
            made_share: 1.0,
        }
    }
}

/// The columns of one channel.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct ChannelColumns {
    /// The current in amperes, to single precision: half a step of the chip's code and better.
    pub current: Extremes,
    /// The rail behind the shunt in volts, with the lowest and highest between two slow values.
    pub rail: Extremes,
}

/// Lowest and highest value in each column.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct Extremes {
    /// Lowest.
    pub min: Vec<Option<f32>>,
    /// Highest.
    pub max: Vec<Option<f32>>,
}

/// Readings that are missing.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct GapView {
    /// Where the gap begins.
    pub from_s: f64,
    /// Where it ends.
    pub to_s: f64,
    /// Reading instants missing; `null` when nobody knows.
    pub readings: Option<u64>,
    /// Why.
    pub reason: String,
}

/// An alteration on the time line.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct AlterationMark {
    /// Its number.
    pub number: u32,
    /// `made`, `restored` or `kept`.
    pub event: &'static str,
    /// When.
    pub at: At,
    /// What was altered.
    pub what: String,
}
