//! Zero, gain and thermistor corrections from recorded codes.

use std::path::Path;

use steadybench_analysis::calibration::{
    Calibration, CalibrationError, CodeReading, GainPoint, RAIL_STEP_V, ShuntRange, ThermistorPoint,
    fit_gain, fit_thermistor, fit_zero,
};
use steadybench_analysis::statistics::{MeanEstimate, mean_under_autocorrelation};
use steadybench_analysis::thermistor::ThermistorReading;
use steadybench_analysis::uncertainty::{Budget, UncertaintyError};

use super::points::{Point, Value};
use super::recorded::{Part, Recorded};
use super::{Compared, Found, Residual, words};
use crate::calibrations::{self, store};
use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::serial_digits;

/// The calibration to go on from: the board's own, or as built.
fn begin(recorded: &Recorded) -> Calibration {
    let serial = serial_digits(&recorded.hello);
    let today = jiff::ZonedDateTime::now().date();
    let mut calibration = match calibrations::of(&serial) {
        Some(kept) => kept.clone(),
        None => store::as_built(&recorded.hello, today),
    };
    calibration.made_on = today;
    let built = store::as_built(&recorded.hello, today);
    for (channel, built) in calibration.channels.iter_mut().zip(built.channels) {
        // Another shunt was fitted since: what was found with the old one is gone with it.
        if (channel.shunt.nominal_ohm / built.shunt.nominal_ohm - 1.0).abs() > 1e-6 {
            *channel = built;
        }
    }
    calibration
}

pub(super) fn found(calibration: Calibration, residuals: Vec<Residual>, budgets: Vec<Budget>) -> Found {
    let serial = calibration.board_serial.clone();
    let mut remarks = calibrations::Calibrations::new([(serial.clone(), calibration.clone())], Vec::new())
        .remarks(&serial, calibration.made_on);
    remarks.retain(|remark| !remark.contains("is read by its calibration"));
    Found {
        kept_in: String::new(),
        residuals,
        remarks,
        budgets,
        calibration,
    }
}

fn refused(run: &Path, channel: usize, error: &CalibrationError) -> Fault {
    Fault::new(
        Exit::BadInput,
        format!("{}, channel {}", run.display(), channel + 1),
        error.to_string(),
    )
    .remedy("nothing is kept; mend it and record again")
}

pub(super) fn zero(run: &Path, channel: Option<u8>, part: &Part) -> Result<Found, Fault> {
    let recorded = Recorded::read(run, part)?;
    let mut calibration = begin(&recorded);
    let (mut residuals, mut budgets) = (Vec::new(), Vec::new());
    for at in 0..2 {
        if channel.is_some_and(|channel| usize::from(channel) != at + 1) {
            continue;
        }
        let zero = fit_zero(&recorded.codes[at], range_of(&recorded, at))
            .map_err(|error| refused(run, at, &error))?;
        let corrected = &mut calibration.channels[at];
        let before_a =
            (zero.zero_v - corrected.zero_v) * corrected.current_gain / corrected.shunt.nominal_ohm;
        corrected.zero_v = zero.zero_v;
        corrected.zero_uncertainty_v = Some(zero.standard_uncertainty_v);
        corrected.temperature_c = recorded.chip_c(at).unwrap_or(corrected.temperature_c);
        residuals.push(Residual {
            what: format!("channel {} at zero", at + 1),
            unit: "A",
            reference: 0.0,
            before: before_a,
            after: 0.0,
        });
        let code = zero.zero_v / range_of(&recorded, at).step_v();
        budgets.push(budget(&calibration, &recorded, at, CodeReading::single(code))?);
    }
    Ok(found(calibration, residuals, budgets))
}

pub(super) fn gain(compared: &Compared) -> Result<Found, Fault> {
    let at = usize::from(compared.channel - 1);
    let volts = matches!(
        compared.points.first().map(|point| point.value),
        Some(Value::Volts(_))
    );
    let unit = if volts { "V" } else { "A" };
    let mut points = Vec::new();
    let mut kept: Option<(Recorded, Calibration, CodeReading)> = None;
    for point in &compared.points {
        let reference = match point.value {
            Value::Amperes(value) if !volts => value,
            Value::Volts(value) if volts => value,
            _ => return Err(wrong_unit(point, "currents alone, or voltages alone")),
        };
        let recorded = Recorded::read(&point.run, &compared.part.beginning_at(point.from))?;
        let calibration = match &kept {
            Some((first, calibration, _)) => {
                same_board(first, &recorded, &point.run)?;
                calibration.clone()
            }
            None => begin(&recorded),
        };
        let channel = calibration.channels[at];
        let codes = if volts {
            &recorded.rail_codes[at]
        } else {
            &recorded.codes[at]
        };
        let mean = mean(codes, &point.run, at)?;
        let per_code = if volts {
            RAIL_STEP_V
        } else {
            range_of(&recorded, at).step_v() / channel.shunt.nominal_ohm
        };
        let zero = if volts {
            0.0
        } else {
            channel.zero_v / channel.shunt.nominal_ohm
        };
        // The chip's limit stands for a zero that was not measured: 1 µV, as likely anywhere within.
        let zero_u = if volts {
            0.0
        } else {
            channel.zero_uncertainty_v.unwrap_or(1e-6 / 3.0_f64.sqrt()) / channel.shunt.nominal_ohm
        };
        points.push(GainPoint {
            measured: mean.mean.value * per_code - zero,
            measured_uncertainty: (mean.standard_error * per_code).hypot(zero_u),
            reference,
            reference_uncertainty: compared.reference_limit.standard_uncertainty(reference, unit)?,
        });
        if kept.is_none()
            || points
                .iter()
                .all(|known| known.reference.abs() <= reference.abs())
        {
            kept = Some((recorded, calibration, CodeReading::from(&mean)));
        }
    }
    let Some((recorded, mut calibration, reading)) = kept else {
        return Err(refused(Path::new("-"), at, &CalibrationError::NoPoints));
    };
    let fit = fit_gain(&points).map_err(|error| refused(&compared.points[0].run, at, &error))?;
    let channel = &mut calibration.channels[at];
    let gain_before = if volts {
        channel.voltage_gain
    } else {
        channel.current_gain
    };
    let residuals: Vec<Residual> = points
        .iter()
        .zip(&compared.points)
        .zip(&fit.residuals_after)
        .map(|((known, point), &after)| Residual {
            what: point.run.display().to_string(),
            unit,
            reference: known.reference,
            before: gain_before * known.measured - known.reference,
            after,
        })
        .collect();
    if !fit.consistent {
        let left: Vec<String> = residuals.iter().map(words::residual).collect();
        return Err(Fault::new(
            Exit::BadInput,
            format!("channel {}", compared.channel),
            format!(
                "the points do not lie on one line through zero within their uncertainty: {}",
                left.join("; ")
            ),
        )
        .remedy(
            "nothing is kept; look for self-heating, copper in the path, the meter's range, a zero not taken",
        ));
    }
    if volts {
        channel.voltage_gain = fit.gain;
        channel.voltage_gain_uncertainty = Some(fit.relative_uncertainty);
    } else {
        channel.current_gain = fit.gain;
        channel.current_gain_uncertainty = Some(fit.relative_uncertainty);
    }
    channel.temperature_c = recorded.chip_c(at).unwrap_or(channel.temperature_c);
    name_reference(&mut calibration, compared);
    let budgets = if volts {
        let temperature_c = calibration.channels[at].temperature_c;
        vec![
            calibration.channels[at]
                .rail_budget(reading, temperature_c)
                .map_err(|error| no_budget(&error))?,
        ]
    } else {
        vec![budget(&calibration, &recorded, at, reading)?]
    };
    Ok(found(calibration, residuals, budgets))
}

pub(super) fn thermistor(compared: &Compared) -> Result<Found, Fault> {
    let at = usize::from(compared.channel - 1);
    let mut points = Vec::new();
    let mut first: Option<Recorded> = None;
    for point in &compared.points {
        let Value::Celsius(reference_c) = point.value else {
            return Err(wrong_unit(point, "temperatures"));
        };
        let recorded = Recorded::read(&point.run, &compared.part.beginning_at(point.from))?;
        if let Some(first) = &first {
            same_board(first, &recorded, &point.run)?;
        }
        points.push(ThermistorPoint {
            code: recorded.thermistor_code(at, &point.run)?,
            reference_c,
            reference_uncertainty_k: compared.reference_limit.standard_uncertainty(reference_c, "K")?,
        });
        first.get_or_insert(recorded);
    }
    let Some(first) = first else {
        return Err(refused(Path::new("-"), at, &CalibrationError::NoPoints));
    };
    let mut calibration = begin(&first);
    let built = store::as_built(&first.hello, calibration.made_on).thermistors[at];
    let fit = fit_thermistor(&built.thermistor, &built.divider, &points)
        .map_err(|error| refused(&compared.points[0].run, at, &error))?;
    let residuals: Vec<Residual> = points
        .iter()
        .zip(&compared.points)
        .zip(fit.residuals_before_k.iter().zip(&fit.residuals_after_k))
        .map(|((known, point), (&before, &after))| Residual {
            what: point.run.display().to_string(),
            unit: "K",
            reference: known.reference_c,
            before,
            after,
        })
        .collect();
    if fit.beyond_tolerance {
        let left: Vec<String> = residuals.iter().map(words::residual).collect();
        return Err(Fault::new(
            Exit::BadInput,
            format!("thermistor {}", compared.channel),
            format!("it is further off than such a part may be: {}", left.join("; ")),
        )
        .remedy("nothing is kept; let it settle and record again, or see whether it is another part"));
    }
    calibration.thermistors[at].thermistor = fit.thermistor;
    calibration.thermistors[at].divider = built.divider;
    name_reference(&mut calibration, compared);
    let mut budgets = Vec::new();
    for point in &points {
        let reading = fit
            .thermistor
            .budget(&built.divider, point.code, 0.0)
            .map_err(|error| no_budget(&error))?;
        if let ThermistorReading::Temperature(budget) = reading {
            budgets.push(budget);
        }
    }
    Ok(found(calibration, residuals, budgets))
}

fn range_of(recorded: &Recorded, at: usize) -> ShuntRange {
    calibrations::setting_of(&recorded.hello.channels[at]).range
}

fn budget(
    calibration: &Calibration,
    recorded: &Recorded,
    at: usize,
    reading: CodeReading,
) -> Result<Budget, Fault> {
    let setting = calibrations::setting_of(&recorded.hello.channels[at]);
    let channel = &calibration.channels[at];
    channel
        .current_budget(&setting, reading, channel.temperature_c)
        .map(|budget| of_channel(budget, at))
        .map_err(|error| no_budget(&error))
}

/// The budget with the channel, 0 or 1, in its name.
pub(super) fn of_channel(budget: Budget, at: usize) -> Budget {
    Budget {
        quantity: format!("{} of channel {}", budget.quantity, at + 1),
        ..budget
    }
}

pub(super) fn no_budget(error: &UncertaintyError) -> Fault {
    Fault::new(Exit::BadInput, "the uncertainty", error.to_string())
}

fn mean(codes: &[f64], run: &Path, at: usize) -> Result<MeanEstimate, Fault> {
    mean_under_autocorrelation(codes, 0.95)
        .map_err(|error| refused(run, at, &CalibrationError::Unsteady(error)))
}

fn same_board(first: &Recorded, other: &Recorded, run: &Path) -> Result<(), Fault> {
    if first.hello.board_serial == other.hello.board_serial {
        return Ok(());
    }
    Err(Fault::new(
        Exit::BadInput,
        run.display().to_string(),
        "it was recorded with another board than the run before",
    )
    .remedy("calibrate one board at a time"))
}

fn wrong_unit(point: &Point, wanted: &str) -> Fault {
    Fault::usage(
        point.run.display().to_string(),
        format!("here the points are {wanted}"),
    )
    .remedy("write them like RUN=1.000A, RUN=24.00V or RUN=25.0C")
}

fn name_reference(calibration: &mut Calibration, compared: &Compared) {
    if !compared.reference.is_empty() {
        calibration.reference.clone_from(&compared.reference);
    }
}
