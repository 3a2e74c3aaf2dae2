//! Quantities, units, durations, fuse markings and port names.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| steadybench_tests::faults::inputs::quantity(bytes));
