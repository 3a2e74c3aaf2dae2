//! Bounded memory: readings of any rate become cells of a second, and of two, four, eight … when there are too many.

use crate::sample::Sample;

/// Cells for which room is made at once.
const GROWTH: usize = 4096;

/// A current over one cell.
#[derive(Clone, Copy, Debug)]
struct Current {
    /// Mean in amperes, or NaN when every reading was missing.
    mean: f64,
    /// Readings that were not missing.
    count: u32,
}

impl Current {
    const EMPTY: Self = Self {
        mean: f64::NAN,
        count: 0,
    };

    fn take(&mut self, value: f64) {
        if !value.is_finite() {
            return;
        }
        self.count += 1;
        let before = if self.count == 1 { value } else { self.mean };
        self.mean = before + (value - before) / f64::from(self.count);
    }

    fn joined(self, other: Self) -> Self {
        if self.count == 0 {
            return other;
        }
        if other.count == 0 {
            return self;
        }
        let (left, right) = (f64::from(self.count), f64::from(other.count));
        Self {
            mean: self.mean + (other.mean - self.mean) * right / (left + right),
            count: self.count + other.count,
        }
    }
}

/// A mean of values some of which may be missing.
#[derive(Clone, Copy, Debug)]
struct SlowMean {
    sum: f32,
    count: u32,
}

impl SlowMean {
    const EMPTY: Self = Self { sum: 0.0, count: 0 };

    fn take(&mut self, value: f64) {
        if value.is_finite() {
            self.sum += value as f32;
            self.count += 1;
        }
    }

    fn joined(self, other: Self) -> Self {
        Self {
            sum: self.sum + other.sum,
            count: self.count + other.count,
        }
    }

    fn value(self) -> f64 {
        if self.count == 0 {
            f64::NAN
        } else {
            f64::from(self.sum) / f64::from(self.count)
        }
    }
}

/// One cell of the recording.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cell {
    /// Time of the first reading in it, in seconds.
    pub(crate) time_s: f64,
    current: [Current; 2],
    rail: [SlowMean; 2],
    temperature: [SlowMean; 2],
}

impl Cell {
    fn at(time_s: f64) -> Self {
        Self {
            time_s,
            current: [Current::EMPTY; 2],
            rail: [SlowMean::EMPTY; 2],
            temperature: [SlowMean::EMPTY; 2],
        }
    }

    fn take(&mut self, sample: &Sample) {
        for channel in 0..2 {
            self.current[channel].take(sample.current_a[channel]);
            self.rail[channel].take(sample.rail_v[channel]);
            self.temperature[channel].take(sample.temperature_c[channel]);
        }
    }

    fn joined(self, other: Self) -> Self {
        let mut joined = self;
        for channel in 0..2 {
            joined.current[channel] = self.current[channel].joined(other.current[channel]);
            joined.rail[channel] = self.rail[channel].joined(other.rail[channel]);
            joined.temperature[channel] = self.temperature[channel].joined(other.temperature[channel]);
        }
        joined
    }

    /// Mean current in amperes, or NaN when every reading was missing.
    pub(crate) fn current_a(&self, channel: usize) -> f64 {
        self.current[channel].mean
    }

    /// Mean rail voltage, in volts.
    pub(crate) fn rail_v(&self, channel: usize) -> f64 {
        self.rail[channel].value()
    }

    /// Mean temperature, in degrees Celsius.
    pub(crate) fn temperature_c(&self, place: usize) -> f64 {
        self.temperature[place].value()
    }
}

/// The cells of a recording so far.
#[derive(Clone, Debug)]
pub(crate) struct Cells {
    width_s: f64,
    limit: usize,
    done: Vec<Cell>,
    open: Option<Cell>,
    previous_s: f64,
    /// Running estimate of the time between readings; the shortest seen lately, so that gaps do not count.
    interval_s: f64,
    /// Smallest step between neighbouring readings, in amperes: the resolution, once readings repeat.
    resolution_a: [f64; 2],
    last_a: [f64; 2],
}

impl Cells {
    pub(crate) fn new(width_s: f64, limit: usize) -> Self {
        Self {
            width_s,
            limit: limit.max(64),
            done: Vec::new(),
            open: None,
            previous_s: f64::NAN,
            interval_s: 0.0,
            resolution_a: [f64::INFINITY; 2],
            last_a: [f64::NAN; 2],
        }
    }

    pub(crate) fn push(&mut self, sample: &Sample) {
        self.learn(sample);
        // Half an interval of slack: readings once a second, each a little early or late, get a cell each.
        let full = self.width_s - 0.5 * self.interval_s.min(self.width_s);
        match &mut self.open {
            Some(cell) if sample.time_s - cell.time_s < full => cell.take(sample),
            open => {
                let mut cell = Cell::at(sample.time_s);
                cell.take(sample);
                if let Some(finished) = open.replace(cell) {
                    self.keep(finished);
                }
            }
        }
    }

    fn keep(&mut self, cell: Cell) {
        if self.done.len() == self.done.capacity() {
            // An hour and some at a time: doubling would hold twice what is there.
            self.done.reserve_exact(GROWTH);
        }
        self.done.push(cell);
        if self.done.len() >= self.limit {
            self.fold();
        }
    }

    fn learn(&mut self, sample: &Sample) {
        let interval = sample.time_s - self.previous_s;
        if interval > 0.0 {
            let known = self.interval_s > 0.0;
            self.interval_s = if known {
                self.interval_s.min(interval) * 0.99 + interval.min(2.0 * self.interval_s) * 0.01
            } else {
                interval
            };
        }
        self.previous_s = sample.time_s;
        for channel in 0..2 {
            let value = sample.current_a[channel];
            let step = (value - self.last_a[channel]).abs();
            // Steps at the rounding error of the arithmetic are no steps of a converter.
            if step > 1e-9 * value.abs() && step < self.resolution_a[channel] {
                self.resolution_a[channel] = step;
            }
            if value.is_finite() {
                self.last_a[channel] = value;
            }
        }
    }

    /// Doubles the cell width and joins neighbours, in the place where they stand.
    fn fold(&mut self) {
        self.width_s *= 2.0;
        let mut last = 0;
        for next in 1..self.done.len() {
            let cell = self.done[next];
            if cell.time_s - self.done[last].time_s < 0.75 * self.width_s {
                self.done[last] = self.done[last].joined(cell);
            } else {
                last += 1;
                self.done[last] = cell;
            }
        }
        self.done.truncate(last + 1);
    }

    /// Every cell, the one still open included.
    pub(crate) fn iter(&self) -> impl Iterator<Item = &Cell> {
        self.done.iter().chain(&self.open)
    }

    #[cfg(test)]
    fn len(&self) -> usize {
        self.done.len() + usize::from(self.open.is_some())
    }

    /// The smallest step seen between readings, in amperes; zero when there was none.
    pub(crate) fn resolution_a(&self, channel: usize) -> f64 {
        if self.resolution_a[channel].is_finite() {
            self.resolution_a[channel]
        } else {
            0.0
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(time_s: f64, current: f64) -> Sample {
        Sample {
            current_a: [current, f64::NAN],
            ..Sample::missing_at(time_s)
        }
    }

    #[test]
    fn jittered_seconds_get_a_cell_each() {
        let mut cells = Cells::new(1.0, 1000);
        for k in 0..100 {
            let late = 0.04 * f64::from(k * 7919 % 13 - 6) / 6.0;
            cells.push(&sample(f64::from(k) + late, 0.5));
        }
        assert_eq!(cells.len(), 100);
    }

    #[test]
    fn a_thousand_a_second_become_a_cell_and_memory_is_bounded() {
        let mut cells = Cells::new(1.0, 64);
        for k in 0..200_000_u32 {
            cells.push(&sample(f64::from(k) * 1e-3, f64::from(k % 2)));
        }
        assert!(cells.len() <= 64, "{}", cells.len());
        let count: u32 = cells.iter().map(|cell| cell.current[0].count).sum();
        assert_eq!(count, 200_000);
        assert!(cells.iter().all(|cell| (cell.current_a(0) - 0.5).abs() < 1e-3));
        assert_eq!(cells.iter().next().unwrap().current[1].count, 0);
    }
}
