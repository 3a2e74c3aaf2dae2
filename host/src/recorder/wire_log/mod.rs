#![doc = include_str!("../WIRE_LOG.md")]

pub mod chunk;
mod packed;
mod reader;
mod record;

pub use reader::{LogItem, LogReader, LogSurvey, survey};
pub use record::{HostMarkKind, Record, Stamp};
