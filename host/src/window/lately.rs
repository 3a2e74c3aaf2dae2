//! Pieces of recordings that were decoded lately, in bounded memory: what a hand on the trace asks for next mostly lies in
//! what it asked for last.

use std::collections::HashMap;

use super::sheet::{Ends, SlowRow, widen};

/// Bytes kept at most: every piece of the widest window that may be asked for, and as much again of others.
const BYTES_MAX: usize = 12 << 20;

/// How finely a sheet was decoded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Fineness {
    /// Groups of bins.
    Groups,
    /// Bins.
    Bins,
    /// Single readings.
    Readings,
}

/// Which sheet of which recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) struct Key {
    /// The recording, by a number that is given once.
    pub(super) recording: u64,
    /// The sheet's place in it.
    pub(super) sheet: usize,
    pub(super) fineness: Fineness,
}

/// One sheet decoded. Instants are in microseconds after the sheet's beginning.
#[derive(Clone, Debug, Default)]
pub(super) struct Piece {
    /// Where the sheet begins, in microseconds of the run.
    pub(super) first_us: i64,
    /// Extremes of both channels.
    pub(super) ends: Vec<(u32, [Ends; 2])>,
    pub(super) slow: Vec<SlowEnds>,
}

/// Slow values, or the extremes of several.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct SlowEnds {
    /// Values that came late lie before the sheet's beginning.
    pub(super) after_us: i64,
    pub(super) rail: [Ends; 2],
    pub(super) thermistor: [[u16; 2]; 2],
}

impl From<&SlowRow> for SlowEnds {
    fn from(row: &SlowRow) -> Self {
        let code = |code: u32| i32::try_from(code).unwrap_or(i32::MAX);
        Self {
            after_us: row.after_us,
            rail: row
                .rail
                .map(|rail| rail.map_or(super::sheet::NONE, |ends| ends.map(code))),
            thermistor: row
                .thermistor
                .map(|code| code.map_or([u16::MAX, u16::MIN], |code| [code; 2])),
        }
    }
}

impl SlowEnds {
    pub(super) fn merge(&mut self, other: &Self) {
        for channel in [0, 1] {
            widen(&mut self.rail[channel], other.rail[channel]);
            let (ends, by) = (&mut self.thermistor[channel], other.thermistor[channel]);
            *ends = [ends[0].min(by[0]), ends[1].max(by[1])];
        }
    }
}

impl Piece {
    fn bytes(&self) -> usize {
        size_of::<Self>()
            + self.ends.capacity() * size_of::<(u32, [Ends; 2])>()
            + self.slow.capacity() * size_of::<SlowEnds>()
    }
}

#[derive(Debug)]
struct Kept {
    used: u64,
    bytes: usize,
    piece: Piece,
}

/// The pieces.
#[derive(Debug, Default)]
pub(super) struct Lately {
    pieces: HashMap<Key, Kept>,
    bytes: usize,
    uses: u64,
}

impl Lately {
    /// The piece, where it is kept.
    pub(super) fn get(&mut self, key: Key) -> Option<&Piece> {
        self.uses += 1;
        let kept = self.pieces.get_mut(&key)?;
        kept.used = self.uses;
        Some(&kept.piece)
    }

    /// Keeps a piece; those used longest ago give way, a quarter of all at a time.
    pub(super) fn put(&mut self, key: Key, mut piece: Piece) {
        piece.ends.shrink_to_fit();
        piece.slow.shrink_to_fit();
        let bytes = piece.bytes() + size_of::<(Key, Kept)>();
        self.uses += 1;
        let used = self.uses;
        self.bytes += bytes;
        if let Some(before) = self.pieces.insert(key, Kept { used, bytes, piece }) {
            self.bytes -= before.bytes;
        }
        if self.bytes > BYTES_MAX {
            let mut uses: Vec<(u64, usize)> =
                self.pieces.values().map(|kept| (kept.used, kept.bytes)).collect();
            uses.sort_unstable();
            let mut given_up = 0;
            let last = uses
                .into_iter()
                .find(|(_, bytes)| {
                    given_up += bytes;
                    given_up > BYTES_MAX / 4
                })
                .map_or(used, |(used, _)| used);
            self.pieces.retain(|_, kept| kept.used > last);
            self.bytes = self.pieces.values().map(|kept| kept.bytes).sum();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_used_longest_ago_gives_way_and_memory_is_bounded() {
        let mut lately = Lately::default();
        let key = |sheet| Key {
            recording: 1,
            sheet,
            fineness: Fineness::Bins,
        };
        let piece = || Piece {
            first_us: 0,
            ends: vec![(0, [[1, 2]; 2]); 1_000],
            slow: Vec::new(),
        };
        for sheet in 0..5_000 {
            lately.put(key(sheet), piece());
            // The first is looked at again and again.
            assert_eq!(lately.get(key(0)).map(|piece| piece.ends.len()), Some(1_000));
            assert!(lately.bytes <= BYTES_MAX, "{} bytes after {sheet}", lately.bytes);
        }
        assert!(lately.pieces.len() > 300, "{} are kept", lately.pieces.len());
        assert!(lately.get(key(1)).is_none() && lately.get(key(4_999)).is_some());
        let other = Key {
            fineness: Fineness::Groups,
            ..key(4_999)
        };
        assert!(lately.get(other).is_none());
    }
}
