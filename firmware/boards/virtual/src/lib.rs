//! (in the making)
#![forbid(unsafe_code)]
pub mod chip;
pub mod model;
