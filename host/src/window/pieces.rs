//! From what stands in the files to pieces.

use super::lately::{Fineness, Piece, SlowEnds};
use super::readings::Sink;
use super::sheet::{BINS, GROUP, Head, NONE, Payload, SlowRow};

/// Of a whole sheet's payload; `None` when it is none.
pub(super) fn of_sheet(head: &Head, payload: &[u8], fineness: Fineness) -> Option<Piece> {
    let fine = fineness == Fineness::Bins;
    let (groups, slow, bins) = Payload::new(payload).read(fine)?;
    let (extents, each_us, most) = match &bins {
        Some(bins) => (bins, head.bin_us, BINS),
        None => (&groups, head.bin_us * GROUP as u32, BINS / GROUP),
    };
    let mut ends = vec![[NONE; 2]; most];
    extents.each(|place, channel, of_it| {
        if let Some(both) = ends.get_mut(place) {
            both[channel] = of_it;
        }
    });
    let mut piece = Piece {
        first_us: head.span_us().0,
        ends: ends
            .into_iter()
            .enumerate()
            .filter(|(_, both)| *both != [NONE; 2])
            .map(|(place, both)| (place as u32 * each_us, both))
            .collect(),
        slow: slow.iter().map(SlowEnds::from).collect(),
    };
    if !fine {
        piece.slow = gathered(&piece.slow, i64::from(each_us));
    }
    Some(piece)
}

/// Slow values of each group together, at the group's beginning.
fn gathered(slow: &[SlowEnds], group_us: i64) -> Vec<SlowEnds> {
    let mut groups: Vec<SlowEnds> = Vec::new();
    for row in slow {
        let after_us = row.after_us.div_euclid(group_us) * group_us;
        match groups.iter_mut().rev().find(|group| group.after_us == after_us) {
            Some(group) => group.merge(row),
            None => groups.push(SlowEnds { after_us, ..*row }),
        }
    }
    groups
}

/// Takes the readings of several sheets of one start of the board apart again.
pub(super) struct Apart {
    spans: Vec<(i64, i64)>,
    pieces: Vec<Piece>,
    /// The sheet that took the latest.
    latest: usize,
}

impl Apart {
    /// For sheets that cover these stretches, one after another.
    pub(super) fn new(spans: Vec<(i64, i64)>) -> Self {
        Self {
            pieces: spans
                .iter()
                .map(|(first_us, _)| Piece {
                    first_us: *first_us,
                    ..Piece::default()
                })
                .collect(),
            spans,
            latest: 0,
        }
    }

    /// The pieces, in the order of their sheets.
    pub(super) fn pieces(self) -> Vec<Piece> {
        self.pieces
    }

    /// The sheet whose stretch holds an instant.
    fn sheet(&mut self, elapsed_us: i64) -> Option<usize> {
        let holds = |(from_us, to_us): (i64, i64)| (from_us..to_us).contains(&elapsed_us);
        if !holds(self.spans[self.latest]) {
            self.latest = self.spans.iter().position(|span| holds(*span))?;
        }
        Some(self.latest)
    }
}

impl Sink for Apart {
    fn reading(&mut self, elapsed_us: i64, codes: [Option<i32>; 2]) {
        if let Some(sheet) = self.sheet(elapsed_us) {
            let after_us = (elapsed_us - self.spans[sheet].0) as u32;
            let ends = codes.map(|code| code.map_or(NONE, |code| [code; 2]));
            self.pieces[sheet].ends.push((after_us, ends));
        }
    }

    fn slow(&mut self, elapsed_us: i64, row: &SlowRow) {
        // What came late may be older than every sheet here; it is the first's all the same.
        let sheet = self.sheet(elapsed_us).unwrap_or(0);
        let after_us = elapsed_us - self.spans[sheet].0;
        self.pieces[sheet].slow.push(SlowEnds {
            after_us,
            ..SlowEnds::from(row)
        });
    }
}
