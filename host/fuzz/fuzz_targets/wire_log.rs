//! A wire.log, whole or not.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| steadybench_tests::faults::inputs::wire_log(bytes));
