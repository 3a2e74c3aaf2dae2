//! Which column is taken for what, by its heading or by the operator's word.

use std::fmt;

use super::dialect::Dialect;
use super::instant::InstantForm;
use super::unit::{Quantity, Unit};

/// What a column is taken for. Channels and places count from 0 here and from 1 before the operator.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Role {
    /// The time of the row.
    Time,
    /// A channel's current.
    Current(usize),
    /// The voltage of the rail behind a channel's shunt.
    Rail(usize),
    /// A temperature: of the unit first, of the room second.
    Temperature(usize),
}

impl Role {
    const fn quantity(self) -> Quantity {
        match self {
            Self::Time => Quantity::Time,
            Self::Current(_) => Quantity::Current,
            Self::Rail(_) => Quantity::Voltage,
            Self::Temperature(_) => Quantity::Temperature,
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Time => write!(f, "time"),
            Self::Current(channel) => write!(f, "ch{}", channel + 1),
            Self::Rail(channel) => write!(f, "rail{}", channel + 1),
            Self::Temperature(place) => write!(f, "t{}", place + 1),
        }
    }
}

impl std::str::FromStr for Role {
    type Err = ();

    fn from_str(text: &str) -> Result<Self, ()> {
        Ok(match text.trim() {
            "time" => Self::Time,
            "ch1" => Self::Current(0),
            "ch2" => Self::Current(1),
            "rail1" => Self::Rail(0),
            "rail2" => Self::Rail(1),
            "t1" => Self::Temperature(0),
            "t2" => Self::Temperature(1),
            _ => return Err(()),
        })
    }
}

/// One column that is used.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Position in the row, from 0.
    pub index: usize,
    /// Its heading, empty if there is none.
    pub heading: String,
    /// What it is taken for.
    pub role: Role,
    /// What its numbers are in.
    pub unit: Unit,
    /// Whether the unit was not written anywhere and is a guess.
    pub unit_assumed: bool,
    /// The form of its instants, for a column of dates or times of day.
    pub instant: Option<InstantForm>,
}

/// The columns that are used.
#[derive(Clone, Debug, PartialEq)]
pub struct Columns(Vec<Column>);

/// Why the columns cannot be told.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ColumnFault {
    /// A part of `--columns` is not understood.
    #[error(
        "'{0}' in --columns: write ROLE=COLUMN or ROLE=COLUMN:UNIT, with the role one of time, ch1, ch2, rail1, rail2, t1, t2, and the column its number from 1 or its heading"
    )]
    Override(String),
    /// The column named does not exist.
    #[error("'{0}' in --columns: the table has no such column")]
    NoSuchColumn(String),
    /// The unit named does not fit.
    #[error("'{0}' in --columns: the unit must be one of {1}, such as s, ms, A, mA, V or °C")]
    WrongUnit(String, &'static str),
    /// No column of currents.
    #[error("no column of currents was found: name it, as in --columns time=1:s,ch1=2:mA")]
    NoCurrent,
    /// No column of time, and no rate given.
    #[error(
        "no column of times was found: name it, as in --columns time=1:ms, or give the rate of the readings, as in --set rate_hz=1000"
    )]
    NoTime,
}

impl Columns {
    /// Assigns the columns of `dialect`: first by `overrides` (`time=1:ms,ch1=Current:mA`), the rest by their headings.
    ///
    /// `rate_known` says that the rows are evenly spaced at a known rate, so that a table without a time column will do.
    ///
    /// # Errors
    /// [`ColumnFault`] when an override is wrong, or time or current cannot be found.
    pub fn assign(dialect: &Dialect, overrides: Option<&str>, rate_known: bool) -> Result<Self, ColumnFault> {
        let mut columns = Vec::new();
        for part in overrides.into_iter().flat_map(|text| text.split(',')) {
            columns.push(overridden(dialect, part)?);
        }
        let mut assigning = Assigning { dialect, columns };
        assigning.by_heading();
        if !rate_known {
            assigning.first_column_as_time();
        }
        assigning.bare_columns_as_currents();
        let columns = assigning.columns;
        if !columns
            .iter()
            .any(|column| matches!(column.role, Role::Current(_)))
        {
            return Err(ColumnFault::NoCurrent);
        }
        if !rate_known && !columns.iter().any(|column| column.role == Role::Time) {
            return Err(ColumnFault::NoTime);
        }
        Ok(Self(columns))
    }

    /// The columns in no particular order.
    pub fn iter(&self) -> impl Iterator<Item = &Column> {
        self.0.iter()
    }
}

impl fmt::Display for Columns {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut columns: Vec<&Column> = self.0.iter().collect();
        columns.sort_by_key(|column| column.index);
        for (position, column) in columns.into_iter().enumerate() {
            if position > 0 {
                write!(f, ", ")?;
            }
            write!(f, "column {}", column.index + 1)?;
            if !column.heading.is_empty() {
                write!(f, " '{}'", column.heading)?;
            }
            write!(f, " as {}", column.role)?;
            let symbol = column.role.quantity().symbol();
            match column.instant {
                Some(_) => write!(f, " (date or time of day)")?,
                None if column.unit_assumed => write!(f, " in {symbol} (assumed)")?,
                None if column.unit == Unit::of(column.role.quantity()) => write!(f, " in {symbol}")?,
                None => write!(f, " in {symbol} after scaling by {}", column.unit.scale)?,
            }
        }
        Ok(())
    }
}

fn overridden(dialect: &Dialect, part: &str) -> Result<Column, ColumnFault> {
    let bad = || ColumnFault::Override(part.to_owned());
    let (role, rest) = part.split_once('=').ok_or_else(bad)?;
    let role: Role = role.parse().map_err(|()| bad())?;
    let (name, unit) = match rest.rsplit_once(':') {
        Some((name, unit)) => (name, Some(unit)),
        None => (rest, None),
    };
    let by_heading = dialect
        .headings
        .iter()
        .position(|heading| heading.text == name.trim());
    let by_number = name
        .trim()
        .parse::<usize>()
        .ok()
        .and_then(|number| number.checked_sub(1));
    let index = by_heading
        .or_else(|| by_number.filter(|index| *index < dialect.headings.len()))
        .ok_or_else(|| ColumnFault::NoSuchColumn(part.to_owned()))?;
    let written = match unit {
        Some(unit) => Some(
            Unit::read(unit)
                .filter(|unit| unit.quantity == role.quantity())
                .ok_or_else(|| ColumnFault::WrongUnit(part.to_owned(), role.quantity().symbol()))?,
        ),
        None => dialect.headings[index]
            .unit
            .filter(|unit| unit.quantity == role.quantity()),
    };
    Ok(column(dialect, index, role, written))
}

fn column(dialect: &Dialect, index: usize, role: Role, unit: Option<Unit>) -> Column {
    let instant = (role == Role::Time)
        .then(|| InstantForm::of(&dialect.first_row[index]))
        .flatten();
    Column {
        index,
        heading: dialect.headings[index].text.clone(),
        role,
        unit: unit.unwrap_or(Unit::of(role.quantity())),
        unit_assumed: unit.is_none() && instant.is_none(),
        instant,
    }
}

struct Assigning<'a> {
    dialect: &'a Dialect,
    columns: Vec<Column>,
}

impl Assigning<'_> {
    fn is_used(&self, index: usize) -> bool {
        self.columns.iter().any(|column| column.index == index)
    }

    fn has(&self, role: Role) -> bool {
        self.columns.iter().any(|column| column.role == role)
    }

    fn assign(&mut self, index: usize, role: Role, unit: Option<Unit>) {
        if !self.has(role) {
            self.columns.push(column(self.dialect, index, role, unit));
        }
    }

    /// A count of seconds is finer and plainer than a date beside it, and a unit says more than a name.
    fn time_by_heading(&mut self) {
        let mut best: Option<(u8, usize)> = None;
        for (index, heading) in self.dialect.headings.iter().enumerate() {
            let first_cell = &self.dialect.first_row[index];
            let has_unit = heading.unit.is_some_and(|unit| unit.quantity == Quantity::Time);
            let is_named = heading.unit.is_none_or(|unit| unit.quantity == Quantity::Time)
                && named(
                    &heading.text,
                    &["time", "t", "elapsed", "timestamp", "date", "datetime", "utc"],
                );
            let rank = if InstantForm::of(first_cell).is_some() {
                2
            } else if first_cell.trim().is_empty() && is_named {
                3
            } else if has_unit {
                0
            } else if is_named {
                1
            } else {
                continue;
            };
            if !heading.words && !self.is_used(index) && best.is_none_or(|(known, _)| rank < known) {
                best = Some((rank, index));
            }
        }
        if let Some((_, index)) = best {
            let written = self.dialect.headings[index].unit;
            self.assign(
                index,
                Role::Time,
                written.filter(|unit| unit.quantity == Quantity::Time),
            );
        }
    }

    fn by_heading(&mut self) {
        self.time_by_heading();
        for (index, heading) in self.dialect.headings.iter().enumerate() {
            // Beside means, a table of intervals has extremes and spreads, which are no readings.
            let is_summary = named(
                &heading.text,
                &[
                    "min", "max", "sd", "std", "count", "minimum", "maximum", "lowest", "highest",
                ],
            );
            if heading.words
                || is_summary
                || self.is_used(index)
                || InstantForm::of(&self.dialect.first_row[index]).is_some()
            {
                continue;
            }
            let role: fn(usize) -> Role = match heading.unit.map(|unit| unit.quantity) {
                Some(Quantity::Current) => Role::Current,
                Some(Quantity::Voltage) => Role::Rail,
                Some(Quantity::Temperature) => Role::Temperature,
                Some(Quantity::Time) => continue,
                None if named(&heading.text, &["current", "curr", "i", "ch"]) => Role::Current,
                None if named(&heading.text, &["voltage", "volts", "rail", "u", "v"]) => Role::Rail,
                None if named(&heading.text, &["temperature", "temp"]) => Role::Temperature,
                None => continue,
            };
            // What is numbered is of that channel or of none.
            let free = (0..2).find(|place| !self.has(role(*place)));
            if let Some(place) = place_in(&heading.text).or(free) {
                self.assign(index, role(place), heading.unit);
            }
        }
    }

    fn first_column_as_time(&mut self) {
        let bare = self
            .dialect
            .headings
            .first()
            .is_some_and(|heading| heading.unit.is_none() && !heading.words);
        if !self.has(Role::Time) && bare && !self.is_used(0) && self.dialect.headings.len() > 1 {
            self.assign(0, Role::Time, None);
        }
    }

    /// Where no column says that it is a current, the first ones without a unit are.
    fn bare_columns_as_currents(&mut self) {
        if self
            .columns
            .iter()
            .any(|column| matches!(column.role, Role::Current(_)))
        {
            return;
        }
        for (index, heading) in self.dialect.headings.iter().enumerate() {
            let free = (0..2).find(|channel| !self.has(Role::Current(*channel)));
            let is_taken = heading.words || self.is_used(index);
            if let (None, false, Some(channel)) = (heading.unit, is_taken, free) {
                self.assign(index, Role::Current(channel), None);
            }
        }
    }
}

/// Whether one of the heading's words, digits off, is one of `words`.
fn named(heading: &str, words: &[&str]) -> bool {
    let heading = heading.to_lowercase();
    heading
        .split(|c: char| !c.is_alphanumeric())
        .map(|word| word.trim_end_matches(|c: char| c.is_ascii_digit()))
        .any(|word| words.contains(&word))
}

/// The channel or place that a heading numbers: 0 for `ch1_A`, 1 for `Current 2 (mA)`.
fn place_in(heading: &str) -> Option<usize> {
    let digits: Vec<char> = heading.chars().filter(char::is_ascii_digit).collect();
    match digits.as_slice() {
        ['1'] => Some(0),
        ['2'] => Some(1),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn taken(text: &str, overrides: Option<&str>) -> Result<String, ColumnFault> {
        let dialect = Dialect::detect(text).expect("a table");
        Columns::assign(&dialect, overrides, false).map(|columns| columns.to_string())
    }

    #[test]
    fn headings_with_units_say_it_all() {
        assert_eq!(
            taken(
                "time_s,ch1_A,ch2_A,t1_C,t2_C\n0,1,2,30,20\n1,1,2,30,20\n2,1,2,30,20\n",
                None
            )
            .unwrap(),
            "column 1 'time_s' as time in s, column 2 'ch1_A' as ch1 in A, column 3 'ch2_A' as ch2 in A, \
             column 4 't1_C' as t1 in °C, column 5 't2_C' as t2 in °C"
        );
    }

    #[test]
    fn elapsed_seconds_go_before_a_date_and_means_before_extremes() {
        let text = "utc,elapsed_s,ch1_current_mean_a,ch1_current_min_a\n2026-11-25T10:00:00Z,0,1,0.9\n2026-11-25T10:00:01Z,1,1,0.9\n2026-11-25T10:00:02Z,2,1,0.9\n";
        assert_eq!(
            taken(text, None).unwrap(),
            "column 2 'elapsed_s' as time in s, column 3 'ch1_current_mean_a' as ch1 in A"
        );
    }

    #[test]
    fn the_programs_own_table_of_readings_is_taken_as_it_is_meant() {
        // Before the first exchange of times there is no UTC yet.
        let text = "utc,elapsed_s,index,late,ch1_current_a,ch2_current_a,ch1_rail_v,ch1_rail_lowest_v,ch1_rail_highest_v,ch2_rail_v\n\
                    ,0.000,0,0,0.1,0.2,24.1,24.0,24.2,24.1\n,0.001,1,0,0.1,0.2,,,,\n,0.002,2,0,0.1,0.2,,,,\n";
        assert_eq!(
            taken(text, None).unwrap(),
            "column 2 'elapsed_s' as time in s, column 5 'ch1_current_a' as ch1 in A, column 6 'ch2_current_a' as ch2 in A, \
             column 7 'ch1_rail_v' as rail1 in V, column 10 'ch2_rail_v' as rail2 in V"
        );
    }

    #[test]
    fn bare_numbers_are_guessed_and_said_to_be() {
        assert_eq!(
            taken("0 1\n".replace(' ', ",").repeat(4).as_str(), None).unwrap(),
            "column 1 as time in s (assumed), column 2 as ch1 in A (assumed)"
        );
    }

    #[test]
    fn the_operator_has_the_last_word() {
        let text = "a,b,c\n0,1,2\n1,1,2\n2,1,2\n";
        assert_eq!(
            taken(text, Some("time=a:ms,ch2=3:mA")).unwrap(),
            "column 1 'a' as time in s after scaling by 0.001, column 3 'c' as ch2 in A after scaling by 0.001"
        );
        assert_eq!(
            taken(text, Some("ch1=d")),
            Err(ColumnFault::NoSuchColumn("ch1=d".into()))
        );
        assert_eq!(
            taken(text, Some("ch1=2:V")),
            Err(ColumnFault::WrongUnit("ch1=2:V".into(), "A"))
        );
        assert_eq!(
            taken(text, Some("ch9=2")),
            Err(ColumnFault::Override("ch9=2".into()))
        );
    }
}
