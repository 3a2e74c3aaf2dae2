//! What a run folder gives back, for campaigns to judge.

use std::path::Path;

use steadybench_host::replay::Replay;
use steadybench_host::stream::{GapCause, Output};

/// What the recordings of one board give back.
#[derive(Clone, Debug, Default)]
pub(super) struct Recorded {
    /// Index and codes of every reading from the first on whose board is known, in order. What a board was sending when the
    /// program came has no units, and no row.
    pub readings: Vec<(u64, [Option<i32>; 2])>,
    /// Reading instants stated as lost.
    pub lost: u64,
    /// The causes they were given.
    pub causes: Vec<GapCause>,
}

/// Reads a `wire.log` back.
pub(super) fn replay(log: &Path) -> Result<Recorded, String> {
    let mut replay = Replay::open(log).map_err(|fault| fault.to_string())?;
    let mut recorded = Recorded::default();
    let mut known = false;
    while let Some(output) = replay.next_output().map_err(|fault| fault.to_string())? {
        match output {
            Output::Board { .. } => known = true,
            Output::Reading(reading) if known => recorded.readings.push((reading.index, reading.codes)),
            Output::Gap(gap) => {
                recorded.lost += gap.readings;
                recorded.causes.push(gap.cause);
            }
            _ => {}
        }
    }
    Ok(recorded)
}

/// Rows of `readings.csv` that came to an end, as index and whether both currents are there; an error names a row that
/// is none.
pub(super) fn whole_rows(csv: &Path) -> Result<Vec<u64>, String> {
    let text = std::fs::read_to_string(csv).map_err(|error| format!("{}: {error}", csv.display()))?;
    let whole = text.rfind('\n').map_or("", |end| &text[..=end]);
    let mut rows = whole.split_terminator("\r\n");
    let columns = rows.next().unwrap_or_default().split(',').count();
    let mut indices = Vec::new();
    for row in rows {
        let cells: Vec<&str> = row.split(',').collect();
        if cells.len() != columns {
            return Err(format!(
                "a whole row has {} of {columns} cells: {row}",
                cells.len()
            ));
        }
        // A row that states a gap bears an index too, and no current.
        if cells[3].is_empty() {
            let index = cells[2]
                .parse()
                .map_err(|_| format!("a row without a number: {row}"))?;
            indices.push(index);
        }
    }
    Ok(indices)
}
