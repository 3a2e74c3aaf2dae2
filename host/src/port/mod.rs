//! Where bytes come from and go to.

mod listing;

pub use listing::{ListedPort, list};
