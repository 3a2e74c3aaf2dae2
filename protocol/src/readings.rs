//! The block of readings: absolute codes in memory, differences on the wire.

use heapless::Vec;
use postcard::experimental::max_size::MaxSize;
use serde::de::{self, SeqAccess, Visitor};
use serde::ser::SerializeSeq;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::limits::{CHANNELS, CURRENT_CODE_MAX, CURRENT_CODE_MIN, READINGS_PER_BLOCK_MAX};
use crate::quantities::BoardTime;

/// Successive readings of both channels, evenly spaced in board time. A block decodes without any other.
///
/// A reading that could not be taken is missing, never filled in. A reading taken more than half a period after its
/// instant is marked late and kept: its code is right, its time is not.
///
/// ```
/// use steadybench_protocol::{BoardTime, ReadingsBlock};
///
/// let mut block = ReadingsBlock::new(40, BoardTime::from_micros(1_000_000), 1_000);
/// block.push([Some(800), Some(810)], false)?;
/// block.push([Some(801), None], false)?;
/// assert_eq!(block.codes(1), [Some(801), None]);
/// assert_eq!(block.time(1).as_micros(), 1_001_000);
/// # Ok::<(), steadybench_protocol::BlockFull>(())
/// ```
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, MaxSize)]
#[serde(try_from = "WireBlock")]
pub struct ReadingsBlock {
    first_index: u64,
    first_time: BoardTime,
    period_us: u32,
    late: u32,
    channels: [ChannelCodes; CHANNELS],
}

/// There is no room for another reading; send the block and begin the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BlockFull;

impl core::fmt::Display for BlockFull {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(
            f,
            "a block holds {READINGS_PER_BLOCK_MAX} readings a channel; send it and begin the next"
        )
    }
}

impl core::error::Error for BlockFull {}

impl ReadingsBlock {
    /// An empty block whose first reading will bear `first_index` and have been due at `first_time`.
    #[must_use]
    pub const fn new(first_index: u64, first_time: BoardTime, period_us: u32) -> Self {
        let empty = ChannelCodes {
            codes: Vec::new(),
            missing: 0,
        };
        let channels = [
            empty,
            ChannelCodes {
                codes: Vec::new(),
                missing: 0,
            },
        ];
        Self {
            first_index,
            first_time,
            period_us,
            late: 0,
            channels,
        }
    }

    /// Appends one reading instant: a code for each channel, `None` where the read failed.
    ///
    /// # Errors
    /// [`BlockFull`] when [`READINGS_PER_BLOCK_MAX`] instants are in already.
    ///
    /// # Panics
    /// In debug builds, when a code does not fit the chip's 20 bits.
    pub fn push(&mut self, codes: [Option<i32>; CHANNELS], late: bool) -> Result<(), BlockFull> {
        let at = self.len();
        if at == READINGS_PER_BLOCK_MAX {
            return Err(BlockFull);
        }
        for (channel, code) in self.channels.iter_mut().zip(codes) {
            debug_assert!(code.is_none_or(|code| (CURRENT_CODE_MIN..=CURRENT_CODE_MAX).contains(&code)));
            channel.push(code)?;
        }
        self.late |= u32::from(late) << at;
        Ok(())
    }

    /// Index of the first reading instant, counted since the board started.
    #[must_use]
    pub const fn first_index(&self) -> u64 {
        self.first_index
    }

    /// Index that the reading instant after this block bears.
    #[must_use]
    pub fn next_index(&self) -> u64 {
        self.first_index.saturating_add(self.len() as u64)
    }

    /// Time from one reading to the next in microseconds.
    #[must_use]
    pub const fn period_us(&self) -> u32 {
        self.period_us
    }

    /// Reading instants in the block, missing ones included.
    #[must_use]
    pub fn len(&self) -> usize {
        self.channels[0].codes.len()
    }

    /// Whether no reading instant is in.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// When the reading at `position` in the block was due.
    #[must_use]
    pub fn time(&self, position: usize) -> BoardTime {
        self.first_time
            .plus_micros(u64::from(self.period_us).saturating_mul(position as u64))
    }

    /// The codes of both channels at `position`; `None` is a reading that is missing.
    ///
    /// # Panics
    /// When `position` is not below [`Self::len`].
    #[must_use]
    pub fn codes(&self, position: usize) -> [Option<i32>; CHANNELS] {
        [self.channels[0].code(position), self.channels[1].code(position)]
    }

    /// The codes of a channel, 0 or 1, as the wire has them: one that is missing repeats the one before it, zero at the
    /// start.
    ///
    /// # Panics
    /// When `channel` is not below [`CHANNELS`].
    #[must_use]
    pub fn held_codes(&self, channel: usize) -> &[i32] {
        &self.channels[channel].codes
    }

    /// Which codes of a channel are missing: bit `position` of a mask.
    ///
    /// # Panics
    /// When `channel` is not below [`CHANNELS`].
    #[must_use]
    pub const fn missing_mask(&self, channel: usize) -> u32 {
        self.channels[channel].missing
    }

    /// Which readings are [late](Self::is_late): bit `position` of a mask.
    #[must_use]
    pub const fn late_mask(&self) -> u32 {
        self.late
    }

    /// Whether the reading at `position` was taken more than half a period after its instant.
    #[must_use]
    pub const fn is_late(&self, position: usize) -> bool {
        position < u32::BITS as usize && self.late & (1 << position) != 0
    }
}

/// The codes of one channel. Invariants: at most [`READINGS_PER_BLOCK_MAX`]; a missing one repeats its predecessor
/// (zero at the start), so that it costs one byte on the wire and is the same everywhere.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct ChannelCodes {
    codes: Vec<i32, READINGS_PER_BLOCK_MAX>,
    missing: u32,
}

impl ChannelCodes {
    /// Codes off the wire, with a mask of those that are missing.
    pub(crate) fn new(codes: Vec<i32, READINGS_PER_BLOCK_MAX>, missing: u32) -> Result<Self, Contradiction> {
        let channel = Self { codes, missing };
        let held = |at: usize| if at == 0 { 0 } else { channel.codes[at - 1] };
        let legal = missing == 0
            || (0..u32::BITS as usize)
                .filter(|at| missing & (1 << at) != 0)
                .all(|at| at < channel.codes.len() && channel.codes[at] == held(at));
        if legal {
            Ok(channel)
        } else {
            Err(Contradiction(
                "a missing reading that is out of place or not held",
            ))
        }
    }

    fn push(&mut self, code: Option<i32>) -> Result<(), BlockFull> {
        let at = self.codes.len();
        let held = self.codes.last().copied().unwrap_or(0);
        self.codes.push(code.unwrap_or(held)).map_err(|_| BlockFull)?;
        self.missing |= u32::from(code.is_none()) << at;
        Ok(())
    }

    fn code(&self, position: usize) -> Option<i32> {
        let code = self.codes[position];
        (self.missing & (1 << position) == 0).then_some(code)
    }
}

impl MaxSize for ChannelCodes {
    // A length below 128 takes one byte. A difference of two 20-bit codes, zigzagged, has 21 bits: three varint bytes.
    const POSTCARD_MAX_SIZE: usize = 1 + 3 * READINGS_PER_BLOCK_MAX + u32::POSTCARD_MAX_SIZE;
}

impl Serialize for ChannelCodes {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        (Differences(&self.codes), self.missing).serialize(serializer)
    }
}

/// Writes codes as their first and the differences after it.
struct Differences<'a>(&'a [i32]);

impl Serialize for Differences<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut sequence = serializer.serialize_seq(Some(self.0.len()))?;
        let mut previous = 0;
        for code in self.0 {
            sequence.serialize_element(&(code - previous))?;
            previous = *code;
        }
        sequence.end()
    }
}

impl<'de> Deserialize<'de> for ChannelCodes {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let (Summed(codes), missing) = Deserialize::deserialize(deserializer)?;
        Self::new(codes, missing).map_err(de::Error::custom)
    }
}

/// Reads a first code and differences back into codes, refusing what does not fit 20 bits.
struct Summed(Vec<i32, READINGS_PER_BLOCK_MAX>);

impl<'de> Deserialize<'de> for Summed {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Sum;
        impl<'de> Visitor<'de> for Sum {
            type Value = Summed;

            fn expecting(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
                write!(f, "at most {READINGS_PER_BLOCK_MAX} differences of 20-bit codes")
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut sequence: A) -> Result<Summed, A::Error> {
                let mut codes = Vec::new();
                let mut code = 0_i32;
                while let Some(difference) = sequence.next_element::<i32>()? {
                    code = code
                        .checked_add(difference)
                        .filter(|code| (CURRENT_CODE_MIN..=CURRENT_CODE_MAX).contains(code))
                        .ok_or_else(|| de::Error::custom("a code beyond 20 bits"))?;
                    codes
                        .push(code)
                        .map_err(|_| de::Error::custom("too many readings"))?;
                }
                Ok(Summed(codes))
            }
        }
        deserializer.deserialize_seq(Sum)
    }
}

/// The block as it comes off the wire, before its parts are checked against each other.
#[derive(Deserialize)]
pub(crate) struct WireBlock {
    pub(crate) first_index: u64,
    pub(crate) first_time: BoardTime,
    pub(crate) period_us: u32,
    pub(crate) late: u32,
    pub(crate) channels: [ChannelCodes; CHANNELS],
}

/// The parts of a block contradict each other.
#[derive(Debug)]
pub(crate) struct Contradiction(&'static str);

impl core::fmt::Display for Contradiction {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(self.0)
    }
}

impl TryFrom<WireBlock> for ReadingsBlock {
    type Error = Contradiction;

    fn try_from(wire: WireBlock) -> Result<Self, Contradiction> {
        let WireBlock {
            first_index,
            first_time,
            period_us,
            late,
            channels,
        } = wire;
        let len = channels[0].codes.len();
        if len == 0 || channels[1].codes.len() != len {
            return Err(Contradiction(
                "a block needs the same number of readings, at least one, on both channels",
            ));
        }
        if u64::from(late) >> len != 0 {
            return Err(Contradiction("a late mark without its reading"));
        }
        if first_index.checked_add(len as u64).is_none() {
            return Err(Contradiction("a reading index beyond 64 bits"));
        }
        Ok(Self {
            first_index,
            first_time,
            period_us,
            late,
            channels,
        })
    }
}
