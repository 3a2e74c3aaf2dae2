//! Pieces of recordings that were decoded lately, in bounded memory: what a hand on the trace asks for next mostly lies in
//! what it asked for last.

use std::collections::{HashMap, VecDeque};
use std::ops::Range;

use super::sheet::{Ends, SlowRow, widen};

/// Extremes kept, some 10 MB: every piece of the widest window that may be asked for, and as much again of others.
const ENDS_MAX: usize = 1 << 19;

/// Slow values kept, some 3 MB: the same.
const SLOW_MAX: usize = 100_000;

/// Pieces kept: more than there can be, but of a recording with next to nothing in each sheet.
const PIECES_MAX: usize = 8_192;

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
    pub(super) fn view(&self) -> PieceView<'_> {
        PieceView {
            first_us: self.first_us,
            ends: &self.ends,
            slow: &self.slow,
        }
    }
}

/// A [`Piece`], wherever it is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct PieceView<'a> {
    pub(super) first_us: i64,
    pub(super) ends: &'a [(u32, [Ends; 2])],
    pub(super) slow: &'a [SlowEnds],
}

/// Rows of values in one block of memory that is filled round and round. A row's place is counted on over all rounds.
#[derive(Debug)]
struct Ring<T> {
    room: Vec<T>,
    length: usize,
    next: usize,
}

impl<T: Copy> Ring<T> {
    const fn new(length: usize) -> Self {
        Self {
            room: Vec::new(),
            length,
            next: 0,
        }
    }

    /// Where a row of so many would stand: it is never broken at the end of a round.
    const fn place_of(&self, count: usize) -> Range<usize> {
        let within = self.next % self.length;
        let from = if within + count > self.length {
            self.next + self.length - within
        } else {
            self.next
        };
        from..from + count
    }

    /// Whether a row that stands here is lost when one is put there.
    const fn is_overwritten(&self, here: &Range<usize>, there: &Range<usize>) -> bool {
        here.start + self.length < there.end
    }

    fn put(&mut self, row: &[T], place: &Range<usize>) {
        if self.room.capacity() == 0 {
            self.room.reserve_exact(self.length);
        }
        let from = place.start % self.length;
        let over = row.len().min(self.room.len().saturating_sub(from));
        self.room[from..from + over].copy_from_slice(&row[..over]);
        self.room.extend_from_slice(&row[over..]);
        self.next = place.end;
    }

    fn get(&self, place: &Range<usize>) -> &[T] {
        let from = place.start % self.length;
        &self.room[from..from + place.len()]
    }
}

#[derive(Debug)]
struct Kept {
    first_us: i64,
    ends: Range<usize>,
    slow: Range<usize>,
}

/// The pieces. They stand in two blocks of memory that are asked for once: pieces that come and go by themselves, all night,
/// leave the allocator with holes of every size.
#[derive(Debug)]
pub(super) struct Lately {
    ends: Ring<(u32, [Ends; 2])>,
    slow: Ring<SlowEnds>,
    pieces: HashMap<Key, Kept>,
    /// The oldest first.
    order: VecDeque<Key>,
}

impl Default for Lately {
    fn default() -> Self {
        Self::of(ENDS_MAX, SLOW_MAX)
    }
}

impl Lately {
    fn of(ends: usize, slow: usize) -> Self {
        Self {
            ends: Ring::new(ends),
            slow: Ring::new(slow),
            pieces: HashMap::new(),
            order: VecDeque::new(),
        }
    }

    /// The piece, where it is kept.
    pub(super) fn get(&self, key: Key) -> Option<PieceView<'_>> {
        let kept = self.pieces.get(&key)?;
        Some(PieceView {
            first_us: kept.first_us,
            ends: self.ends.get(&kept.ends),
            slow: self.slow.get(&kept.slow),
        })
    }

    /// Keeps a piece that is not kept yet; the oldest give way. One that would not find room is not kept.
    pub(super) fn put(&mut self, key: Key, piece: &Piece) {
        if piece.ends.len() > self.ends.length || piece.slow.len() > self.slow.length {
            return;
        }
        let kept = Kept {
            first_us: piece.first_us,
            ends: self.ends.place_of(piece.ends.len()),
            slow: self.slow.place_of(piece.slow.len()),
        };
        while let Some(oldest) = self.order.front() {
            let gives_way = self.order.len() >= PIECES_MAX
                || self.pieces.get(oldest).is_none_or(|oldest| {
                    self.ends.is_overwritten(&oldest.ends, &kept.ends)
                        || self.slow.is_overwritten(&oldest.slow, &kept.slow)
                });
            if !gives_way {
                break;
            }
            self.pieces.remove(oldest);
            self.order.pop_front();
        }
        self.ends.put(&piece.ends, &kept.ends);
        self.slow.put(&piece.slow, &kept.slow);
        if self.pieces.insert(key, kept).is_none() {
            self.order.push_back(key);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(sheet: usize) -> Key {
        Key {
            recording: 1,
            sheet,
            fineness: Fineness::Bins,
        }
    }

    fn piece(sheet: usize) -> Piece {
        let value = sheet as i32;
        Piece {
            first_us: i64::from(value),
            ends: vec![(sheet as u32, [[value, value + 1]; 2]); sheet * 31 % 57],
            slow: vec![
                SlowEnds {
                    after_us: i64::from(value),
                    rail: [[value; 2]; 2],
                    thermistor: [[7; 2]; 2],
                };
                sheet * 17 % 13
            ],
        }
    }

    #[test]
    fn the_oldest_give_way_and_what_is_kept_is_what_was_put() {
        // Once one block is the first to be full, and once the other.
        for (ends, slow) in [(1_000, 1_000), (100_000, 50)] {
            let mut lately = Lately::of(ends, slow);
            for sheet in 0..2_000 {
                lately.put(key(sheet), &piece(sheet));
                assert!(lately.ends.room.len() <= ends && lately.slow.room.len() <= slow);
                let oldest = sheet + 1 - lately.order.len();
                for kept in oldest..=sheet {
                    assert_eq!(
                        lately.get(key(kept)),
                        Some(piece(kept).view()),
                        "{kept} of {sheet}"
                    );
                }
                assert!(oldest == 0 || lately.get(key(oldest - 1)).is_none());
                assert!(
                    sheet < 8 || lately.order.len() >= 4,
                    "{} are kept",
                    lately.order.len()
                );
                assert_eq!(lately.order.len(), lately.pieces.len());
            }
            let room = (lately.ends.room.capacity(), lately.slow.room.capacity());
            assert_eq!(room, (ends, slow));
        }
    }

    #[test]
    fn finenesses_are_kept_apart_and_what_is_too_large_is_not_kept() {
        let mut lately = Lately::of(100, 20);
        lately.put(key(3), &piece(3));
        let other = Key {
            fineness: Fineness::Groups,
            ..key(3)
        };
        assert!(lately.get(key(3)).is_some() && lately.get(other).is_none());
        let large = Piece {
            ends: vec![(0, [[0; 2]; 2]); 101],
            ..Piece::default()
        };
        lately.put(other, &large);
        assert!(lately.get(key(3)).is_some() && lately.get(other).is_none());
    }

    #[test]
    fn the_number_of_pieces_is_bounded() {
        let mut lately = Lately::default();
        for sheet in 0..3 * PIECES_MAX {
            lately.put(key(sheet), &Piece::default());
        }
        assert_eq!(
            (lately.pieces.len(), lately.order.len()),
            (PIECES_MAX, PIECES_MAX)
        );
    }
}
