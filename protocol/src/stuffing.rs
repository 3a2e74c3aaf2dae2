//! Consistent Overhead Byte Stuffing (S. Cheshire and M. Baker, IEEE/ACM Transactions on Networking 7, 1999) of frames,
//! which are too short for a code of 255.
//!
//! Then a code stands for every zero, a place further on, one more stands in front, and each says how far it is to the
//! next. So all bytes are copied at once, and only zeros and codes are exchanged one by one. The tests hold it against
//! the crate `cobs`, which goes byte by byte.

use crate::frame::FRAME_BYTES_MAX;

const _: () = assert!(FRAME_BYTES_MAX < 255);

/// Stuffs bytes; gives how many they become. `None` when `room` is too small or they are too many.
pub(crate) fn stuff(bytes: &[u8], room: &mut [u8]) -> Option<usize> {
    let length = bytes.len() + 1;
    let stuffed = room.get_mut(..length).filter(|_| length < FRAME_BYTES_MAX)?;
    stuffed[1..].copy_from_slice(bytes);
    let mut code_at = 0;
    for zero in memchr::memchr_iter(0, bytes) {
        stuffed[code_at] = (zero + 1 - code_at) as u8;
        code_at = zero + 1;
    }
    stuffed[code_at] = (length - code_at) as u8;
    Some(length)
}

/// Gives the bytes that were stuffed; `None` when they were not.
pub(crate) fn unstuff<'a>(stuffed: &[u8], room: &'a mut [u8]) -> Option<&'a [u8]> {
    let (first, rest) = stuffed.split_first()?;
    let bytes = room.get_mut(..rest.len())?;
    bytes.copy_from_slice(rest);
    if stuffed.len() >= FRAME_BYTES_MAX {
        return None;
    }
    let mut next = usize::from(*first);
    while next < stuffed.len() {
        match core::mem::take(bytes.get_mut(next.checked_sub(1)?)?) {
            0 => return None,
            code => next += usize::from(code),
        }
    }
    (next == stuffed.len()).then_some(&*bytes)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::frame::CHECKED_BYTES_MAX;

    proptest! {
        /// Any bytes without a zero: the same acceptance and the same bytes as the crate `cobs`.
        #[test]
        fn unstuffing_is_that_of_the_crate(
            stuffed in prop::collection::vec(prop_oneof![1_u8..=255, 1_u8..12], 0..FRAME_BYTES_MAX),
        ) {
            let (mut ours, mut theirs) = ([0; CHECKED_BYTES_MAX], [0; CHECKED_BYTES_MAX]);
            let expected = cobs::decode(&stuffed, &mut theirs).ok().map(|report| &theirs[..report.frame_size()]);
            prop_assert_eq!(unstuff(&stuffed, &mut ours), expected);
        }

        /// Whatever is stuffed is stuffed as the crate does it, and comes back.
        #[test]
        fn stuffing_is_that_of_the_crate(
            bytes in prop::collection::vec(prop_oneof![2 => any::<u8>(), 1 => Just(0)], 0..=CHECKED_BYTES_MAX),
        ) {
            let (mut ours, mut theirs, mut back) = ([0; FRAME_BYTES_MAX], [0; FRAME_BYTES_MAX], [0; CHECKED_BYTES_MAX]);
            let length = cobs::encode(&bytes, &mut theirs);
            prop_assert_eq!(stuff(&bytes, &mut ours), Some(length));
            prop_assert_eq!(&ours[..length], &theirs[..length]);
            prop_assert_eq!(unstuff(&ours[..length], &mut back), Some(&bytes[..]));
        }
    }
}
