//! Properties of the messages and of the decoder, over whatever values and bytes there may be.

use proptest::prelude::*;
use steadybench_protocol::frame::{BODY_BYTES_MAX, FRAME_BYTES_MAX};
use steadybench_protocol::limits::{CURRENT_CODE_MAX, CURRENT_CODE_MIN, READINGS_PER_BLOCK_MAX};
use steadybench_protocol::{BoardTime, Deframer, FrameBuffer, FromBoard, ReadingsBlock, ToBoard};

type Instant = ([Option<i32>; 2], bool);

fn instants() -> impl Strategy<Value = Vec<Instant>> {
    let code = prop_oneof![
        3 => (CURRENT_CODE_MIN..=CURRENT_CODE_MAX).prop_map(Some),
        1 => Just(None),
        1 => prop_oneof![Just(CURRENT_CODE_MIN), Just(CURRENT_CODE_MAX)].prop_map(Some),
    ];
    prop::collection::vec(([code.clone(), code], any::<bool>()), 1..=READINGS_PER_BLOCK_MAX)
}

fn by_postcard(body: &[u8]) -> Option<FromBoard> {
    match postcard::take_from_bytes(body) {
        Ok((message, [])) => Some(message),
        _ => None,
    }
}

proptest! {
    /// What was pushed is what comes off the wire, in the same places, and it fits the stated sizes.
    #[test]
    fn blocks_come_back(first in 0..u64::MAX - 32, time in any::<u64>(), period in any::<u32>(), instants in instants()) {
        let mut block = ReadingsBlock::new(first, BoardTime::from_micros(time), period);
        for (codes, late) in &instants {
            block.push(*codes, *late).expect("room");
        }
        let mut buffer = FrameBuffer::new();
        let mut frame = buffer.encode(&FromBoard::Readings(block.clone())).expect("fits");
        prop_assert!(frame.len() <= FRAME_BYTES_MAX);
        prop_assert!(!frame[..frame.len() - 1].contains(&0));
        let Some(Ok(FromBoard::Readings(back))) = Deframer::new().next(&mut frame) else {
            return Err(TestCaseError::fail("no block came back"));
        };
        prop_assert_eq!(&back, &block);
        for (position, (codes, late)) in instants.iter().enumerate() {
            prop_assert_eq!(back.codes(position), *codes);
            prop_assert_eq!(back.is_late(position), *late);
        }
    }

    /// What reads the bodies of a board reads what postcard reads, to the same message, and refuses the same: bodies as
    /// boards make them, changed in places, cut, and prolonged.
    #[test]
    fn bodies_are_read_as_postcard_reads_them(
        first in prop_oneof![0..u64::MAX, u64::MAX - 40..=u64::MAX],
        time in any::<u64>(),
        period in any::<u32>(),
        instants in instants(),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..4),
        cut in prop_oneof![3 => Just(0_usize), 1 => 0_usize..40],
        more in prop_oneof![3 => Just(vec![]), 1 => prop::collection::vec(any::<u8>(), 1..4)],
    ) {
        let mut block = ReadingsBlock::new(first, BoardTime::from_micros(time), period);
        for (codes, late) in &instants {
            block.push(*codes, *late).expect("room");
        }
        let mut room = [0; BODY_BYTES_MAX];
        let mut body = postcard::to_slice(&FromBoard::Readings(block), &mut room).expect("fits").to_vec();
        for (place, value) in changes {
            let place = place.index(body.len());
            body[place] = value;
        }
        body.truncate(body.len() - cut.min(body.len()));
        body.extend(more);
        prop_assert_eq!(FromBoard::read(&body), by_postcard(&body));
    }

    /// The same for any bytes behind the mark of a block, among them numbers written longer than they need be.
    #[test]
    fn any_body_is_read_as_postcard_reads_it(
        bytes in prop::collection::vec(prop_oneof![2 => 0_u8..4, 1 => any::<u8>(), 1 => Just(0x80), 1 => Just(0xFF)], 0..60),
    ) {
        let mut body = vec![1];
        body.extend(&bytes);
        prop_assert_eq!(FromBoard::read(&body), by_postcard(&body));
        prop_assert_eq!(FromBoard::read(&bytes), by_postcard(&bytes));
    }

    /// Any bytes at all: no panic, and the pieces they arrive in make no difference.
    #[test]
    fn any_bytes_are_survived(bytes in prop::collection::vec(prop_oneof![2 => any::<u8>(), 1 => Just(0)], 0..2_000), piece in 1_usize..300) {
        let collect = |piece: usize| {
            let mut deframer = Deframer::new();
            let mut outcomes = Vec::new();
            for mut chunk in bytes.chunks(piece) {
                while let Some(outcome) = deframer.next::<FromBoard>(&mut chunk) {
                    outcomes.push(outcome);
                }
            }
            outcomes
        };
        prop_assert_eq!(collect(piece), collect(usize::MAX));
    }

    /// A body that is accepted is encoded back to the same message: no two readings of one body.
    #[test]
    fn accepted_bodies_mean_one_thing(body in prop::collection::vec(any::<u8>(), 1..BODY_BYTES_MAX)) {
        if let Ok((message, _)) = postcard::take_from_bytes::<FromBoard>(&body) {
            let mut buffer = FrameBuffer::new();
            let mut frame = buffer.encode(&message).expect("what came in goes out");
            prop_assert_eq!(Deframer::new().next(&mut frame), Some(Ok(message)));
        }
        if let Ok((message, _)) = postcard::take_from_bytes::<ToBoard>(&body) {
            let mut buffer = FrameBuffer::new();
            let mut frame = buffer.encode(&message).expect("what came in goes out");
            prop_assert_eq!(Deframer::new().next(&mut frame), Some(Ok(message)));
        }
    }
}
