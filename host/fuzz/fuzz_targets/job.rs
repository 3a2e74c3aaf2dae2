//! The files of a job that a person may edit.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| steadybench_tests::faults::inputs::job(bytes));
