//! The files: `steadybench/calibrations/SERIAL.toml` in the user's configuration folder.

use std::path::{Path, PathBuf};

use jiff::civil::Date;
use steadybench_analysis::calibration::{Calibration, ChannelCalibration, Shunt, ThermistorChannel};
use steadybench_protocol::Hello;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::kept;
use crate::recorder::serial_digits;
use crate::units::{divider_of, thermistor_as_built};

use super::Calibrations;

/// A shunt is taken as so good where nobody says it: 1 % and 75 ppm/K, an ordinary part (common practice, no source). Its
/// calibration file may say better.
const SHUNT_TOLERANCE: f64 = 0.01;
const SHUNT_COEFFICIENT_PER_K: f64 = 75e-6;

/// The folder of the calibrations.
///
/// # Errors
/// When the system does not say where a user's configuration is.
pub fn folder() -> Result<PathBuf, Fault> {
    kept::folder("calibrations", "STEADY_CALIBRATIONS")
}

/// The file of a board in a folder.
///
/// # Errors
/// When the serial number is none, so that it could lead out of the folder.
pub fn path_in(folder: &Path, serial: &str) -> Result<PathBuf, Fault> {
    if serial.is_empty() || !serial.chars().all(|c| c.is_ascii_hexdigit()) {
        return Err(Fault::usage(serial, "it is no serial number of a board")
            .remedy("`steady ports` and run.toml show it"));
    }
    Ok(folder.join(format!("{}.toml", serial.to_lowercase())))
}

/// Reads all kept calibrations; what cannot be read is among the faults.
#[must_use]
pub fn read_all() -> Calibrations {
    match folder() {
        Ok(folder) => read_folder(&folder),
        Err(_) => Calibrations::default(),
    }
}

fn read_folder(folder: &Path) -> Calibrations {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Calibrations::default();
    };
    let (mut named, mut faults) = (Vec::new(), Vec::new());
    for path in entries.filter_map(Result::ok).map(|entry| entry.path()) {
        let Some(serial) = path
            .file_name()
            .and_then(|name| name.to_str()?.strip_suffix(".toml"))
        else {
            continue;
        };
        // An older calibration, kept beside the present one, has more than a serial number in its name.
        if !serial.chars().all(|c| c.is_ascii_hexdigit()) {
            continue;
        }
        match read(&path) {
            Ok(calibration) => named.push((serial.to_owned(), calibration)),
            Err(fault) => faults.push(fault),
        }
    }
    Calibrations::new(named, faults)
}

/// Reads one file.
///
/// # Errors
/// [`Exit::BadInput`] when it cannot be read, names a figure that cannot be, or is no calibration.
pub fn read(path: &Path) -> Result<Calibration, Fault> {
    let text = std::fs::read_to_string(path).map_err(|error| Fault::file(Exit::BadInput, path, &error))?;
    let wrong = |rule: String| {
        Fault::new(Exit::BadInput, path.display().to_string(), rule)
            .remedy("mend that line by hand, or calibrate again; until then the board is read as built")
    };
    let calibration: Calibration =
        toml::from_str(&text).map_err(|error| wrong(error.to_string().trim_end().to_owned()))?;
    for (at, channel) in calibration.channels.iter().enumerate() {
        let usable = |gain: f64| (0.5..=2.0).contains(&gain);
        if !(usable(channel.current_gain) && usable(channel.voltage_gain) && channel.zero_v.abs() < 1e-3) {
            return Err(wrong(format!(
                "channel {}: a gain lies between 0.5 and 2, a zero within 1 mV",
                at + 1
            )));
        }
        if !(channel.shunt.nominal_ohm.is_finite() && channel.shunt.nominal_ohm > 0.0) {
            return Err(wrong(format!("channel {}: a shunt is above 0 ohm", at + 1)));
        }
    }
    Ok(calibration)
}

/// Writes a calibration to its board's file; the one that was there is kept beside it. Gives the file.
///
/// # Errors
/// When the folder cannot be made or written.
pub fn write(folder: &Path, calibration: &Calibration) -> Result<PathBuf, Fault> {
    let path = path_in(folder, &calibration.board_serial)?;
    let text = toml::to_string(calibration)
        .map_err(|error| Fault::file(Exit::Folder, &path, &std::io::Error::other(error)))?;
    kept::write(&path, &text)?;
    Ok(path)
}

/// The calibration of a board that nobody has calibrated.
#[must_use]
pub fn as_built(hello: &Hello, today: Date) -> Calibration {
    Calibration {
        board_serial: serial_digits(hello),
        made_on: today,
        reference: String::new(),
        channels: hello.channels.map(|channel| {
            ChannelCalibration::uncalibrated(Shunt {
                nominal_ohm: f64::from(channel.shunt_micro_ohm) * 1e-6,
                tolerance: SHUNT_TOLERANCE,
                temperature_coefficient_per_k: SHUNT_COEFFICIENT_PER_K,
            })
        }),
        thermistors: hello.thermistors.map(|divider| ThermistorChannel {
            divider: divider_of(&divider),
            thermistor: thermistor_as_built(),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recorder::testing::hello;

    #[test]
    fn the_old_calibration_is_kept_beside_the_new_one() {
        let place = tempfile::tempdir().unwrap();
        let folder = place.path().join("calibrations");
        let mut calibration = as_built(&hello(1), jiff::civil::date(2026, 3, 1));
        write(&folder, &calibration).unwrap();
        calibration.channels[1].current_gain = 1.02;
        let path = write(&folder, &calibration).unwrap();
        assert_eq!(read(&path).unwrap(), calibration);
        assert_eq!(std::fs::read_dir(&folder).unwrap().count(), 2);
        let all = read_folder(&folder);
        assert_eq!(all.of(&calibration.board_serial), Some(&calibration));
    }

    #[test]
    fn a_file_that_cannot_be_is_told_and_not_used() {
        let place = tempfile::tempdir().unwrap();
        let mut calibration = as_built(&hello(1), jiff::civil::date(2026, 3, 1));
        calibration.channels[1].current_gain = 5.0;
        write(place.path(), &calibration).unwrap();
        std::fs::write(place.path().join("0a.toml"), "board_serial = 3\n").unwrap();
        let all = read_folder(place.path());
        assert!(all.of(&calibration.board_serial).is_none());
        let told: Vec<String> = all.faults.iter().map(ToString::to_string).collect();
        assert!(
            told.iter()
                .any(|fault| fault.contains("channel 2: a gain lies between")),
            "{told:?}"
        );
        assert!(told.iter().any(|fault| fault.contains("line 1")), "{told:?}");
        assert!(path_in(place.path(), "../x").is_err());
    }
}
