//! What a campaign tried and what was lost.

use serde::{Deserialize, Serialize};

/// Violations shown of many.
const SHOWN: usize = 8;

/// The result of one campaign.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Outcome {
    /// The campaign's name, as on the command line.
    pub campaign: String,
    /// What was thrown at it, in words for a table.
    pub fault: String,
    /// What was tried, with counts.
    pub tried: String,
    /// What was lost, with counts.
    pub lost: String,
    /// What was not as it has to be, one sentence each; empty when all of it held.
    pub violations: Vec<String>,
}

impl Outcome {
    /// An outcome to which violations may be added.
    #[must_use]
    pub fn new(campaign: &str, fault: &str) -> Self {
        Self {
            campaign: campaign.into(),
            fault: fault.into(),
            tried: String::new(),
            lost: String::new(),
            violations: Vec::new(),
        }
    }

    /// Notes `words` as a violation unless `holds`.
    pub fn require(&mut self, holds: bool, words: impl FnOnce() -> String) {
        if !holds {
            self.violations.push(words());
        }
    }

    /// Whether everything held.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.violations.is_empty()
    }

    /// Ends a test with what did not hold.
    ///
    /// # Panics
    /// When something did not.
    pub fn assert_holds(&self) {
        println!("{self}");
        assert!(self.holds(), "{self}");
    }
}

impl std::fmt::Display for Outcome {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let verdict = if self.holds() { "held" } else { "DID NOT HOLD" };
        write!(
            f,
            "{}: {verdict}; tried {}; lost {}",
            self.campaign, self.tried, self.lost
        )?;
        for violation in self.violations.iter().take(SHOWN) {
            write!(f, "\n  {violation}")?;
        }
        match self.violations.len().saturating_sub(SHOWN) {
            0 => Ok(()),
            more => write!(f, "\n  and {more} more"),
        }
    }
}
