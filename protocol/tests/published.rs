//! The layers below the messages against their published vectors: COBS, CRC, and postcard's integers.

/// Consistent Overhead Byte Stuffing, S. Cheshire and M. Baker, IEEE/ACM Transactions on Networking 7 (1999); the
/// vectors from 1..=254 on are also those of the tests of crate `cobs` 0.5.1. Delimiters are left out.
#[test]
fn cobs_vectors() {
    let run = |range: std::ops::RangeInclusive<u8>| range.collect::<Vec<u8>>();
    let joined = |parts: &[&[u8]]| parts.concat();
    let vectors: [(Vec<u8>, Vec<u8>); 11] = [
        (vec![0], vec![1, 1]),
        (vec![0, 0], vec![1, 1, 1]),
        (vec![0, 0x11, 0], vec![1, 2, 0x11, 1]),
        (vec![0x11, 0x22, 0, 0x33], vec![3, 0x11, 0x22, 2, 0x33]),
        (vec![0x11, 0x22, 0x33, 0x44], vec![5, 0x11, 0x22, 0x33, 0x44]),
        (vec![0x11, 0, 0, 0], vec![2, 0x11, 1, 1, 1]),
        (run(1..=0xFE), joined(&[&[0xFF], &run(1..=0xFE)])),
        (run(0..=0xFE), joined(&[&[1, 0xFF], &run(1..=0xFE)])),
        (run(1..=0xFF), joined(&[&[0xFF], &run(1..=0xFE), &[2, 0xFF]])),
        (
            joined(&[&run(2..=0xFF), &[0]]),
            joined(&[&[0xFF], &run(2..=0xFF), &[1, 1]]),
        ),
        (
            joined(&[&run(3..=0xFF), &[0, 1]]),
            joined(&[&[0xFE], &run(3..=0xFF), &[2, 1]]),
        ),
    ];
    for (plain, stuffed) in vectors {
        let mut buffer = [0; 300];
        let length = cobs::encode(&plain, &mut buffer);
        assert_eq!(buffer[..length], stuffed, "{plain:02x?}");
        assert!(
            length <= plain.len() + plain.len().div_ceil(254).max(1),
            "the bound of the paper"
        );
        let mut back = [0; 300];
        let length = cobs::decode(&stuffed, &mut back)
            .expect("a valid encoding")
            .frame_size();
        assert_eq!(back[..length], plain);
    }
}

/// Check values over "123456789" as crate `crc-catalog` 2.5.0 lists them.
#[test]
fn crc_check_values() {
    use crc::{CRC_32_ISCSI, CRC_32_ISO_HDLC, Crc, Table};
    assert_eq!(
        Crc::<u32>::new(&CRC_32_ISO_HDLC).checksum(b"123456789"),
        0xCBF4_3926
    );
    assert_eq!(
        Crc::<u32, Table<16>>::new(&CRC_32_ISO_HDLC).checksum(b"123456789"),
        0xCBF4_3926
    );
    assert_eq!(Crc::<u32>::new(&CRC_32_ISCSI).checksum(b"123456789"), 0xE306_9283);
}

fn encoded<T: serde::Serialize>(value: T) -> Vec<u8> {
    postcard::to_slice(&value, &mut [0; 32]).expect("fits").to_vec()
}

/// The postcard wire format, repository `jamesmunns/postcard`, `spec/src/wire-format.md`. Its i16 row prints 32767 as
/// `FF FF 02`, against its own definition; `FE FF 03` is right.
#[test]
fn postcard_integers() {
    for (value, bytes) in [
        (128_u16, vec![0x80, 0x01]),
        (16_383, vec![0xFF, 0x7F]),
        (16_384, vec![0x80, 0x80, 0x01]),
        (65_535, vec![0xFF, 0xFF, 0x03]),
    ] {
        assert_eq!(encoded(value), bytes, "{value}");
    }
    for (value, bytes) in [
        (-1_i16, vec![0x01]),
        (1, vec![0x02]),
        (63, vec![0x7E]),
        (-64, vec![0x7F]),
        (64, vec![0x80, 0x01]),
        (-65, vec![0x81, 0x01]),
        (32_767, vec![0xFE, 0xFF, 0x03]),
        (-32_768, vec![0xFF, 0xFF, 0x03]),
    ] {
        assert_eq!(encoded(value), bytes, "{value}");
    }
    // The published example, -32.005859375.
    assert_eq!(encoded(f32::from_bits(0xC200_0600)), [0x00, 0x06, 0x00, 0xC2]);
    assert_eq!(
        postcard::from_bytes::<u16>(&[0x80, 0x80, 0x00]),
        Ok(0),
        "not canonical, within the length: accepted"
    );
    for refused in [
        &[0x80, 0x80, 0x80, 0x00][..],
        &[0xFF, 0xFF, 0x07],
        &[0xFF, 0xFF, 0x83, 0x00],
    ] {
        assert!(postcard::from_bytes::<u16>(refused).is_err(), "{refused:02x?}");
    }
}
