//! Separator, decimal sign, where the rows begin, and what the columns are called.

use super::instant::InstantForm;
use super::unit::Unit;

/// How a table is written.
#[derive(Clone, Debug, PartialEq)]
pub struct Dialect {
    /// What stands between cells: comma, semicolon or tab.
    pub separator: u8,
    /// Whether numbers have a decimal comma.
    pub decimal_comma: bool,
    /// Lines before the first row of readings: a preamble, headings, units.
    pub lines_before_rows: usize,
    /// One for each column; empty names where the table has no headings.
    pub headings: Vec<Heading>,
    /// The cells of the first row.
    pub first_row: Vec<String>,
}

/// What stands over a column.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Heading {
    /// As written, without the surrounding blanks.
    pub text: String,
    /// The unit found in it, or in a row of units below it.
    pub unit: Option<Unit>,
    /// Whether the column holds words: notes or states, which are not read.
    pub words: bool,
}

/// Cells that stand for "no value": blank, the words of common software, and a meter's overload.
pub(super) fn is_missing(cell: &str) -> bool {
    const WORDS: [&str; 12] = [
        "", "-", "--", "nan", "na", "n/a", "null", "none", "ol", "overload", "inf", "-inf",
    ];
    WORDS.iter().any(|word| cell.eq_ignore_ascii_case(word))
}

/// Rows in a row that must look like readings before they are believed to be readings.
const ROWS_TO_BELIEVE: usize = 3;

impl Dialect {
    /// Finds the dialect from the beginning of a table, which must hold its headings and a few rows.
    ///
    /// Each pairing of separator and decimal sign is tried; the one under which the most cells of consecutive rows are
    /// numbers or instants wins, so `0,5;1,25` is two numbers and not three cells. `None` when no pairing gives even
    /// one row of readings.
    ///
    /// ```
    /// use steadybench_host::table::dialect::Dialect;
    ///
    /// let dialect = Dialect::detect("t [s];I [mA]\n0,0;1,25\n0,1;1,26\n0,2;1,24\n").expect("a table");
    /// assert_eq!((dialect.separator, dialect.decimal_comma), (b';', true));
    /// assert_eq!(dialect.headings[1].unit.expect("a unit").apply(1.25), 0.00125);
    /// ```
    #[must_use]
    pub fn detect(beginning: &str) -> Option<Self> {
        let numbered = beginning.lines().take(400).enumerate();
        let lines: Vec<(usize, &str)> = numbered.filter(|(_, line)| !line.trim().is_empty()).collect();
        let pairings = [
            (b',', false),
            (b';', false),
            (b';', true),
            (b'\t', false),
            (b'\t', true),
        ];
        let trials = pairings.into_iter().filter_map(|(separator, decimal_comma)| {
            let trial = Trial::of(&lines, separator, decimal_comma)?;
            Some((trial.readable_cells(), trial))
        });
        // `max_by_key` keeps the last of equals; the plain pairing stands first and must win a draw.
        let (_, trial) = trials.reduce(|best, next| if next.0 > best.0 { next } else { best })?;
        Some(trial.into_dialect())
    }
}

/// The beginning of the table under one pairing.
struct Trial {
    separator: u8,
    decimal_comma: bool,
    rows: Vec<Vec<String>>,
    /// Which columns hold notes or states.
    words: Vec<bool>,
    first: usize,
    last: usize,
    /// Position of the first row among all lines, blank ones included.
    line_of_first: usize,
}

impl Trial {
    fn of(lines: &[(usize, &str)], separator: u8, decimal_comma: bool) -> Option<Self> {
        let rows: Vec<Vec<String>> = lines.iter().map(|(_, line)| split(line, separator)).collect();
        let words = columns_of_words(&rows, decimal_comma);
        let readable = |row: &[String]| {
            let mut values = row.iter().zip(0..).filter(|(_, column)| {
                // Rows of another width are no part of the table, and their words are not this column's.
                row.len() != words.len() || !words[*column]
            });
            let mut numbers = 0;
            values.all(|(cell, _)| {
                let is_number = is_readable(cell, decimal_comma);
                numbers += usize::from(is_number);
                is_number || is_missing(cell)
            }) && numbers > 0
        };
        let alike = |at: usize| {
            readable(&rows[at])
                && (at..rows.len().min(at + ROWS_TO_BELIEVE)).all(|next| {
                    rows[next].len() == rows[at].len() && readable(&rows[next])
                    // The beginning may end in the middle of a line.
                    || next + 1 == rows.len()
                })
        };
        let first = (0..rows.len()).find(|at| alike(*at))?;
        let width = rows[first].len();
        let last = (first..rows.len())
            .take_while(|at| rows[*at].len() == width && readable(&rows[*at]))
            .last()?;
        // Below headings, a row or two with fewer cells are what a cut left of the first: their values would come under the
        // wrong ones.
        let is_narrow = first
            .checked_sub(1)
            .is_some_and(|above| rows[above].len() > width);
        if is_narrow && last + 1 - first < ROWS_TO_BELIEVE {
            return None;
        }
        let line_of_first = lines[first].0;
        Some(Self {
            separator,
            decimal_comma,
            rows,
            words,
            first,
            last,
            line_of_first,
        })
    }

    /// Cells that are numbers or instants, less those that are words: under the wrong separator two numbers look like one
    /// word.
    fn readable_cells(&self) -> isize {
        let rows = &self.rows[self.first..=self.last];
        rows.iter()
            .flatten()
            .map(|cell| match cell {
                cell if is_readable(cell, self.decimal_comma) => 1,
                cell if is_missing(cell) => 0,
                _ => -1,
            })
            .sum()
    }

    fn into_dialect(mut self) -> Dialect {
        let width = self.rows[self.first].len();
        let above = |distance: usize| {
            let row = self.first.checked_sub(distance).map(|at| &self.rows[at])?;
            (row.len() == width && row.iter().any(|cell| !cell.is_empty())).then_some(row)
        };
        let is_units = |row: &[String]| {
            row.iter().any(|cell| !cell.is_empty())
                && row
                    .iter()
                    .all(|cell| cell.is_empty() || Unit::read(cell).is_some())
        };
        let (names, units) = match (above(1), above(2)) {
            (Some(units), Some(names)) if is_units(units) => (Some(names), Some(units)),
            (names, _) => (names, None),
        };
        let headings = (0..width)
            .map(|column| {
                let text = names.map_or_else(String::new, |row| row[column].clone());
                let below = units.and_then(|row| Unit::read(&row[column]));
                Heading {
                    unit: below.or_else(|| unit_in(&text)),
                    text,
                    words: self.words.get(column).copied().unwrap_or(false),
                }
            })
            .collect();
        Dialect {
            separator: self.separator,
            decimal_comma: self.decimal_comma,
            lines_before_rows: self.line_of_first,
            headings,
            first_row: self.rows.swap_remove(self.first),
        }
    }
}

/// Which columns of the table hold words, as notes and states do: in most rows with a number elsewhere, neither a number
/// nor nothing. The table is as wide as most of such rows are.
fn columns_of_words(rows: &[Vec<String>], decimal_comma: bool) -> Vec<bool> {
    let with_numbers = || {
        rows.iter()
            .filter(|row| row.iter().any(|cell| is_readable(cell, decimal_comma)))
    };
    let mut counts = std::collections::BTreeMap::new();
    for row in with_numbers() {
        *counts.entry(row.len()).or_insert(0) += 1;
    }
    let width = counts
        .into_iter()
        .max_by_key(|(_, count)| *count)
        .map_or(0, |(width, _)| width);
    (0..width)
        .map(|column| {
            let cells = with_numbers()
                .filter(|row| row.len() == width)
                .map(|row| &row[column]);
            let (mut filled, mut words) = (0, 0);
            for cell in cells.filter(|cell| !is_missing(cell)) {
                filled += 1;
                words += usize::from(!is_readable(cell, decimal_comma));
            }
            2 * words > filled
        })
        .collect()
}

/// Splits a line into cells, minding quotes.
fn split(line: &str, separator: u8) -> Vec<String> {
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator)
        .has_headers(false)
        .flexible(true)
        .from_reader(line.as_bytes());
    let mut record = csv::StringRecord::new();
    match reader.read_record(&mut record) {
        Ok(true) => record.iter().map(|cell| cell.trim().to_owned()).collect(),
        _ => vec![String::new()],
    }
}

fn is_readable(cell: &str, decimal_comma: bool) -> bool {
    number(cell, decimal_comma).is_some() || InstantForm::of(cell).is_some()
}

/// A cell as a number, by the table's decimal sign; a unit behind it (`12.5 mA`) scales it.
pub(super) fn number(cell: &str, decimal_comma: bool) -> Option<f64> {
    let cell = cell.trim();
    if decimal_comma {
        if cell.contains('.') {
            return None;
        }
        let pointed = cell.replace(',', ".");
        return plain_or_with_unit(&pointed);
    }
    plain_or_with_unit(cell)
}

fn plain_or_with_unit(cell: &str) -> Option<f64> {
    if let Ok(value) = fast_float2::parse::<f64, _>(cell) {
        return value.is_finite().then_some(value);
    }
    let (value, unit) = cell.rsplit_once(' ')?;
    let value: f64 = fast_float2::parse(value.trim()).ok()?;
    value.is_finite().then_some(())?;
    Some(Unit::read(unit)?.apply(value))
}

/// The unit that a heading names: `Current (mA)`, `I [A]`, `t / ms`, `time_s`, `Current mA`, or the unit alone.
fn unit_in(heading: &str) -> Option<Unit> {
    let heading = heading.trim();
    if let Some(unit) = Unit::read(heading) {
        return Some(unit);
    }
    if let Some(inner) = heading.strip_suffix(')').and_then(|rest| rest.rsplit_once('(')) {
        return Unit::read(inner.1);
    }
    if let Some(inner) = heading.strip_suffix(']').and_then(|rest| rest.rsplit_once('[')) {
        return Unit::read(inner.1);
    }
    let (_, last) = heading.rsplit_once(['/', '_', ' '])?;
    Unit::read(last)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::unit::Quantity;

    #[test]
    fn skips_a_preamble_and_reads_a_row_of_units() {
        let text = "Record length,3\nSample interval,0.001\n\nTime,Channel 1,Channel 2\ns,mA,mA\n0,1,2\n0.001,1,2\n0.002,1,3\n";
        let dialect = Dialect::detect(text).unwrap();
        assert_eq!(dialect.lines_before_rows, 5);
        assert_eq!(dialect.headings[1].text, "Channel 1");
        assert_eq!(dialect.headings[2].unit.unwrap().quantity, Quantity::Current);
    }

    #[test]
    fn a_table_without_headings_is_a_table() {
        let dialect = Dialect::detect("0\t1\n1\t2\n2\t3\n").unwrap();
        assert_eq!((dialect.separator, dialect.lines_before_rows), (b'\t', 0));
        assert!(dialect.headings.iter().all(|heading| heading.text.is_empty()));
    }

    #[test]
    fn prose_is_no_table() {
        assert_eq!(
            Dialect::detect("The unit draws too much.\nIt gets warm, too.\n"),
            None
        );
        assert_eq!(Dialect::detect(""), None);
    }
}
