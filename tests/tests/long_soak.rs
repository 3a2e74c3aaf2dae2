//! The short form of the long soak, in a process of its own: what it measures is the memory of the whole process.

#![cfg(unix)]

use steadybench_tests::faults::soak;

#[test]
fn a_soak_takes_no_more_memory_and_its_events_are_those_of_its_recording() {
    soak::run(1, 1, |_| ()).assert_holds();
}
