//! The trace of the last moments in narrow columns, for a page that is drawn as readings come.

use std::collections::VecDeque;

use super::view::RecentView;

/// Length of a column, in microseconds: at 1000 readings/s five readings.
const COLUMN_US: i64 = 5_000;

/// Columns kept for a page that has not asked yet: two seconds.
const KEPT_MAX: usize = 400;

/// Extremes of both channels; `NAN` until there is a reading.
type Column = [[f32; 2]; 2];

const EMPTY: Column = [[f32::NAN; 2]; 2];

/// Columns that nobody has taken yet, the last one still growing.
#[derive(Clone, Debug, Default)]
pub(super) struct Columns {
    /// Number of the first column kept, counted from the run's first reading.
    first: i64,
    kept: VecDeque<Column>,
}

impl Columns {
    pub(super) fn take(&mut self, elapsed_us: i64, current_a: [Option<f64>; 2]) {
        let number = elapsed_us.div_euclid(COLUMN_US);
        let place = number - self.first;
        if self.kept.is_empty() || place < 0 || place >= (self.kept.len() + KEPT_MAX) as i64 {
            self.kept.clear();
            self.first = number;
        }
        while self.first + (self.kept.len() as i64) <= number {
            self.kept.push_back(EMPTY);
            if self.kept.len() > KEPT_MAX {
                self.kept.pop_front();
                self.first += 1;
            }
        }
        let place = usize::try_from(number - self.first).unwrap_or(0);
        for (ends, current_a) in self.kept[place].iter_mut().zip(current_a) {
            if let Some(current_a) = current_a {
                let current_a = current_a as f32;
                *ends = [ends[0].min(current_a), ends[1].max(current_a)];
            }
        }
    }

    /// Takes the columns that are whole.
    pub(super) fn take_whole(&mut self) -> RecentView {
        let view = self.whole();
        self.kept.drain(..view.ch1_min.len());
        self.first += view.ch1_min.len() as i64;
        view
    }

    /// The columns that are whole.
    pub(super) fn whole(&self) -> RecentView {
        let count = self.kept.len().saturating_sub(1);
        let mut view = RecentView {
            start_elapsed_s: (self.first * COLUMN_US) as f64 * 1e-6,
            column_s: COLUMN_US as f64 * 1e-6,
            ..RecentView::default()
        };
        let known = |value: f32| (!value.is_nan()).then_some(value);
        for [one, two] in self.kept.iter().take(count) {
            view.ch1_min.push(known(one[0]));
            view.ch1_max.push(known(one[1]));
            view.ch2_min.push(known(two[0]));
            view.ch2_max.push(known(two[1]));
        }
        view
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_reading_is_in_one_column_and_gaps_are_empty() {
        let mut columns = Columns::default();
        for index in 0..23_i64 {
            // Readings 10 to 14 are missing altogether, and channel 2 of reading 3 is.
            if !(10..15).contains(&index) {
                let second = (index != 3).then_some(-(index as f64));
                columns.take(index * 1_000, [Some(index as f64), second]);
            }
        }
        let view = columns.take_whole();
        assert_eq!(view.start_elapsed_s, 0.0);
        assert_eq!(view.ch1_max, [Some(4.0), Some(9.0), None, Some(19.0)]);
        assert_eq!(view.ch2_min, [Some(-4.0), Some(-9.0), None, Some(-19.0)]);
        columns.take(25_000, [Some(1.0), None]);
        let view = columns.take_whole();
        assert_eq!((view.start_elapsed_s, view.ch1_max), (0.02, vec![Some(22.0)]));
        assert_eq!(view.ch2_max, [Some(-20.0)]);
        // A jump of hours takes no memory.
        columns.take(40_000_000_000, [Some(1.0), None]);
        assert!(columns.take_whole().ch1_min.len() <= KEPT_MAX);
    }
}
