//! What stands in the way of a clean bill.

use serde::Serialize;

use super::{Alteration, Alterations, Notes, State};

/// What a job's closing found.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Closing {
    /// Whether the bill is clean: nothing still altered without a reason, and every row read.
    pub clean: bool,
    /// Those still altered.
    pub still_altered: Vec<Alteration>,
    /// Those knowingly kept.
    pub kept: Vec<Alteration>,
    /// Lines that cannot be read, so that nobody knows what they say, and the remedy for each.
    pub unreadable: Vec<String>,
}

impl Closing {
    /// Looks at the alterations and notes of a job.
    #[must_use]
    pub fn of(alterations: &Alterations, notes: &Notes) -> Self {
        let still_altered: Vec<Alteration> = alterations.open().cloned().collect();
        let mistakes = alterations.mistakes.iter().chain(&notes.mistakes);
        let unreadable: Vec<String> = mistakes.map(ToString::to_string).collect();
        Self {
            clean: still_altered.is_empty() && unreadable.is_empty(),
            kept: alterations
                .made
                .iter()
                .filter(|made| matches!(made.state, State::Kept { .. }))
                .cloned()
                .collect(),
            still_altered,
            unreadable,
        }
    }

    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        let mut lines = Vec::new();
        if self.clean {
            lines.push("Everything altered was put back or is knowingly kept.".to_owned());
        } else {
            lines.push("No clean bill yet.".to_owned());
        }
        for made in &self.still_altered {
            lines.push(format!("  still altered: {}", line(made)));
        }
        for made in &self.kept {
            lines.push(format!("  {}: {}", line(made), made.state.words()));
        }
        lines.extend(self.unreadable.iter().map(|mistake| format!("  {mistake}")));
        lines.join("\n")
    }
}

/// One alteration on one line.
#[must_use]
pub fn line(made: &Alteration) -> String {
    format!("{} {}, {}", made.number, made.kind.name(), made.what)
}
