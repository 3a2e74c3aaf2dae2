//! Short forms of the campaigns of faults, and README's table of the long ones.

#![cfg(unix)]

use steadybench_tests::faults::{bad_input, disk, kill, line, record, time, torn, unplug};

#[test]
fn a_killed_program_loses_at_most_a_second_and_goes_on() {
    kill::run(1, 6, |_| ()).assert_holds();
}

#[test]
fn a_power_cut_loses_at_most_a_second_and_no_torn_byte_becomes_a_reading() {
    torn::run(1, 2_000, |_| ()).assert_holds();
}

#[test]
fn a_failing_disk_loses_nothing_that_memory_holds_and_counts_the_rest() {
    disk::run(1, 4, |_| ()).assert_holds();
}

#[test]
fn a_damaged_line_costs_the_frames_it_touches_and_gives_no_wrong_reading() {
    line::run(1, 60_000, |_| ()).assert_holds();
}

#[test]
fn boards_unplugged_reset_exchanged_and_swapped_go_on_unmixed() {
    unplug::run(1, 8, |_| ()).assert_holds();
}

#[test]
fn no_clock_of_the_host_moves_a_reading() {
    time::run(1, 12, 1.0, |_| ()).assert_holds();
}

#[test]
fn bad_input_is_read_or_refused_with_its_line_and_nothing_panics() {
    bad_input::run(1, 1_000, |_| ()).assert_holds();
}

#[test]
fn readme_has_the_table_that_is_on_record() {
    let (is, wanted) = record::readme().expect("README has a place for the table");
    assert!(
        is == wanted,
        "README's table of faults is not what is on record: cargo run -p steadybench-tests --example steady-faults -- readme"
    );
}
