//! Reading of the small data files beside the tests.

// Every test file compiles this module for itself and uses the part it needs; a data file that does not parse must fail.
#![allow(dead_code, clippy::unwrap_used)]

use serde_json::Value;

/// Column `index` of a data file; lines that do not start with a number are headings and notes.
pub(crate) fn column(text: &str, index: usize) -> Vec<f64> {
    let rows = text
        .lines()
        .filter(|line| line.starts_with(|c: char| c == '-' || c.is_ascii_digit()));
    let values: Vec<f64> = rows
        .map(|line| line.split(',').nth(index).unwrap().parse().unwrap())
        .collect();
    assert!(!values.is_empty(), "no rows in the data file");
    values
}

/// The numbers of a JSON list.
pub(crate) fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(number).collect()
}

/// A JSON number, or one written as a string.
pub(crate) fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| value.as_str().unwrap().parse().unwrap())
}

/// Fails unless `have` is within the relative tolerance of `want`, or within it absolutely where `want` is below one
/// part in 10³⁰⁰.
#[track_caller]
pub(crate) fn close(have: f64, want: f64, relative: f64, what: &str) {
    let error = if want.abs() < 1e-300 {
        have.abs()
    } else {
        (have / want - 1.0).abs()
    };
    assert!(
        error <= relative,
        "{what}: have {have:e}, want {want:e}, relative error {error:e}"
    );
}

/// A JSON file.
pub(crate) fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}
