//! Events on two channels, found as the readings come.
//!
//! (documentation follows)

mod channel;
mod detector;
mod extremes;
mod judge;
mod line;
mod model;
mod ring;
mod scale;
mod settings;
mod shape;
mod spacing;
mod spectrum;
mod tail;

pub use detector::EventDetector;
pub use model::{Event, EventKind, EventUpdate};
pub use settings::EventSettings;
