//! `alterations.csv`: what was altered on the unit, and whether it was put back.
//!
//! One row when it is made, one when it is restored or knowingly kept; both carry its number.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::ledger::{LedgerFile, Mistake, Row, plain, time};

/// The file.
pub const FILE: LedgerFile = LedgerFile {
    name: "alterations.csv",
    header: "number,utc,event,kind,what,why",
    word_column: 2,
};

/// What was done.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema, clap::ValueEnum,
)]
#[serde(rename_all = "kebab-case")]
pub enum AlterationKind {
    /// A track cut.
    CutTrack,
    /// A leg of a part lifted.
    LiftedLeg,
    /// A part taken out.
    RemovedPart,
    /// Two like parts, or a part and another, changed over.
    SwappedPart,
    /// A new part fitted.
    NewPart,
    /// A link or wire put in.
    Link,
    /// A resistor or lamp put in series.
    SeriesResistor,
    /// A shunt of the recorder put in.
    Shunt,
    /// A joint reflowed, reseated or flexed.
    DisturbedJoint,
    /// Anything else.
    Other,
}

impl AlterationKind {
    /// Every kind.
    pub const ALL: [Self; 10] = [
        Self::CutTrack,
        Self::LiftedLeg,
        Self::RemovedPart,
        Self::SwappedPart,
        Self::NewPart,
        Self::Link,
        Self::SeriesResistor,
        Self::Shunt,
        Self::DisturbedJoint,
        Self::Other,
    ];

    /// The name in the file.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::CutTrack => "cut-track",
            Self::LiftedLeg => "lifted-leg",
            Self::RemovedPart => "removed-part",
            Self::SwappedPart => "swapped-part",
            Self::NewPart => "new-part",
            Self::Link => "link",
            Self::SeriesResistor => "series-resistor",
            Self::Shunt => "shunt",
            Self::DisturbedJoint => "disturbed-joint",
            Self::Other => "other",
        }
    }

    /// Whether there is something to put back: a joint that was reflowed is not made cold again.
    #[must_use]
    pub const fn needs_restoring(self) -> bool {
        !matches!(self, Self::DisturbedJoint)
    }

    fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }
}

/// Where an alteration stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "state", rename_all = "kebab-case")]
pub enum State {
    /// Still altered.
    Open,
    /// Put back.
    Restored {
        /// When.
        utc: Option<Timestamp>,
        /// What was written beside it.
        note: String,
    },
    /// Left as it is, knowingly.
    Kept {
        /// When that was decided.
        utc: Option<Timestamp>,
        /// Why.
        reason: String,
    },
    /// Nothing to put back.
    Lasting,
}

/// One alteration.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Alteration {
    /// Its number.
    pub number: u32,
    /// When it was made; `None` when nobody wrote it down.
    pub utc: Option<Timestamp>,
    /// What kind.
    pub kind: AlterationKind,
    /// What, and where.
    pub what: String,
    /// Why; may be empty.
    pub why: String,
    /// Where it stands.
    #[serde(rename = "now")]
    pub state: State,
}

/// All alterations of a job, in the order they were made, and what could not be read.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Alterations {
    /// The alterations.
    pub made: Vec<Alteration>,
    /// What could not be read.
    pub mistakes: Vec<Mistake>,
    /// Highest number seen, in a row that could be read or not.
    #[serde(skip)]
    highest: u32,
}

impl Alterations {
    /// Reads the file's text.
    ///
    /// ```
    /// use steadybench_host::job::Alterations;
    ///
    /// let file = "number,utc,event,kind,what,why\r\n\
    ///     1,2026-11-25T13:45:00Z,made,cut-track,cut track at R12,for the shunt\r\n\
    ///     1,2026-11-25T15:20:00Z,restored,,,bridged and soldered\r\n\
    ///     2,,made,lifted-leg,leg 3 of Q4,\r\n";
    /// let alterations = Alterations::read(file);
    /// assert_eq!(alterations.open().map(|open| open.number).collect::<Vec<_>>(), [2]);
    /// ```
    #[must_use]
    pub fn read(text: &str) -> Self {
        let (rows, mistakes) = FILE.read(text);
        let mut alterations = Self {
            mistakes,
            ..Self::default()
        };
        for row in &rows {
            if let Ok(number) = row.cells[0].parse::<u32>() {
                alterations.highest = alterations.highest.max(number);
            }
            if let Err(mistake) = alterations.take(row) {
                alterations.mistakes.push(mistake);
            }
        }
        alterations.mistakes.sort_by_key(|mistake| mistake.line);
        alterations
    }

    fn take(&mut self, row: &Row) -> Result<(), Mistake> {
        let cell = |at: usize| plain(&row.cells[at]);
        let number: u32 = row.cells[0].parse().map_err(|_| {
            let rule = format!("`{}` is no number of an alteration", cell(0));
            FILE.mistake(row.line, rule, format!("write {}", self.highest + 1))
        })?;
        let utc = time(&FILE, row, 1)?;
        match row.cells[2].as_str() {
            "made" => {
                if self.get(number).is_some() {
                    let rule = format!("there is an alteration {number} already");
                    let remedy = format!("give this one the number {}", self.highest + 1);
                    return Err(FILE.mistake(row.line, rule, remedy));
                }
                let kind = AlterationKind::named(&row.cells[3]).ok_or_else(|| {
                    let names: Vec<&str> = AlterationKind::ALL.iter().map(|kind| kind.name()).collect();
                    let rule = format!("`{}` is no kind of alteration", cell(3));
                    FILE.mistake(row.line, rule, format!("write one of {}", names.join(", ")))
                })?;
                self.made.push(Alteration {
                    number,
                    utc,
                    kind,
                    what: cell(4),
                    why: cell(5),
                    state: if kind.needs_restoring() {
                        State::Open
                    } else {
                        State::Lasting
                    },
                });
            }
            event @ ("restored" | "kept") => {
                let Some(alteration) = self.made.iter_mut().find(|made| made.number == number) else {
                    let rule = format!("no alteration {number} was made before it was {event}");
                    let remedy = "put its row `made` above this one, or mend the number";
                    return Err(FILE.mistake(row.line, rule, remedy));
                };
                let words = cell(5);
                if event == "kept" && words.is_empty() {
                    let rule = format!("alteration {number} is kept without a reason");
                    return Err(FILE.mistake(row.line, rule, "write the reason in the last column"));
                }
                alteration.state = match event {
                    "restored" => State::Restored { utc, note: words },
                    _ => State::Kept { utc, reason: words },
                };
            }
            _ => {
                let rule = format!("`{}` is no event", cell(2));
                return Err(FILE.mistake(row.line, rule, "write made, restored or kept"));
            }
        }
        Ok(())
    }

    /// The alteration of a number.
    #[must_use]
    pub fn get(&self, number: u32) -> Option<&Alteration> {
        self.made.iter().find(|made| made.number == number)
    }

    /// Those still altered.
    pub fn open(&self) -> impl Iterator<Item = &Alteration> {
        self.made.iter().filter(|made| made.state == State::Open)
    }

    /// The number for the next one; none is given twice, also where a row cannot be read.
    #[must_use]
    pub fn next_number(&self) -> u32 {
        self.highest.saturating_add(1)
    }
}

impl State {
    /// In words, as a list shows it.
    #[must_use]
    pub fn words(&self) -> String {
        let at = |utc: &Option<Timestamp>| utc.map_or(String::new(), |utc| format!(" {utc:.0}"));
        let beside = |words: &str| {
            if words.is_empty() {
                String::new()
            } else {
                format!(": {words}")
            }
        };
        match self {
            Self::Open => "STILL ALTERED".to_owned(),
            Self::Restored { utc, note } => format!("restored{}{}", at(utc), beside(note)),
            Self::Kept { utc, reason } => format!("kept{}{}", at(utc), beside(reason)),
            Self::Lasting => "nothing to put back".to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_is_read_by_its_name() {
        for kind in AlterationKind::ALL {
            assert_eq!(AlterationKind::named(kind.name()), Some(kind));
            let in_json = serde_json::to_value(kind).unwrap();
            assert_eq!(in_json, kind.name());
        }
    }

    #[test]
    fn hand_made_mistakes_are_told_by_line_and_the_rest_is_read() {
        let file = "number,utc,event,kind,what,why\n\
            1,25.11.2026,made,cut-track,at R12,\n\
            2,,made,cut_track,at R13,\n\
            3,,made,link,over F1,\n\
            3,,made,link,over F2,\n\
            4,,restord,,,\n\
            7,,restored,,,\n\
            3,,kept,,,\n\
            x,,made,link,,\n";
        let alterations = Alterations::read(file);
        assert_eq!(alterations.made.len(), 1);
        assert_eq!(alterations.open().count(), 1);
        assert_eq!(alterations.next_number(), 8);
        let told: Vec<String> = alterations.mistakes.iter().map(Mistake::to_string).collect();
        insta::assert_snapshot!(told.join("\n"), @"
        alterations.csv, line 2: `25.11.2026` is no time
          remedy: write it in UTC like 2026-11-25T13:45:00Z, or leave it empty
        alterations.csv, line 3: `cut_track` is no kind of alteration
          remedy: write one of cut-track, lifted-leg, removed-part, swapped-part, new-part, link, series-resistor, shunt, disturbed-joint, other
        alterations.csv, line 5: there is an alteration 3 already
          remedy: give this one the number 4
        alterations.csv, line 6: `restord` is no event
          remedy: write made, restored or kept
        alterations.csv, line 7: no alteration 7 was made before it was restored
          remedy: put its row `made` above this one, or mend the number
        alterations.csv, line 8: alteration 3 is kept without a reason
          remedy: write the reason in the last column
        alterations.csv, line 9: `x` is no number of an alteration
          remedy: write 8
        ");
    }
}
