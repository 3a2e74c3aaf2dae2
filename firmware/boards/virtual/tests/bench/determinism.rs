use std::time::Duration;

use steadybench_protocol::ToBoard;
use steadybench_virtual::{Scenario, VirtualBoard};

use crate::host::{frame, ms};

/// Half a minute with taps, marks, motors and chip restarts, in steps of `step`.
fn bytes(seed: u64, step: Duration) -> Vec<u8> {
    let mut scenario = Scenario::all()
        .into_iter()
        .find(|scenario| scenario.name == "greenhouse-cracked-joint")
        .unwrap();
    scenario.unit.programme.as_mut().unwrap().first_s = 5.0;
    scenario.chip_resets_per_hour = Some((steadybench_protocol::Channel::Two, 600.0));
    let mut board = VirtualBoard::new(&scenario, seed);
    let mut bytes = board.advance(ms(100), &frame(&ToBoard::Start));
    while board.now() < Duration::from_secs(30) {
        bytes.extend(board.advance(board.now() + step, &[]));
    }
    bytes
}

#[test]
fn the_same_seed_gives_the_same_bytes_however_time_is_cut() {
    let once = bytes(5, Duration::from_millis(29_900));
    assert!(once.len() > 100_000, "{}", once.len());
    assert!(once == bytes(5, Duration::from_millis(29_900)));
    // The step divides the time, so both end at the same instant.
    assert!(once == bytes(5, Duration::from_micros(1_300)));
}

#[test]
fn another_seed_is_another_specimen() {
    assert!(bytes(5, Duration::from_secs(1)) != bytes(6, Duration::from_secs(1)));
}
