//! Bouncing contacts.

use proptest::prelude::*;
use steadybench_firmware::foot_switch::{FootSwitch, REST_US};
use steadybench_protocol::{BoardTime, FromBoard, MarkEdge};

use crate::rig::Rig;

const fn at(us: u64) -> BoardTime {
    BoardTime::from_micros(us)
}

proptest! {
    /// Whatever the contact does for less than the rest at a time, one move is reported, stamped with its first edge.
    #[test]
    fn bounce_is_one_move(start in 0_u64..1_000_000, bounces in prop::collection::vec(1..REST_US, 0..40)) {
        let mut switch = FootSwitch::new();
        let mut now = start;
        let mut pressed = true;
        switch.level(pressed, at(now));
        for gap in &bounces {
            now += gap;
            prop_assert_eq!(switch.settled(at(now)), None);
            pressed = !pressed;
            switch.level(pressed, at(now));
        }
        prop_assert_eq!(switch.settled(at(now + REST_US - 1)), None);
        let expected = pressed.then_some((MarkEdge::Pressed, at(start)));
        prop_assert_eq!(switch.settled(at(now + REST_US)), expected);
        prop_assert_eq!(switch.settled(at(now + 10 * REST_US)), None);
    }
}

#[test]
fn a_press_and_its_release_are_two_marks_with_their_own_numbers() {
    let mut rig = Rig::ready();
    // Bouncing for 3 ms at the press, 2 ms at the release; polled by nothing but the edges.
    for (us, pressed) in [
        (10_200, true),
        (10_900, false),
        (13_100, true),
        (95_000, false),
        (96_500, true),
        (97_000, false),
    ] {
        rig.run_for(us - rig.now.get());
        let time = rig.time();
        rig.station.borrow_mut().foot_switch(pressed, time);
    }
    rig.run_for(50_000);
    let marks: Vec<_> = rig
        .received
        .iter()
        .filter_map(|message| match message {
            FromBoard::Mark(mark) => Some((mark.number, mark.time.as_micros(), mark.edge)),
            _ => None,
        })
        .collect();
    assert_eq!(
        marks,
        [(0, 10_200, MarkEdge::Pressed), (1, 95_000, MarkEdge::Released)]
    );
}

#[test]
fn marks_that_find_no_room_show_in_the_numbers() {
    let mut rig = Rig::ready();
    rig.host_reads = false;
    for press in 0..50 {
        let time = rig.time();
        rig.station.borrow_mut().foot_switch(press % 2 == 0, time);
        rig.run_for(20_000);
    }
    rig.host_reads = true;
    rig.pump();
    let time = rig.time();
    rig.station.borrow_mut().foot_switch(true, time);
    rig.run_for(20_000);
    let numbers: Vec<_> = rig
        .received
        .iter()
        .filter_map(|message| match message {
            FromBoard::Mark(mark) => Some(mark.number),
            _ => None,
        })
        .collect();
    assert_eq!(numbers, (0..32).chain([50]).collect::<Vec<_>>());
}
