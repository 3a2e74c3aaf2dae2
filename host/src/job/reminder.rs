//! What is said before a unit is powered up, and before it is left alone.

use super::Alterations;
use super::closing::line;
use crate::cautions;

/// What is about to begin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Occasion {
    /// Power-up on the full supply.
    PowerUp,
    /// A soak, hours without anybody watching.
    Soak,
}

/// Cautions for the occasion, and what is still altered on the unit, as lines for people.
///
/// ```
/// use steadybench_host::job::reminder::{Occasion, reminder};
/// use steadybench_host::job::Alterations;
///
/// let file = "number,utc,event,kind,what,why\n1,,made,series-resistor,15 ohm in the supply lead,first switch-on\n";
/// let words = reminder(&Alterations::read(file), Occasion::Soak);
/// assert!(words.contains("1 alteration still stands") && words.contains("15 ohm in the supply lead"));
/// assert!(words.contains("fire"));
/// ```
#[must_use]
pub fn reminder(alterations: &Alterations, occasion: Occasion) -> String {
    let mut words = cautions::lines(match occasion {
        Occasion::PowerUp => &[cautions::ALWAYS, cautions::POWER_UP],
        Occasion::Soak => &[cautions::ALWAYS, cautions::UNATTENDED_SOAK],
    });
    let open: Vec<String> = alterations
        .open()
        .map(|made| format!("\n  {}", line(made)))
        .collect();
    match open.len() {
        0 => {}
        1 => words.push_str("\n1 alteration still stands:"),
        many => words.push_str(&format!("\n{many} alterations still stand:")),
    }
    words.push_str(&open.concat());
    match alterations.mistakes.len() {
        0 => {}
        _ => words.push_str("\nalterations.csv has lines that cannot be read; `steady job show` names them."),
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_put_back_is_not_reminded_of() {
        let words = reminder(
            &Alterations::read(
                "number,utc,event,kind,what,why\n1,,made,link,over F1,\n1,,restored,,,\n2,,made,shunt,50 mohm in the \
                 feed of stage 1,\n3,,made,lifted-leg,Q4 leg 2,\n4,,made,disturbed-joint,J3 reflowed,\n",
            ),
            Occasion::PowerUp,
        );
        let told: Vec<&str> = words.lines().skip(2).collect();
        assert_eq!(
            told,
            [
                "2 alterations still stand:",
                "  2 shunt, 50 mohm in the feed of stage 1",
                "  3 lifted-leg, Q4 leg 2"
            ]
        );
    }
}
