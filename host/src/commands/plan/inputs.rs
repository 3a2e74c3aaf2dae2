//! Quantities as people write them, told apart by their units.

use steadybench_analysis::planning::{Quantity, Unit, parse_any_quantity, parse_quantity};

use crate::fault::Fault;

/// The quantities of one command line that are still to be used.
#[derive(Debug)]
pub(super) struct Inputs {
    question: &'static str,
    quantities: Vec<(String, Quantity)>,
}

impl Inputs {
    /// Reads the words of a command line: `24V 1.5A`, `"24 V" 1.5A`, `24 V 1.5 A`.
    ///
    /// # Errors
    /// When a word is no quantity with a unit.
    pub(super) fn read(question: &'static str, words: &[String]) -> Result<Self, Fault> {
        let mut quantities = Vec::new();
        for word in glued(words) {
            let quantity =
                parse_any_quantity(&word).map_err(|error| Fault::usage(question, error.to_string()))?;
            quantities.push((word, quantity));
        }
        Ok(Self { question, quantities })
    }

    /// Takes the first quantity of a unit, if one was given.
    pub(super) fn take(&mut self, unit: Unit) -> Option<f64> {
        let at = self
            .quantities
            .iter()
            .position(|(_, quantity)| quantity.unit == unit)?;
        Some(self.quantities.remove(at).1.value)
    }

    /// Takes a quantity that the question cannot do without.
    ///
    /// # Errors
    /// When it was not given.
    pub(super) fn need(&mut self, unit: Unit, role: &str) -> Result<f64, Fault> {
        let rule = || format!("{role} is missing, and nothing can be said without it");
        self.take(unit).ok_or_else(|| {
            Fault::usage(self.question, rule()).remedy(format!("add it, written like {}", unit.example()))
        })
    }

    /// Whether every quantity was taken.
    pub(super) fn is_empty(&self) -> bool {
        self.quantities.is_empty()
    }

    /// Refuses what is left: a quantity that the question has no use for would be ignored in silence.
    ///
    /// # Errors
    /// When something is left.
    pub(super) fn end(self, taken: &str) -> Result<(), Fault> {
        match self.quantities.first() {
            None => Ok(()),
            Some((word, _)) => Err(Fault::usage(
                self.question,
                format!("`{word}` has no part in it, or is given twice"),
            )
            .remedy(format!("it takes {taken}"))),
        }
    }
}

/// Words with a number and its unit put together where a blank stood between them.
fn glued(words: &[String]) -> Vec<String> {
    let mut glued: Vec<String> = Vec::new();
    for word in words.iter().flat_map(|words| words.split_whitespace()) {
        let is_number = |text: &str| text.chars().all(|c| c.is_ascii_digit() || ".,+-".contains(c));
        match glued.last_mut() {
            Some(before) if is_number(before) && !word.starts_with(|c: char| c.is_ascii_digit()) => {
                before.push_str(word);
            }
            _ => glued.push(word.to_owned()),
        }
    }
    glued
}

macro_rules! flags {
    ($($(#[$doc:meta])* $name:ident $unit:ident;)*) => {
        $($(#[$doc])*
        pub(super) fn $name(text: &str) -> Result<f64, String> {
            parse_quantity(text, Unit::$unit).map_err(|error| error.to_string())
        })*
    };
}

flags! {
    /// A flag in volts.
    volts Volt;
    /// A flag in amperes.
    amperes Ampere;
    /// A flag in watts.
    watts Watt;
    /// A flag in ohms.
    ohms Ohm;
    /// A flag in seconds.
    seconds Second;
    /// A flag in degrees Celsius.
    celsius Celsius;
    /// A flag in kelvins.
    kelvins Kelvin;
    /// A flag in ampere² seconds.
    i2t AmpereSquaredSecond;
    /// A flag in watts per kelvin.
    watts_per_kelvin WattPerKelvin;
    /// A flag in kelvins per watt.
    kelvins_per_watt KelvinPerWatt;
    /// A flag as a share per kelvin.
    share_per_kelvin SharePerKelvin;
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(words: &[&str]) -> Vec<String> {
        words.iter().map(|&word| word.to_owned()).collect()
    }

    #[test]
    fn blanks_do_not_part_a_number_from_its_unit() {
        for written in [
            &["24V", "1.5A", "50mOhm"][..],
            &["24V 1.5A 50mOhm"],
            &["24", "V", "1.5 A", "50", "mOhm"],
        ] {
            let mut inputs = Inputs::read("plan shunt", &words(written)).unwrap();
            assert_eq!(inputs.take(Unit::Ohm), Some(0.05));
            assert_eq!(inputs.take(Unit::Volt), Some(24.0));
            assert_eq!(inputs.need(Unit::Ampere, "a current").unwrap(), 1.5);
            inputs.end("").unwrap();
        }
    }

    #[test]
    fn what_is_missing_left_over_or_unreadable_is_named() {
        let fault = Inputs::read("plan shunt", &words(&["24"])).unwrap_err();
        insta::assert_snapshot!(fault, @"plan shunt: `24` has no unit; write one, such as 24V, 1.5A, 50mOhm or 25°C");
        let mut inputs = Inputs::read("plan shunt", &words(&["24V"])).unwrap();
        let fault = inputs.need(Unit::Ampere, "a running current").unwrap_err();
        insta::assert_snapshot!(fault, @"
        plan shunt: a running current is missing, and nothing can be said without it
          remedy: add it, written like 1.5A or 250mA
        ");
        let fault = inputs.end("a rail and a current").unwrap_err();
        insta::assert_snapshot!(fault, @"
        plan shunt: `24V` has no part in it, or is given twice
          remedy: it takes a rail and a current
        ");
    }
}
