//! Any table of readings: the CSV that a meter, an oscilloscope or a spreadsheet wrote, read in bounded memory.
//!
//! | module | what it holds |
//! |---|---|
//! | [`decode`] | bytes to UTF-8: byte order marks, UTF-16 |
//! | [`dialect`] | separator, decimal sign, where the rows begin, what the columns are called |
//! | [`mod@unit`] | what a unit in a heading or a cell scales to |
//! | [`instant`] | dates and times of day as people's instruments write them |
//! | [`mod@column`] | which column is taken for what, by its heading or by the operator's word |
//! | `guard` | what no table holds: zero bytes, rows without end |
//! | [`rows`] | row after row as [`steadybench_analysis::sample::Sample`]s |
//!
//! A blank cell is a missing value and a missing row is a gap; neither is ever a zero. What was taken for what is told
//! to the operator ([`column::Columns`] displays it), because a guess that is not shown is a lie.

pub mod column;
pub mod decode;
pub mod dialect;
mod guard;
pub mod instant;
pub mod rows;
pub mod unit;
