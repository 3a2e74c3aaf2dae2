//! Damage to a recorded stream: at every position a cut, a flip, an insertion and a loss. No wrong reading may come of
//! it, no panic, and the loss must be counted to the reading.

use steadybench_protocol::{
    BoardTime, Continuity, Deframer, FrameBuffer, FromBoard, Placement, ReadingsBlock,
};

const BLOCKS: u64 = 12;
const READINGS: u64 = 5;

/// The code that reading `index` of channel 1 has; channel 2 has its negative.
fn code(index: u64) -> i32 {
    (index as i32 * 7_919) % 500_000 - 250_000
}

/// A stream of blocks, each frame's range of bytes, and the index behind the last.
fn stream() -> (Vec<u8>, Vec<std::ops::Range<usize>>) {
    let mut bytes = Vec::new();
    let mut frames = Vec::new();
    let mut buffer = FrameBuffer::new();
    for block in 0..BLOCKS {
        let first = block * READINGS;
        let mut readings = ReadingsBlock::new(first, BoardTime::from_micros(first * 1_000), 1_000);
        for index in first..first + READINGS {
            readings
                .push([Some(code(index)), Some(-code(index))], false)
                .expect("room");
        }
        let start = bytes.len();
        bytes.extend_from_slice(buffer.encode(&FromBoard::Readings(readings)).expect("fits"));
        frames.push(start..bytes.len());
    }
    (bytes, frames)
}

/// What a receiver makes of `bytes`: the readings it took and the instants it counted as lost.
fn receive(bytes: &[u8], piece: usize) -> (u64, u64) {
    let mut deframer = Deframer::new();
    let mut continuity = Continuity::from_index(0);
    let mut taken = 0;
    for chunk in bytes.chunks(piece) {
        let mut input = chunk;
        while let Some(outcome) = deframer.next::<FromBoard>(&mut input) {
            let Ok(FromBoard::Readings(block)) = outcome else {
                continue;
            };
            if continuity.place(&block) == Placement::Repeated {
                continue;
            }
            for position in 0..block.len() {
                let index = block.first_index() + position as u64;
                assert_eq!(
                    block.codes(position),
                    [Some(code(index)), Some(-code(index))],
                    "a wrong reading"
                );
                assert_eq!(block.time(position).as_micros(), index * 1_000);
                taken += 1;
            }
        }
    }
    continuity.close(BLOCKS * READINGS);
    (taken, continuity.lost())
}

/// Damage that touches `touched` frames costs exactly their readings.
fn costs(damaged: &[u8], touched: u64, what: &str) {
    for piece in [1, 7, damaged.len().max(1)] {
        let (taken, lost) = receive(damaged, piece);
        assert_eq!(
            taken + lost,
            BLOCKS * READINGS,
            "{what}: every reading is taken or counted"
        );
        assert_eq!(lost, touched * READINGS, "{what}: only the frames it touches");
    }
}

/// Frames whose bytes lie at `at`; a delimiter that is hurt joins its frame to the next.
fn touched_by_change(frames: &[std::ops::Range<usize>], at: usize) -> u64 {
    let frame = frames
        .iter()
        .position(|frame| frame.contains(&at))
        .expect("inside the stream");
    let joins = at + 1 == frames[frame].end && frame + 1 < frames.len();
    1 + u64::from(joins)
}

#[test]
fn whole_stream_is_taken_whole() {
    let (bytes, _) = stream();
    costs(&bytes, 0, "no damage");
}

#[test]
fn every_flip_of_every_bit() {
    let (bytes, frames) = stream();
    for at in 0..bytes.len() {
        for bit in 0..8 {
            let mut damaged = bytes.clone();
            damaged[at] ^= 1 << bit;
            costs(
                &damaged,
                touched_by_change(&frames, at),
                &format!("bit {bit} of byte {at} flipped"),
            );
        }
    }
}

#[test]
fn every_byte_dropped() {
    let (bytes, frames) = stream();
    for at in 0..bytes.len() {
        let mut damaged = bytes.clone();
        damaged.remove(at);
        costs(
            &damaged,
            touched_by_change(&frames, at),
            &format!("byte {at} dropped"),
        );
    }
}

#[test]
fn every_insertion() {
    let (bytes, frames) = stream();
    for at in 0..=bytes.len() {
        for inserted in [0x00, 0x01, 0x5A, 0xFF] {
            let mut damaged = bytes.clone();
            damaged.insert(at, inserted);
            // Beside a delimiter a zero is an empty frame and harms nobody, nor does anything behind the last one;
            // between two frames anything else joins the frame behind it.
            let beside = at == bytes.len() || bytes[at] == 0 || frames.iter().any(|frame| frame.start == at);
            let harmless = at == bytes.len() || (beside && inserted == 0);
            let touched = u64::from(!harmless);
            costs(
                &damaged,
                touched,
                &format!("{inserted:02x} inserted before byte {at}"),
            );
        }
    }
}

#[test]
fn every_cut_at_the_end_and_at_the_start() {
    let (bytes, frames) = stream();
    for at in 0..=bytes.len() {
        let whole_before = frames.iter().filter(|frame| frame.end <= at).count() as u64;
        costs(
            &bytes[..at],
            BLOCKS - whole_before,
            &format!("cut at {at}, the end lost"),
        );
        let whole_after = frames.iter().filter(|frame| frame.start >= at).count() as u64;
        costs(
            &bytes[at..],
            BLOCKS - whole_after,
            &format!("cut at {at}, the start lost"),
        );
    }
}

#[test]
fn repeated_frames_are_taken_once() {
    let (bytes, frames) = stream();
    for frame in &frames {
        let mut damaged = bytes[..frame.end].to_vec();
        damaged.extend_from_slice(&bytes[frame.start..]);
        costs(&damaged, 0, "a frame sent twice");
    }
}

#[test]
fn a_flood_without_a_delimiter_costs_the_frame_it_runs_into() {
    let (bytes, frames) = stream();
    let mut damaged = bytes[..frames[3].start].to_vec();
    damaged.extend(std::iter::repeat_n(0xA5, 100_000));
    damaged.extend_from_slice(&bytes[frames[3].start..]);
    costs(&damaged, 1, "a flood");
}
