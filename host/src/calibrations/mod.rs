//! Kept calibrations: one file for each board in the user's configuration folder, applied when codes are read, never to
//! the codes that are recorded. A better calibration later reaches back to every recording.
//!
//! | module | what it holds |
//! |---|---|
//! | [`store`] | where the files are, how they are read, written and never lost |
//!
//! A file is TOML that a person can read and mend. Its name is the board's serial number; one that was copied from another
//! board is told from its inside and not applied.

pub mod store;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::OnceLock;

use jiff::civil::Date;
use steadybench_analysis::calibration::{Calibration, MonitorSetting, ShuntRange};
use steadybench_protocol::{self as protocol, ChannelDescription};

use crate::fault::Fault;

/// Age at which a calibration is called old, in days (a year; common practice, no source).
const ALLOWED_DAYS: i64 = 365;

/// The calibrations that this process reads with.
static IN_USE: OnceLock<Calibrations> = OnceLock::new();

/// How the chip of a channel is set, in the terms in which its uncertainty is worked out. A board averages nothing.
#[must_use]
pub const fn setting_of(described: &ChannelDescription) -> MonitorSetting {
    MonitorSetting {
        range: match described.shunt_range {
            protocol::ShuntRange::Millivolts164 => ShuntRange::Wide,
            protocol::ShuntRange::Millivolts41 => ShuntRange::Narrow,
        },
        conversion_time_us: described.conversion_time.micros(),
        averages: 1,
    }
}

/// Calibrations by the serial number that their file is named by.
#[derive(Clone, Debug, Default)]
pub struct Calibrations {
    by_name: BTreeMap<String, Calibration>,
    /// Files that could not be read.
    faults: Vec<Fault>,
}

impl Calibrations {
    /// Calibrations by the serial number their file is named by, for instance from [`store::read_all`].
    #[must_use]
    pub fn new(named: impl IntoIterator<Item = (String, Calibration)>, faults: Vec<Fault>) -> Self {
        let by_name = named
            .into_iter()
            .map(|(serial, calibration)| (serial.to_lowercase(), calibration))
            .collect();
        Self { by_name, faults }
    }

    /// The calibration of a board; `None` when it has none, or one that was made for another board.
    #[must_use]
    pub fn of(&self, serial: &str) -> Option<&Calibration> {
        let named = self.by_name.get(&serial.to_lowercase())?;
        named.belongs_to(serial).then_some(named)
    }

    /// What to mind about the calibration of a board, in sentences.
    #[must_use]
    pub fn remarks(&self, serial: &str, today: Date) -> Vec<String> {
        match self.by_name.get(&serial.to_lowercase()) {
            None => vec![format!(
                "board {serial} is not calibrated: its shunts' and thermistors' tolerances stand; see `steady calibrate`"
            )],
            Some(named) => {
                let mut remarks: Vec<String> = named
                    .cautions(serial, today, ALLOWED_DAYS)
                    .iter()
                    .map(ToString::to_string)
                    .collect();
                if named.belongs_to(serial) {
                    remarks.insert(
                        0,
                        format!("board {serial} is read by its calibration of {}", named.made_on),
                    );
                } else {
                    remarks.push(format!(
                        "that calibration is not applied: board {serial} is read as built"
                    ));
                }
                remarks
            }
        }
    }
}

/// Reads the kept calibrations and uses them for the rest of the process; gives the faults of files that cannot be read.
/// Later calls change nothing.
pub fn put_in_use() -> &'static [Fault] {
    &IN_USE.get_or_init(store::read_all).faults
}

/// The calibration in use for a board.
#[must_use]
pub fn of(serial: &str) -> Option<&'static Calibration> {
    IN_USE.get()?.of(serial)
}

/// What to mind about the calibration in use for a board; nothing when none were put in use.
#[must_use]
pub fn remarks(serial: &str) -> Vec<String> {
    let today = jiff::ZonedDateTime::now().date();
    IN_USE.get().map_or(Vec::new(), |all| all.remarks(serial, today))
}

/// Where a board's calibration is kept.
///
/// # Errors
/// When the system does not say where a user's configuration is.
pub fn path(serial: &str) -> Result<PathBuf, Fault> {
    store::path_in(&store::folder()?, serial)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recorder::serial_digits;
    use crate::recorder::testing::hello;
    use crate::units::Units;

    fn day(year: i16, month: i8) -> Date {
        jiff::civil::date(year, month, 1)
    }

    #[test]
    fn what_is_old_or_foreign_is_said_and_the_foreign_not_applied() {
        let serial = serial_digits(&hello(1));
        let mut own = store::as_built(&hello(1), day(2026, 3));
        for channel in &mut own.channels {
            (channel.zero_uncertainty_v, channel.current_gain_uncertainty) = (Some(1e-7), Some(1e-3));
        }
        let all = Calibrations::new(
            [(serial.clone(), own.clone()), ("0000000000000001".into(), own)],
            Vec::new(),
        );
        assert!(all.of(&serial.to_uppercase()).is_some());
        let told = all.remarks(&serial, day(2027, 11)).join("\n");
        assert!(told.contains("610 days old"), "{told}");
        assert_eq!(all.remarks(&serial, day(2026, 11)).len(), 1);
        assert!(all.of("0000000000000001").is_none());
        let told = all.remarks("0000000000000001", day(2026, 11)).join("\n");
        assert!(
            told.contains("belongs to board 0707070707070707") && told.contains("is not applied"),
            "{told}"
        );
        assert!(all.remarks("0000000000000002", day(2026, 11))[0].contains("is not calibrated"));
    }

    /// 10 mΩ with a gain of 1.01 and a zero of 3.125 µV, ten steps: code 32010 is 32000 steps of 31.25 µA, times 1.01.
    #[test]
    fn a_calibration_changes_what_codes_mean_and_no_code() {
        let hello = hello(1);
        let mut calibration = store::as_built(&hello, day(2026, 3));
        assert_eq!(Units::calibrated(&hello, &calibration), Units::nominal(&hello));
        (
            calibration.channels[0].zero_v,
            calibration.channels[0].current_gain,
        ) = (3.125e-6, 1.01);
        let units = Units::calibrated(&hello, &calibration);
        assert!((units.channels[0].current_a(32_010) - 1.01).abs() < 1e-12);
        assert!((units.channels[1].current_a(32_000) - 1.0).abs() < 1e-12);
        assert_eq!(units.channels[0].current_code(1.01), 32_010.0);
        // Another shunt was fitted since: the gain no longer holds.
        calibration.channels[0].shunt.nominal_ohm = 0.05;
        assert_eq!(Units::calibrated(&hello, &calibration), Units::nominal(&hello));
    }
}
