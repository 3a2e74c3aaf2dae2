//! Dates and times of day as instruments and spreadsheets write them.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime, Time};
use jiff::fmt::strtime::BrokenDownTime;

/// How a column of instants is written; found from its first cell and then held to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InstantForm {
    /// RFC 3339 with an offset or `Z`.
    Rfc3339,
    /// A civil date and time without an offset, by this pattern of `strptime`.
    Civil(&'static str),
    /// A time of day; it may pass midnight.
    TimeOfDay,
}

/// Patterns whose day and month cannot be mistaken for each other.
const CIVIL_PATTERNS: [&str; 6] = [
    "%Y-%m-%d %H:%M:%S%.f",
    "%Y-%m-%dT%H:%M:%S%.f",
    "%Y/%m/%d %H:%M:%S%.f",
    "%d.%m.%Y %H:%M:%S%.f",
    "%d-%b-%Y %H:%M:%S%.f",
    "%Y%m%d %H%M%S%.f",
];

impl InstantForm {
    /// The form that `cell` has, or `None` if it is no instant or one that could be read in two ways (`03/04/2026`).
    #[must_use]
    pub fn of(cell: &str) -> Option<Self> {
        let forms = [Self::Rfc3339]
            .into_iter()
            .chain(CIVIL_PATTERNS.map(Self::Civil))
            .chain([Self::TimeOfDay]);
        // A plain number is a number, whatever pattern it would fit.
        if cell.trim().parse::<f64>().is_ok() {
            return None;
        }
        forms.into_iter().find(|form| form.seconds(cell).is_some())
    }

    /// Seconds since 1970 (by the cell's own clock where it has no offset), or since midnight for a time of day.
    #[must_use]
    pub fn seconds(self, cell: &str) -> Option<f64> {
        let cell = cell.trim();
        match self {
            Self::Rfc3339 => cell
                .parse::<Timestamp>()
                .ok()
                .map(|instant| seconds_of(instant.as_nanosecond())),
            Self::Civil(pattern) => {
                let parsed = BrokenDownTime::parse(pattern, comma_to_point(cell)).ok()?;
                seconds_of_civil(parsed.to_datetime().ok()?)
            }
            Self::TimeOfDay => {
                let parsed = BrokenDownTime::parse("%H:%M:%S%.f", comma_to_point(cell)).ok()?;
                let time: Time = parsed.to_time().ok()?;
                seconds_of_civil(DateTime::from_parts(Date::constant(1970, 1, 1), time))
            }
        }
    }
}

fn comma_to_point(cell: &str) -> String {
    cell.replace(',', ".")
}

fn seconds_of_civil(datetime: DateTime) -> Option<f64> {
    let instant = jiff::tz::TimeZone::UTC.to_timestamp(datetime).ok()?;
    Some(seconds_of(instant.as_nanosecond()))
}

/// Nanoseconds to seconds, split so that today's dates keep their microseconds.
fn seconds_of(nanoseconds: i128) -> f64 {
    let whole = nanoseconds.div_euclid(1_000_000_000);
    let rest = nanoseconds.rem_euclid(1_000_000_000);
    whole as f64 + rest as f64 * 1e-9
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn knows_the_usual_forms() {
        // RFC 3339, section 5.8, first example: 1985-04-12T23:20:50.52Z; its Unix time is 482196050.52.
        assert_eq!(
            InstantForm::of("1985-04-12T23:20:50.52Z"),
            Some(InstantForm::Rfc3339)
        );
        for same in [
            "1985-04-12 23:20:50.52",
            "1985/04/12 23:20:50.52",
            "12.04.1985 23:20:50,52",
            "12-Apr-1985 23:20:50.52",
        ] {
            let form = InstantForm::of(same).expect(same);
            assert_eq!(form.seconds(same), Some(482_196_050.52), "{same}");
        }
        assert_eq!(
            InstantForm::of("23:20:50.5").and_then(|form| form.seconds("23:20:50.5")),
            Some(84_050.5)
        );
    }

    #[test]
    fn leaves_numbers_and_ambiguous_dates_alone() {
        for cell in ["0.5", "-3", "1e-3", "03/04/2026 10:00:00", "soon", ""] {
            assert_eq!(InstantForm::of(cell), None, "{cell}");
        }
    }
}
