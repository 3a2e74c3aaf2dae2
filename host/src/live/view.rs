//! What the live stream tells, as the page and other programs read it. Currents in amperes, positive from the supply into
//! the load; rails in volts; temperatures in degrees Celsius; a value that is missing is `null`.

use std::time::Instant;

use jiff::{SignedDuration, Timestamp};
use schemars::JsonSchema;
use serde::Serialize;

use crate::stream::When;

/// An instant.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct At {
    /// UTC in RFC 3339; `null` before the first time exchange.
    pub utc: Option<String>,
    /// Seconds of board time since the run's first reading; `null` before it.
    pub elapsed_s: Option<f64>,
}

impl From<When> for At {
    fn from(when: When) -> Self {
        Self {
            utc: when.utc.map(|instant| format!("{:.6}", instant.utc)),
            elapsed_s: when.elapsed_us.map(|micros| micros as f64 * 1e-6),
        }
    }
}

/// This computer's UTC at an instant of its own, in RFC 3339.
pub(super) fn utc_of(instant: Instant) -> String {
    let ago = SignedDuration::try_from(instant.elapsed()).unwrap_or_default();
    let now = Timestamp::now();
    format!("{:.4}", now.checked_sub(ago).unwrap_or(now))
}

/// A figure with its 95 % interval; an end that is `null` is not known.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Figure {
    /// The figure.
    pub value: f64,
    /// Lower end of the interval.
    pub low: Option<f64>,
    /// Upper end of the interval.
    pub high: Option<f64>,
}

/// The event `state`: how everything stands, twenty times a second.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct StateView {
    /// The event's number.
    pub sequence: u64,
    /// This computer's UTC.
    pub utc: String,
    /// Whether a run is recorded; otherwise the boards measure and nothing is written.
    pub recording: bool,
    /// The run's number within the job; `null` in standby.
    pub run: Option<u32>,
    /// What the run is for: tap, soak, power-up, twins, free; `null` in standby.
    pub kind: Option<&'static str>,
    /// Seconds left of a run whose length was given.
    pub left_s: Option<f64>,
    /// The place that is being tapped; empty when none was chosen.
    pub place: String,
    /// The boards.
    pub boards: Vec<BoardView>,
}

/// One board in a `state`.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct BoardView {
    /// Its identity in hexadecimal digits.
    pub serial: String,
    /// Its port.
    pub port: String,
    /// Whether the port is open and the board measures.
    pub connected: bool,
    /// Seconds since its last reading came; `null` when none has.
    pub age_s: Option<f64>,
    /// Seconds of board time since the run's first reading.
    pub elapsed_s: f64,
    /// The guard.
    pub guard: GuardView,
    /// Reading instants that never arrived, in this run.
    pub losses: u64,
    /// How far the readings' UTC may be off.
    pub clock_bound_s: Option<f64>,
    /// The two channels.
    pub channels: [ChannelView; 2],
    /// The two channels side by side.
    pub twins: Option<TwinsView>,
    /// The trace since the `state` before.
    pub recent: RecentView,
}

/// The guard of a board.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, JsonSchema)]
pub struct GuardView {
    /// `off`, `armed` or `tripped`.
    pub state: &'static str,
    /// Why it tripped; `null` when it has not.
    pub cause: Option<String>,
}

/// One channel in a `state`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct ChannelView {
    /// What it is, from `job.toml`; `channel 1` or `channel 2` when that says nothing.
    pub name: String,
    /// Mean current over the last half second.
    pub current_a: Option<f64>,
    /// Half the width of its 95 % interval, calibration included (JCGM 100).
    pub current_uncertainty_a: Option<f64>,
    /// The rail behind the shunt.
    pub rail_v: Option<f64>,
    /// The thermistor.
    pub temperature_c: Option<f64>,
    /// One of `no reading`, `clipped`, `intermittent`, `changing`, `steady`, `starting`; in a soak also `settling`,
    /// `settled`, `drifting`.
    pub state: &'static str,
    /// Why that word.
    pub reason: String,
    /// Seconds since its last good reading.
    pub age_s: Option<f64>,
}

/// The two channels side by side, in a `state`.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct TwinsView {
    /// Channel 1 minus channel 2.
    pub difference_a: Figure,
    /// Channel 1 over channel 2; `null` when channel 2 carries next to nothing.
    pub ratio: Option<Figure>,
    /// `alike`, `differs`, `cannot say yet`; `not compared` outside a run of twins.
    pub word: &'static str,
    /// Why that word.
    pub reason: String,
}

/// Columns of the trace, each with the extremes of every reading in it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct RecentView {
    /// Where the first column begins.
    pub start_elapsed_s: f64,
    /// Length of a column.
    pub column_s: f64,
    /// Lowest current of channel 1 in each column.
    pub ch1_min: Vec<Option<f32>>,
    /// Highest current of channel 1 in each column.
    pub ch1_max: Vec<Option<f32>>,
    /// Lowest current of channel 2 in each column.
    pub ch2_min: Vec<Option<f32>>,
    /// Highest current of channel 2 in each column.
    pub ch2_max: Vec<Option<f32>>,
}

/// The event `detection`: something happened in the readings, or is seen otherwise than before.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct DetectionView {
    /// Number of the event in its run.
    pub number: u64,
    /// Whether this supersedes what was said of the same number before.
    pub revised: bool,
    /// The board.
    pub board: String,
    /// 1 or 2.
    pub channel: u8,
    /// `dropout`, `spike`, `step`, `chatter`, `load_change` or `nuisance`.
    pub kind: &'static str,
    /// Whether it speaks for a fault.
    pub fault: bool,
    /// Whether both channels changed alike: a load, the supply or a lead.
    pub common: bool,
    /// The onset.
    pub at: At,
    /// Departure from the level before: negative when the current fell.
    pub size_a: f64,
    /// Standard uncertainty of the size.
    pub size_uncertainty_a: f64,
    /// From onset to end; of a step that has not gone back, so far.
    pub duration_s: f64,
    /// The event in words.
    pub words: String,
    /// Why it is taken for what it is taken for.
    pub reason: String,
    /// This computer's UTC when the frame came that holds the reading at the onset; `null` when that is not known, as in a
    /// window.
    pub arrived_utc: Option<String>,
    /// This computer's UTC when this was said; `null` in a window.
    pub said_utc: Option<String>,
}

/// The event `glimpse`: something has just begun in the readings, for a sound that must not wait. What it is comes within
/// 50 ms of data as a `detection` of the same number, which may say that it was harmless; where nothing comes, it was.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct GlimpseView {
    /// Number of the event in its run.
    pub number: u64,
    /// The board.
    pub board: String,
    /// 1 or 2.
    pub channel: u8,
    /// The onset, as far as it is known.
    pub at: At,
    /// Departure from the level before, as far as it is known.
    pub size_a: f64,
    /// This computer's UTC when the frame came that holds the reading at the onset.
    pub arrived_utc: Option<String>,
    /// This computer's UTC when this was said.
    pub said_utc: String,
}

/// The event `mark`.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct MarkView {
    /// The board on whose time line it stands.
    pub board: String,
    /// `tap`, `command`, `note` or `place`.
    pub kind: &'static str,
    /// The place tapped, the load switched, or the note.
    pub label: String,
    /// When.
    pub at: At,
    /// `pedal` or `operator`.
    pub source: &'static str,
}

/// The event `run`: a run began or ended.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct RunView {
    /// `began` or `ended`.
    pub what: &'static str,
    /// The run's number within the job.
    pub run: u32,
    /// What it is for.
    pub kind: &'static str,
    /// When it began.
    pub started_utc: String,
    /// Why it ended.
    pub reason: Option<String>,
}

/// The event `trouble`: something that the operator should know of now.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct TroubleView {
    /// The board; `null` when it is no board's.
    pub board: Option<String>,
    /// What kind: the names of `events.csv`, or `disk`, `gap`.
    pub kind: &'static str,
    /// Whether it is over.
    pub over: bool,
    /// In words.
    pub words: String,
}

/// The event `job`: notes, alterations or places changed; ask `/v1/job` for them.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct JobChanged {
    /// `field`, `note`, `alteration`, `place` or `closed`.
    pub what: &'static str,
}

/// The event `missed`: events that were to be told and are gone.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Missed {
    /// How many; `null` when nobody knows, as after a restart of the collector.
    pub missed: Option<u64>,
}
