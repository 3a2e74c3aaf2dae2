use proptest::prelude::*;
use steadybench_protocol::{BoardTime, FrameBuffer, FromBoard, ReadingsBlock};

use crate::clock::HostTime;
use crate::recorder::testing::RecordedBoard;

use super::*;

/// Noise of a bell curve from twelve even ones (common practice, no source), and ripple.
pub(super) fn noisy(count: usize, spread: f64, ripple: f64) -> Vec<i64> {
    let mut state = 1_u64;
    let mut even = || {
        // Knuth's constants, The Art of Computer Programming, volume 2, section 3.3.4.
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    (0..count)
        .map(|k| {
            let bell: f64 = (0..12).map(|_| even()).sum::<f64>() - 6.0;
            let phase = std::f64::consts::TAU * 0.1 * k as f64;
            (14_400.0 + spread * bell + ripple * phase.sin()).round() as i64
        })
        .collect()
}

fn returns(records: &[Record]) -> usize {
    let packed = pack(records).unwrap();
    assert_eq!(unpack(&packed).unwrap(), records);
    packed.len()
}

fn a_second() -> Vec<Record> {
    let mut board = RecordedBoard::new();
    let mut records = board.begin();
    for _ in 0..50 {
        records.extend(board.block());
    }
    records
}

#[test]
fn a_recording_returns() {
    returns(&[]);
    returns(&a_second());
}

/// A flipped bit, a cut frame, a repeated one, two frames in one read and a delimiter too many.
#[test]
fn damage_returns_as_it_came() {
    let records = a_second();
    for at in 0..records.len() {
        let mut records = records.clone();
        let Record::Received { bytes, .. } = &mut records[at] else {
            continue;
        };
        let middle = bytes.len() / 2;
        match at % 5 {
            0 => bytes[middle] ^= 4,
            1 => bytes.truncate(middle),
            2 => bytes.extend(bytes.clone()),
            3 => bytes.insert(0, 0),
            _ => bytes.push(0),
        }
        returns(&records);
    }
}

/// Stamps that go back, stand still, or are years off.
#[test]
fn odd_stamps_return() {
    let mut records = a_second();
    for (at, record) in records.iter_mut().enumerate() {
        if let Record::Received { at_ns, .. } = record {
            match at % 7 {
                0 => *at_ns = 0,
                1 => *at_ns = u64::MAX,
                2 => *at_ns += 1,
                _ => {}
            }
        }
    }
    returns(&records);
}

/// Noise of the size that the monitor chip has at 540 µs, half a second of it: what carries the readings is at most a
/// tenth more than the entropy of their codes, all stamps, checksums and slow values included.
#[test]
fn half_a_second_of_noise_is_small() {
    let mut frames = FrameBuffer::new();
    let mut noise = noisy(1000, 8.4, 0.0).into_iter().map(|code| code as i32);
    let records: Vec<Record> = (0..25)
        .map(|number: u64| {
            let mut block = ReadingsBlock::new(number * 20, BoardTime::from_micros(number * 20_000), 1000);
            for _ in 0..20 {
                let second = noise.next().map(|code| code + 28_470);
                block.push([noise.next(), second], false).unwrap();
            }
            let at = HostTime {
                utc_ns: 0,
                monotonic_ns: number * 20_000_000 + 700_000 * (number % 3),
            };
            Record::received(
                at,
                frames.encode(&FromBoard::Readings(block)).unwrap().to_vec(),
                false,
            )
        })
        .collect();
    let entropy_bytes =
        1000.0 * (8.4 * (2.0 * std::f64::consts::PI * std::f64::consts::E).sqrt()).log2() / 8.0;
    let bytes = returns(&records) as f64;
    assert!(bytes < 1.1 * entropy_bytes, "{bytes} bytes for {entropy_bytes}");
}

proptest! {
    #[test]
    fn any_received_bytes_return(reads in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..90), 0..12)) {
        let records: Vec<Record> = reads
            .into_iter()
            .map(|bytes| Record::Received { at_ns: 5, utc_ns: None, bytes })
            .collect();
        returns(&records);
    }

    /// A packed chunk with anything in place of some of its bytes is refused or read, never more.
    #[test]
    fn any_packed_bytes_are_taken(
        at in any::<prop::sample::Index>(),
        put in prop::collection::vec(any::<u8>(), 1..20),
        cut in any::<prop::sample::Index>(),
    ) {
        let mut packed = pack(&a_second()).unwrap();
        let at = at.index(packed.len());
        let end = (at + put.len()).min(packed.len());
        packed.splice(at..end, put);
        let _ = unpack(&packed);
        packed.truncate(cut.index(packed.len()));
        let _ = unpack(&packed);
    }
}
