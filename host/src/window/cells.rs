//! All of a run in bounded memory: extremes in cells that double in length whenever there are too many.

use super::lately::SlowEnds;
use super::sheet::{Ends, NONE, widen};

/// Cells kept at most: some 2.6 MB.
const CELLS_MAX: usize = 1 << 16;

/// Codes of everything that is read, in one cell or column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Cell {
    pub(super) current: [Ends; 2],
    pub(super) rail: [Ends; 2],
    pub(super) thermistor: [[u16; 2]; 2],
}

impl Cell {
    pub(super) const EMPTY: Self = Self {
        current: [NONE; 2],
        rail: [NONE; 2],
        thermistor: [[u16::MAX, u16::MIN]; 2],
    };

    pub(super) fn take_slow(&mut self, slow: &SlowEnds) {
        for channel in [0, 1] {
            widen(&mut self.rail[channel], slow.rail[channel]);
            let (ends, by) = (&mut self.thermistor[channel], slow.thermistor[channel]);
            *ends = [ends[0].min(by[0]), ends[1].max(by[1])];
        }
    }

    pub(super) fn merge(&mut self, other: &Self) {
        for channel in [0, 1] {
            widen(&mut self.current[channel], other.current[channel]);
            widen(&mut self.rail[channel], other.rail[channel]);
            let (ends, by) = (&mut self.thermistor[channel], other.thermistor[channel]);
            *ends = [ends[0].min(by[0]), ends[1].max(by[1])];
        }
    }
}

/// The cells of a run, from its first reading on.
#[derive(Debug)]
pub(super) struct Cells {
    cell_us: i64,
    cells: Vec<Cell>,
}

impl Cells {
    pub(super) const fn new(cell_us: i64) -> Self {
        Self {
            cell_us,
            cells: Vec::new(),
        }
    }

    pub(super) const fn cell_us(&self) -> i64 {
        self.cell_us
    }

    /// The cell of an instant; what lies before the run's first reading is in the first.
    pub(super) fn at(&mut self, elapsed_us: i64) -> &mut Cell {
        let elapsed_us = elapsed_us.max(0);
        while elapsed_us / self.cell_us >= CELLS_MAX as i64 {
            self.double();
        }
        let place = usize::try_from(elapsed_us / self.cell_us).unwrap_or(0);
        if place >= self.cells.len() {
            self.cells.resize(place + 1, Cell::EMPTY);
        }
        &mut self.cells[place]
    }

    fn double(&mut self) {
        self.cell_us *= 2;
        let halved = self.cells.len().div_ceil(2);
        for place in 0..halved {
            let mut one = self.cells[2 * place];
            if let Some(next) = self.cells.get(2 * place + 1) {
                one.merge(next);
            }
            self.cells[place] = one;
        }
        self.cells.truncate(halved);
    }

    /// The cells that begin from `from_us` on and before `to_us`, each with its beginning.
    pub(super) fn within(&self, from_us: i64, to_us: i64) -> impl Iterator<Item = (i64, &Cell)> {
        let first = usize::try_from((from_us.max(0) + self.cell_us - 1) / self.cell_us).unwrap_or(usize::MAX);
        let beyond = usize::try_from((to_us.max(0) + self.cell_us - 1) / self.cell_us).unwrap_or(usize::MAX);
        let beyond = beyond.min(self.cells.len());
        let cells = self.cells.get(first..beyond).unwrap_or_default();
        cells
            .iter()
            .enumerate()
            .map(move |(place, cell)| ((first + place) as i64 * self.cell_us, cell))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doubling_loses_no_extreme_and_memory_is_bounded() {
        let mut cells = Cells::new(10);
        // One low code at a known place among ordinary ones, over far more cells than are kept.
        for place in 0..300_000_i64 {
            let code = if place == 123_457 {
                -500
            } else {
                100 + (place % 7) as i32
            };
            widen(&mut cells.at(place * 10).current[0], [code; 2]);
        }
        assert!(cells.cells.len() <= CELLS_MAX && cells.cell_us() == 80);
        let low: Vec<i64> = cells
            .within(0, i64::MAX / 2)
            .filter(|(_, cell)| cell.current[0][0] == -500)
            .map(|(from_us, _)| from_us)
            .collect();
        assert_eq!(low, [1_234_570 / 80 * 80]);
        assert!(
            cells
                .within(0, i64::MAX / 2)
                .all(|(_, cell)| cell.current[0][1] == 106)
        );
        assert_eq!(
            cells
                .within(85, 240)
                .map(|(from_us, _)| from_us)
                .collect::<Vec<_>>(),
            [160]
        );
    }
}
