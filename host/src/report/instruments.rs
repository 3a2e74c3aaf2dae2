//! The boards that measured, and how well their scale is known.

use std::collections::BTreeMap;

use jiff::civil::Date;
use steadybench_analysis::calibration::{ChannelCalibration, CodeReading};
use steadybench_protocol::{ChannelDescription, Hello};

use crate::calibrations;
use crate::calibrations::store::as_built;
use crate::recorder::{RunSurvey, serial_digits};
use crate::units::Units;

use super::content::{Instrument, InstrumentChannel, RunTold};
use super::pass::Seen;

/// The uncertainty of the scale is told for a board so far, in kelvin, from the temperature it was calibrated at.
pub(super) const AWAY_K: f64 = 10.0;

/// The greatest code of a shunt voltage: the zero's part is least there.
const FULL_SCALE_CODE: f64 = 524_287.0;

/// Boards met in the runs.
#[derive(Default)]
pub(super) struct Met(BTreeMap<String, Board>);

struct Board {
    hello: Box<Hello>,
    firmware: Vec<String>,
    runs: Vec<u32>,
    clock_rate_ppm: Option<[f64; 2]>,
}

impl Met {
    pub(super) fn take(&mut self, run: u32, survey: &RunSurvey, seen: &Seen) {
        let Some(hello) = &seen.hello else { return };
        let serial = serial_digits(hello);
        let board = self.0.entry(serial.clone()).or_insert_with(|| Board {
            hello: hello.clone(),
            firmware: Vec::new(),
            runs: Vec::new(),
            clock_rate_ppm: None,
        });
        board.hello.clone_from(hello);
        board.runs.push(run);
        board.clock_rate_ppm = seen.clock_rate_ppm.or(board.clock_rate_ppm);
        let tables = survey.opened.iter().flat_map(|opened| &opened.board);
        for table in tables.filter(|table| table.serial == serial) {
            if !board.firmware.contains(&table.firmware) {
                board.firmware.push(table.firmware.clone());
            }
        }
    }
}

pub(super) fn instruments(met: Met, runs: &[RunTold]) -> Vec<Instrument> {
    met.0
        .into_iter()
        .map(|(serial, board)| instrument(serial, board, runs))
        .collect()
}

fn instrument(serial: String, board: Board, runs: &[RunTold]) -> Instrument {
    let calibration = calibrations::of(&serial);
    let bounds = runs
        .iter()
        .flat_map(|run| &run.boards)
        .filter(|told| told.serial == serial)
        .filter_map(|told| told.utc_bound_s);
    Instrument {
        kind: board.hello.board.to_string(),
        firmware: board.firmware,
        runs: board.runs,
        calibrated_on: calibration.map(|by| by.made_on.to_string()),
        reference: calibration.map_or_else(String::new, |by| by.reference.clone()),
        remarks: calibrations::remarks(&serial),
        channels: (0..2).map(|at| channel(&board.hello, at)).collect(),
        utc_bound_s: bounds.reduce(f64::max),
        clock_rate_ppm: board.clock_rate_ppm,
        serial,
    }
}

fn channel(hello: &Hello, at: usize) -> InstrumentChannel {
    let described = &hello.channels[at];
    let calibration = calibrations::of(&serial_digits(hello)).map_or_else(
        || as_built(hello, Date::default()).channels[at],
        |by| by.channels[at],
    );
    let [full, none] = [FULL_SCALE_CODE, 0.0].map(|code| half_width_a(&calibration, described, code));
    InstrumentChannel {
        number: at as u8 + 1,
        shunt_micro_ohm: described.shunt_micro_ohm,
        current_step_a: Units::of(hello).channels[at].current_step_a(),
        scale_uncertainty: full.map(|(half_width_a, current_a)| half_width_a / current_a),
        zero_uncertainty_a: none.map(|(half_width_a, _)| half_width_a),
        measured: [
            calibration.zero_uncertainty_v.is_some(),
            calibration.current_gain_uncertainty.is_some(),
        ],
    }
}

/// The bound on a mean of many readings of `code`, and the current it stands for, both in amperes.
fn half_width_a(by: &ChannelCalibration, described: &ChannelDescription, code: f64) -> Option<(f64, f64)> {
    // The scatter of single readings is in the findings' own intervals.
    let reading = CodeReading {
        code,
        standard_error: Some((0.0, f64::INFINITY)),
    };
    let budget = by
        .current_budget(
            &calibrations::setting_of(described),
            reading,
            by.temperature_c + AWAY_K,
        )
        .ok()?;
    Some((budget.bounded(0.95).ok()?.half_width(), budget.value))
}
