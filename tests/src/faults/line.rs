//! A line that flips, drops, repeats and inserts, and is cut anywhere.
//!
//! What has to come through is worked out without the project's decoder: whatever stands between two zero bytes of the
//! damaged stream and is byte for byte a frame that was sent has to be taken, once; anything else must not be. A checksum
//! of 32 bits lets one damaged frame in 2^32 through; the same damage is held against 16 bits mixed from it, where as
//! many pass as one expects, which shows that the count can see them.

use std::collections::HashMap;

use rand::{Rng, RngCore};
use rand_chacha::ChaCha8Rng;
use steadybench_host::link::{LineCounts, Received, Receiver};
use steadybench_protocol::{BoardTime, FrameBuffer, FrameFault, FromBoard, ReadingsBlock};

use super::{Outcome, random};

/// Frames that are damaged and judged together.
const BATCH: u64 = 500;

/// Rates of the readings: period, readings in a block, and the part of the frames that meets damage.
const RATES: [(u32, u64, f64); 3] = [(250, 20, 0.3), (1000, 20, 0.02), (10_000, 2, 0.6)];

/// What the reading of an index bears.
fn codes(index: u64) -> [Option<i32>; 2] {
    let mixed = index.wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let first = ((mixed >> 44) as i32) - 0x8_0000;
    let second = (mixed & 0x1F != 0).then_some(800 + (index % 977) as i32);
    [Some(first), second]
}

#[derive(Debug, Default)]
struct Tally {
    frames: u64,
    bytes: u64,
    damaged_pieces: u64,
    checked: u64,
    pass_32: u64,
    pass_16: u64,
    taken: u64,
    readings: u64,
    lost: u64,
    wrong: u64,
}

/// Sends `count` frames through the line, a third at each rate.
#[must_use]
pub fn run(seed: u64, count: u64, mut progress: impl FnMut(u64)) -> Outcome {
    let mut outcome = Outcome::new("line", "line that flips, drops, repeats, inserts bytes");
    let mut random = random(seed);
    let mut tally = Tally::default();
    for (period_us, per_block, part) in RATES {
        let mut sender = Sender::new(period_us, per_block);
        let mut receiver = Receiver::new();
        for _ in 0..count.div_ceil(BATCH * RATES.len() as u64) {
            batch(
                &mut sender,
                &mut receiver,
                part,
                &mut random,
                &mut tally,
                &mut outcome,
            );
            progress(tally.frames);
        }
        let LineCounts { instants, lost, .. } = receiver.counts();
        // The last frame of the last batch may be lost, and with it what follows nothing.
        let end = sender.last_taken_end;
        outcome.require(instants + lost == end - sender.first_taken, || {
            format!("at {period_us} µs: {instants} taken and {lost} lost are not the {end} sent")
        });
        tally.readings += instants;
        tally.lost += lost;
    }
    let splits = splits(&mut random, &mut outcome);
    let expected_16 = tally.checked as f64 / 65_536.0;
    let off = (tally.pass_16 as f64 - expected_16).abs();
    // Five standard deviations of a count, and one for small ones.
    outcome.require(off <= 5.0 * expected_16.sqrt() + 1.0, || {
        format!(
            "{} pass 16 bits where {expected_16:.1} are expected",
            tally.pass_16
        )
    });
    outcome.require(tally.pass_32 <= 1, || {
        format!("{} damaged frames have their checksum right", tally.pass_32)
    });
    outcome.tried = format!(
        "{:.3} million frames ({} MB) at 4000, 1000 and 100 readings/s; {} damaged pieces; cut in two at each of {splits} places, and into pieces of every size",
        tally.frames as f64 * 1e-6,
        tally.bytes / 1_000_000,
        tally.damaged_pieces
    );
    outcome.lost = format!(
        "{} of {} readings, each counted and none beyond the frames touched; {} wrong readings taken; {} damaged frames reached the checksum: {} passed (expected {:.4}), {} would have passed 16 bits (expected {expected_16:.0})",
        tally.lost,
        tally.readings + tally.lost,
        tally.wrong,
        tally.checked,
        tally.pass_32,
        tally.checked as f64 / 4_294_967_296.0,
        tally.pass_16
    );
    outcome
}

struct Sender {
    period_us: u32,
    per_block: u64,
    next_index: u64,
    frames: FrameBuffer,
    first_taken: u64,
    last_taken_end: u64,
}

impl Sender {
    fn new(period_us: u32, per_block: u64) -> Self {
        Self {
            period_us,
            per_block,
            next_index: 0,
            frames: FrameBuffer::new(),
            first_taken: u64::MAX,
            last_taken_end: 0,
        }
    }

    fn frame(&mut self) -> (u64, Vec<u8>) {
        let first = self.next_index;
        let block = block(first, self.per_block, self.period_us);
        self.next_index += self.per_block;
        let message = FromBoard::Readings(block);
        let frame = self
            .frames
            .encode(&message)
            .expect("a frame buffer holds every message");
        (first, frame.to_vec())
    }
}

fn block(first: u64, readings: u64, period_us: u32) -> ReadingsBlock {
    let time = BoardTime::from_micros(5_000_000 + first * u64::from(period_us));
    let mut block = ReadingsBlock::new(first, time, period_us);
    for index in first..first + readings {
        block
            .push(codes(index), index % 101 == 0)
            .expect("a block holds its readings");
    }
    block
}

fn batch(
    sender: &mut Sender,
    receiver: &mut Receiver,
    part: f64,
    random: &mut ChaCha8Rng,
    tally: &mut Tally,
    outcome: &mut Outcome,
) {
    let sent: Vec<(u64, Vec<u8>)> = (0..BATCH).map(|_| sender.frame()).collect();
    let mut stream = Vec::with_capacity(sent.len() * 120);
    for (_, frame) in &sent {
        put(&mut stream, frame, part, random);
    }
    // Batches are judged one by one.
    stream.push(0);
    tally.frames += BATCH;
    tally.bytes += stream.len() as u64;
    let wanted = wanted(&sent, &stream, tally);
    let taken = take(&stream, receiver, random);
    if let Some(first) = taken.first() {
        sender.first_taken = sender.first_taken.min(first.first_index());
    }
    for block in &taken {
        let first = block.first_index();
        sender.last_taken_end = sender.last_taken_end.max(block.next_index());
        tally.taken += 1;
        let is_true = *block == self::block(first, block.len() as u64, sender.period_us)
            && block.len() as u64 == sender.per_block
            && first % sender.per_block == 0;
        tally.wrong += u64::from(!is_true);
        outcome.require(is_true, || format!("a wrong block was taken: {block:?}"));
    }
    let taken: Vec<u64> = taken.iter().map(ReadingsBlock::first_index).collect();
    outcome.require(taken == wanted, || {
        let first = taken.iter().zip(&wanted).find(|(taken, wanted)| taken != wanted);
        format!(
            "{} blocks were taken and {} came whole; the first that differs: {first:?}",
            taken.len(),
            wanted.len()
        )
    });
}

/// Puts a frame on the line.
fn put(stream: &mut Vec<u8>, frame: &[u8], part: f64, random: &mut ChaCha8Rng) {
    if !random.random_bool(part) {
        stream.extend_from_slice(frame);
        return;
    }
    let mut frame = frame.to_vec();
    let at = random.random_range(0..frame.len());
    let length = random.random_range(1..=(frame.len() - at).min(12));
    match random.random_range(0..8) {
        // Up to eight bits, anywhere.
        0 | 1 => {
            for _ in 0..random.random_range(1..=8) {
                let bit = random.random_range(0..frame.len() * 8);
                frame[bit / 8] ^= 1 << (bit % 8);
            }
        }
        // A burst.
        2 => random.fill_bytes(&mut frame[at..at + length]),
        3 => drop(frame.drain(at..at + length)),
        4 => {
            let again = frame[at..at + length].to_vec();
            frame.splice(at..at, again);
        }
        5 => {
            let mut noise = vec![0; random.random_range(1..400)];
            random.fill_bytes(&mut noise);
            frame.splice(at..at, noise);
        }
        // The whole frame, lost or twice.
        6 => frame.clear(),
        _ => frame.extend_from_within(..),
    }
    stream.extend_from_slice(&frame);
}

/// First indices of the frames that stand whole in the stream, each once, in order.
fn wanted(sent: &[(u64, Vec<u8>)], stream: &[u8], tally: &mut Tally) -> Vec<u64> {
    let known: HashMap<&[u8], u64> = sent
        .iter()
        .map(|(first, frame)| (&frame[..frame.len() - 1], *first))
        .collect();
    let mut wanted: Vec<u64> = Vec::new();
    for piece in stream.split(|byte| *byte == 0).filter(|piece| !piece.is_empty()) {
        match known.get(piece) {
            Some(first) => {
                if wanted.last().is_none_or(|last| last < first) {
                    wanted.push(*first);
                }
            }
            None => {
                tally.damaged_pieces += 1;
                check(piece, tally);
            }
        }
    }
    wanted
}

/// Whether a damaged piece would pass a checksum of 32 and of 16 bits.
fn check(piece: &[u8], tally: &mut Tally) {
    let mut decoded = piece.to_vec();
    let Ok(report) = cobs::decode_in_place(&mut decoded) else {
        return;
    };
    let Some((body, crc)) = decoded[..report].split_last_chunk::<4>() else {
        return;
    };
    if body.is_empty() || piece.len() >= steadybench_protocol::frame::FRAME_BYTES_MAX {
        return;
    }
    let wrong = crc32fast::hash(body) ^ u32::from_le_bytes(*crc);
    tally.checked += 1;
    tally.pass_32 += u64::from(wrong == 0);
    // Mixed, since damage to a few bits leaves a pattern in any half of a checksum that is linear.
    tally.pass_16 += u64::from(wrong.wrapping_mul(0x9E37_79B1) >> 16 == 0);
}

fn take(stream: &[u8], receiver: &mut Receiver, random: &mut ChaCha8Rng) -> Vec<ReadingsBlock> {
    let mut taken = Vec::new();
    let mut rest = stream;
    while !rest.is_empty() {
        let length = match random.random_range(0..4) {
            0 => 1,
            1 => random.random_range(1..64),
            _ => random.random_range(1..4096),
        };
        let (mut piece, after) = rest.split_at(length.min(rest.len()));
        rest = after;
        while let Some(received) = receiver.next(&mut piece) {
            if let Received::Block { block, .. } = received {
                taken.push(*block);
            }
        }
    }
    taken
}

/// Cuts one damaged stream in two at every place, and into pieces of every size; gives the places.
fn splits(random: &mut ChaCha8Rng, outcome: &mut Outcome) -> usize {
    let mut sender = Sender::new(1000, 20);
    let mut stream = Vec::new();
    for _ in 0..40 {
        let (_, frame) = sender.frame();
        put(&mut stream, &frame, 0.3, random);
    }
    stream.push(0);
    let whole = pieces([&stream[..]].into_iter());
    for cut in 0..=stream.len() {
        let halves = stream.split_at(cut);
        outcome.require(pieces([halves.0, halves.1].into_iter()) == whole, || {
            format!("cut at {cut}: another outcome")
        });
    }
    for size in 1..300 {
        outcome.require(pieces(stream.chunks(size)) == whole, || {
            format!("in pieces of {size}: another outcome")
        });
    }
    stream.len() + 1
}

fn pieces<'a>(stream: impl Iterator<Item = &'a [u8]>) -> (Vec<u64>, Vec<FrameFault>) {
    let mut receiver = Receiver::new();
    let mut outcome = (Vec::new(), Vec::new());
    for mut piece in stream {
        while let Some(received) = receiver.next(&mut piece) {
            match received {
                Received::Block { block, .. } => outcome.0.push(block.first_index()),
                Received::Damaged(fault) => outcome.1.push(fault),
                _ => {}
            }
        }
    }
    outcome
}
