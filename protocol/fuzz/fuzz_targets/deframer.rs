//! Any bytes, in pieces of any size: no panic, bounded memory, and what is accepted goes out again as it came in.

#![no_main]

use libfuzzer_sys::fuzz_target;
use steadybench_protocol::{Deframer, FrameBuffer, FromBoard};

fuzz_target!(|input: (u8, Vec<u8>)| {
    let (piece, bytes) = input;
    let mut deframer = Deframer::new();
    let mut buffer = FrameBuffer::new();
    for mut chunk in bytes.chunks(usize::from(piece).max(1)) {
        while let Some(outcome) = deframer.next::<FromBoard>(&mut chunk) {
            if let Ok(message) = outcome {
                let mut frame = buffer.encode(&message).expect("what came in goes out");
                assert_eq!(Deframer::new().next(&mut frame), Some(Ok(message)));
            }
        }
    }
});
