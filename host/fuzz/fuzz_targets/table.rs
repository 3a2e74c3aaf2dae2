//! A table of readings.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| steadybench_tests::faults::inputs::table(bytes));
