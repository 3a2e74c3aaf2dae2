//! `run.toml`: what, when, settings, calibration; at the end counts and digests.
//!
//! The file only grows: the tables of the beginning are written first, `[closed]` is appended when the run is closed.
//! A run without it was cut off.

use serde::{Deserialize, Serialize};
use steadybench_protocol::{Hello, MonitorState, ShuntRange};

use super::plan::{BoardIntroduction, FullRate, RunKind, RunPlan};

/// The tables at the beginning.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunOpened {
    /// What and when.
    pub run: RunTable,
    /// How it measures and writes.
    pub settings: SettingsTable,
    /// The boards.
    pub board: Vec<BoardTable>,
}

/// What and when.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunTable {
    /// Number within the job.
    pub number: u32,
    /// What for.
    pub kind: RunKind,
    /// When the recording began, by the host's clock, RFC 3339.
    pub started_utc: String,
    /// The program that recorded.
    pub program: String,
}

/// How the run measures and is written.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SettingsTable {
    /// Time from one reading to the next.
    pub reading_period_us: u32,
    /// Integration time of the shunt voltage.
    pub conversion_time_us: u32,
    /// Full scale of the shunt voltage.
    pub shunt_range_mv: f64,
    /// Whether every reading gets a row in `readings.csv`.
    pub full_rate: FullRate,
    /// How long it does, where that is limited.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub full_rate_until_s: Option<i64>,
    /// Interval of `minutes.csv`.
    pub interval_s: f64,
}

/// One board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BoardTable {
    /// Folder of its files within the run's; `.` when it is the only board.
    pub folder: String,
    /// Port it was on.
    pub port: String,
    /// Its identity, in hexadecimal digits.
    pub serial: String,
    /// Kind of board.
    pub kind: String,
    /// Version of its firmware.
    pub firmware: String,
    /// Starts since it was powered.
    pub boot_count: u32,
    /// What its guard acts on, where the run set it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub guard: Option<String>,
    /// Its channels.
    pub channel: Vec<ChannelTable>,
}

/// One channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelTable {
    /// 1 or 2.
    pub number: u8,
    /// Whether its monitor chip answers.
    pub monitor: String,
    /// Nominal shunt.
    pub shunt_micro_ohm: u32,
    /// Current of one step of the code.
    pub current_step_a: f64,
    /// Rail voltage of one step of the code.
    pub rail_step_v: f64,
    /// By what the codes became amperes: `nominal`, or the calibration's date.
    pub calibration: String,
    /// Series resistor of the thermistor.
    pub thermistor_series_ohm: u32,
}

/// The tables at the end.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunClosed {
    /// When and why, and what is missing.
    pub closed: ClosedTable,
}

/// When and why, and what is missing.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ClosedTable {
    /// When, by the host's clock, RFC 3339.
    pub utc: String,
    /// Why.
    pub reason: String,
    /// UTC of the last reading.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded_until_utc: Option<String>,
    /// Counts by board.
    #[serde(default)]
    pub board: Vec<ClosedBoard>,
    /// Digests by file.
    #[serde(default)]
    pub file: Vec<ClosedFile>,
}

/// Counts of one board.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ClosedBoard {
    /// Its identity, in hexadecimal digits.
    pub serial: String,
    /// Reading instants recorded.
    pub readings: u64,
    /// Reading instants that never arrived, for whatever reason.
    pub lost_readings: u64,
    /// Of these, the ones that this computer could not keep.
    pub lost_on_this_computer: u64,
    /// Of these, the ones that the board itself dropped, as it counts them.
    pub dropped_by_board: u64,
    /// Frames that came damaged.
    pub damaged_frames: u64,
    /// Blocks that came twice.
    pub repeated_blocks: u64,
    /// How far UTC may be off, in seconds, at the end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub utc_bound_s: Option<f64>,
    /// How fast the host's UTC runs against the board's crystal, in parts per million.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clock_rate_ppm: Option<f64>,
    /// And how far that may be off.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clock_rate_bound_ppm: Option<f64>,
}

/// Digest of one file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClosedFile {
    /// Path within the run's folder, with `/`.
    pub path: String,
    /// Bytes in it.
    pub bytes: u64,
    /// SHA-256 in hexadecimal digits.
    pub sha256: String,
}

impl RunOpened {
    /// The tables of a run that begins.
    #[must_use]
    pub fn new(
        number: u32,
        started_utc: String,
        plan: &RunPlan,
        boards: &[(String, BoardIntroduction)],
    ) -> Self {
        Self {
            run: RunTable {
                number,
                kind: plan.kind,
                started_utc,
                program: concat!("steady ", env!("CARGO_PKG_VERSION")).into(),
            },
            settings: SettingsTable {
                reading_period_us: plan.configure.reading_period_us,
                conversion_time_us: plan.configure.conversion_time.micros(),
                shunt_range_mv: match plan.configure.shunt_range {
                    ShuntRange::Millivolts164 => 163.84,
                    ShuntRange::Millivolts41 => 40.96,
                },
                full_rate: plan.full_rate,
                full_rate_until_s: (plan.full_rate == FullRate::Auto).then_some(FullRate::AUTO_SECONDS),
                interval_s: plan.interval_us as f64 * 1e-6,
            },
            board: boards
                .iter()
                .map(|(folder, board)| BoardTable::new(folder.clone(), board))
                .collect(),
        }
    }
}

impl BoardTable {
    fn new(folder: String, board: &BoardIntroduction) -> Self {
        let hello = &board.hello;
        let version = hello.firmware_version;
        Self {
            folder,
            port: board.port.clone(),
            serial: serial_digits(hello),
            kind: hello.board.to_string(),
            firmware: format!("{}.{}.{}", version.major, version.minor, version.patch),
            boot_count: hello.boot_count,
            guard: board.guard.clone(),
            channel: (0..2).map(|channel| ChannelTable::new(hello, channel)).collect(),
        }
    }
}

impl ChannelTable {
    fn new(hello: &Hello, channel: usize) -> Self {
        let described = &hello.channels[channel];
        let scale = crate::units::Units::of(hello).channels[channel];
        Self {
            number: channel as u8 + 1,
            monitor: match described.monitor {
                MonitorState::Ready => "ready",
                MonitorState::Absent => "absent",
                MonitorState::WrongChip { .. } => "wrong chip",
                MonitorState::BusStuck => "bus stuck",
            }
            .into(),
            shunt_micro_ohm: described.shunt_micro_ohm,
            current_step_a: scale.current_step_a(),
            rail_step_v: scale.rail_v(1),
            calibration: crate::calibrations::of(&serial_digits(hello))
                .map_or("nominal".to_owned(), |calibration| {
                    calibration.made_on.to_string()
                }),
            thermistor_series_ohm: hello.thermistors[channel].series_ohm,
        }
    }
}

/// A board's identity in hexadecimal digits.
#[must_use]
pub fn serial_digits(hello: &Hello) -> String {
    hello
        .board_serial
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}
