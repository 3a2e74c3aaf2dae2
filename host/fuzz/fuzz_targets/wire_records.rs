//! The records inside a chunk of wire.log, behind a checksum that holds.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| steadybench_tests::faults::inputs::wire_records(bytes));
