//! From a request to columns: which of what is kept holds the window in as few pieces as will do.

use crate::fault::Fault;
use crate::units::Units;

use super::cells::Cell;
use super::index::Index;
use super::lately::{Fineness, Lately, SlowEnds};
use super::readings::Sink;
use super::sheet::{Ends, GROUP, SlowRow, widen};
use super::view::{ChannelColumns, Extremes, Window};

/// Columns that may be asked for.
pub(super) const COLUMNS_MAX: usize = 4_096;

/// A column is made of so many pieces at least, so that rounding it up to whole pieces makes it a quarter longer at most.
const PIECES_MIN: i64 = 4;

/// What a window is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Level {
    /// Cells in memory.
    Cells,
    /// Sheets, read as finely as need be.
    Sheets(Fineness),
    /// Single readings of a recording that has no sheet yet.
    Tail,
}

/// Columns in progress.
struct Columns {
    from_us: i64,
    column_us: i64,
    cells: Vec<Cell>,
}

impl Columns {
    fn at(&mut self, elapsed_us: i64) -> Option<&mut Cell> {
        let place = (elapsed_us - self.from_us).div_euclid(self.column_us);
        self.cells.get_mut(usize::try_from(place).ok()?)
    }

    fn to_us(&self) -> i64 {
        self.from_us + self.cells.len() as i64 * self.column_us
    }
}

impl Sink for Columns {
    fn reading(&mut self, elapsed_us: i64, codes: [Option<i32>; 2]) {
        if let Some(cell) = self.at(elapsed_us) {
            for (ends, code) in cell.current.iter_mut().zip(codes) {
                if let Some(code) = code {
                    widen(ends, [code; 2]);
                }
            }
        }
    }

    fn slow(&mut self, elapsed_us: i64, row: &SlowRow) {
        // What was measured before the run's first reading is none of the run's.
        if elapsed_us >= 0
            && let Some(cell) = self.at(elapsed_us)
        {
            cell.take_slow(&SlowEnds::from(row));
        }
    }
}

/// Fills a window; `to_us` lies after `from_us`, and both at or after zero.
///
/// # Errors
/// When the recording cannot be read any more.
pub(super) fn fill(
    index: &mut Index,
    lately: &mut Lately,
    from_us: i64,
    to_us: i64,
    columns: usize,
) -> Result<Window, Fault> {
    let columns = columns.clamp(1, COLUMNS_MAX) as i64;
    let wanted_us = (to_us - from_us + columns - 1) / columns;
    let (level, piece_us) = level_of(index, wanted_us);
    let from_us = from_us.div_euclid(piece_us) * piece_us;
    let mut column_us = (wanted_us + piece_us - 1) / piece_us * piece_us;
    // Beginning earlier may ask for one column more than there may be.
    while (to_us - from_us + column_us - 1) / column_us > columns {
        column_us += piece_us;
    }
    let count = (to_us - from_us + column_us - 1) / column_us;
    let mut made = Columns {
        from_us,
        column_us,
        cells: vec![Cell::EMPTY; usize::try_from(count).unwrap_or(1)],
    };
    let end_us = made.to_us();
    match level {
        Level::Cells => {
            for (at_us, cell) in index
                .cells()
                .into_iter()
                .flat_map(|cells| cells.within(from_us, end_us))
            {
                if let Some(column) = made.at(at_us) {
                    column.merge(cell);
                }
            }
        }
        Level::Sheets(fineness) => {
            index.each_piece(from_us, end_us, fineness, lately, |piece| {
                for (after_us, ends) in piece.ends {
                    if let Some(cell) = made.at(piece.first_us + i64::from(*after_us)) {
                        widen(&mut cell.current[0], ends[0]);
                        widen(&mut cell.current[1], ends[1]);
                    }
                }
                for slow in piece.slow {
                    let elapsed_us = piece.first_us + slow.after_us;
                    // What was measured before the run's first reading is none of the run's.
                    if elapsed_us >= 0
                        && let Some(cell) = made.at(elapsed_us)
                    {
                        cell.take_slow(slow);
                    }
                }
            })?;
        }
        Level::Tail => {}
    }
    index.each_of_tail(&mut made);
    Ok(window(index, &made))
}

fn level_of(index: &Index, wanted_us: i64) -> (Level, i64) {
    let (Some(cells), Some(bin_us)) = (index.cells(), index.bin_us()) else {
        return (Level::Tail, 1);
    };
    [
        (Level::Cells, cells.cell_us()),
        (Level::Sheets(Fineness::Groups), bin_us * GROUP as i64),
        (Level::Sheets(Fineness::Bins), bin_us),
    ]
    .into_iter()
    .find(|(_, piece_us)| wanted_us >= PIECES_MIN * piece_us)
    .unwrap_or((Level::Sheets(Fineness::Readings), 1))
}

fn window(index: &Index, made: &Columns) -> Window {
    let seconds = |micros: i64| micros as f64 * 1e-6;
    let mut window = Window {
        board: index.serial().to_owned(),
        from_s: seconds(made.from_us),
        to_s: seconds(made.to_us()),
        column_s: seconds(made.column_us),
        recorded_to_s: seconds(index.last_us().unwrap_or(0)),
        ..Window::default()
    };
    for channel in [0, 1] {
        let units = index.units();
        window.channels[channel] = ChannelColumns {
            current: extremes(made, |cell| {
                known(cell.current[channel])?;
                let scale = units?.channels[channel];
                Some(cell.current[channel].map(|code| scale.current_a(code)))
            }),
            rail: extremes(made, |cell| {
                known(cell.rail[channel])?;
                let scale = units?.channels[channel];
                Some(cell.rail[channel].map(|code| scale.rail_v(code.cast_unsigned())))
            }),
        };
        window.temperature[channel] = extremes(made, |cell| {
            temperature(units?, channel, cell.thermistor[channel])
        });
    }
    window
}

fn known(ends: Ends) -> Option<()> {
    (ends[0] <= ends[1]).then_some(())
}

/// The hotter end of a thermistor's codes may be the lower one.
fn temperature(units: &Units, channel: usize, codes: [u16; 2]) -> Option<[f64; 2]> {
    if codes[0] > codes[1] {
        return None;
    }
    let celsius =
        codes.map(|code| units.temperature_c(channel, steadybench_protocol::ThermistorReading::Code(code)));
    match celsius {
        [Some(one), Some(other)] => Some([one.min(other), one.max(other)]),
        [one, other] => one.or(other).map(|celsius| [celsius; 2]),
    }
}

fn extremes(made: &Columns, of: impl Fn(&Cell) -> Option<[f64; 2]>) -> Extremes {
    let (min, max) = made
        .cells
        .iter()
        .map(|cell| match of(cell) {
            Some([low, high]) => (Some(low as f32), Some(high as f32)),
            None => (None, None),
        })
        .unzip();
    Extremes { min, max }
}
