//! Bodies of requests to the collector.

#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| steadybench_tests::faults::bodies::body(bytes));
