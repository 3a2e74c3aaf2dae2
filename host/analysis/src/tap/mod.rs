//! Tap and flex: which joint opens.
//!
//! (documentation follows)

mod attribution;
mod exact;
mod examination;
mod settings;
mod standing;

pub use attribution::{Attributed, Attribution};
pub use examination::{FoundEvent, TapExamination, TapFindings};
pub use settings::TapSettings;
pub use standing::{PlaceStanding, PlaceVerdict};
