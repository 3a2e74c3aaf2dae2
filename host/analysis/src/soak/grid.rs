//! The recording on an even grid, and coarser bins of it.

use super::cells::Cells;

/// Cells laid on an even grid; NaN where there is nothing.
#[derive(Clone, Debug)]
pub(crate) struct Grid {
    /// Distance of the places, in seconds.
    pub(crate) step_s: f64,
    /// Time of the first place, in seconds of the recording.
    pub(crate) start_s: f64,
    /// Mean currents, in amperes.
    pub(crate) current_a: [Vec<f64>; 2],
    /// Mean rails, in volts.
    pub(crate) rail_v: [Vec<f64>; 2],
    /// Mean temperatures, in degrees Celsius.
    pub(crate) temperature_c: [Vec<f64>; 2],
}

impl Grid {
    /// `None` when there are fewer than two cells.
    pub(crate) fn new(cells: &Cells) -> Option<Self> {
        let first = cells.iter().next()?.time_s;
        let times: Vec<f64> = cells.iter().map(|cell| cell.time_s).collect();
        let mut intervals: Vec<f64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let step_s = median(&mut intervals);
        if !(step_s.is_finite() && step_s > 0.0) {
            return None;
        }
        let length = ((times[times.len() - 1] - first) / step_s).round() as usize + 1;
        // A recording that is mostly gaps must not make a grid many times its size.
        let length = length.min(times.len().saturating_mul(16).max(1 << 16));
        let blank = || [vec![f64::NAN; length], vec![f64::NAN; length]];
        let mut grid = Self {
            step_s,
            start_s: first,
            current_a: blank(),
            rail_v: blank(),
            temperature_c: blank(),
        };
        for cell in cells.iter() {
            let place = ((cell.time_s - first) / step_s).round() as usize;
            if place >= length {
                break;
            }
            for k in 0..2 {
                put(&mut grid.current_a[k][place], cell.current_a(k));
                put(&mut grid.rail_v[k][place], cell.rail_v(k));
                put(&mut grid.temperature_c[k][place], cell.temperature_c(k));
            }
        }
        Some(grid)
    }

    pub(crate) fn len(&self) -> usize {
        self.current_a[0].len()
    }

    /// Time of place `index`, in seconds of the recording.
    pub(crate) fn time_s(&self, index: usize) -> f64 {
        self.start_s + index as f64 * self.step_s
    }

    /// The place from which channel `channel` carries current, for a recording begun before switch-on: the first at
    /// half the median or more.
    pub(crate) fn first_live(&self, channel: usize) -> usize {
        let values = &self.current_a[channel];
        let mut present: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
        let half = 0.5 * median(&mut present).abs();
        values.iter().position(|value| value.abs() >= half).unwrap_or(0)
    }
}

fn put(place: &mut f64, value: f64) {
    if value.is_finite() {
        *place = if place.is_finite() {
            0.5 * (*place + value)
        } else {
            value
        };
    }
}

/// Means over bins of a grid, for the slow questions.
#[derive(Clone, Debug)]
pub(crate) struct Bins {
    /// Width of a bin, in seconds.
    pub(crate) step_s: f64,
    /// Middle of each bin, in seconds after the beginning of the first.
    pub(crate) time_s: Vec<f64>,
    /// Mean current; zero where missing.
    pub(crate) value: Vec<f64>,
    /// Share of the bin that was there; zero where less than a fifth was.
    pub(crate) weight: Vec<f64>,
    /// Mean of each temperature, holes bridged by straight lines; `None` when a thermistor gave next to nothing.
    pub(crate) temperature_c: [Option<Vec<f64>>; 2],
    /// What an explained case temperature leaves over, in kelvin.
    pub(crate) leftover_k: Option<Vec<f64>>,
    /// Places of the grid in one bin.
    pub(crate) places: usize,
    /// Whether the value is itself a temperature.
    pub(crate) is_temperature: bool,
}

impl Bins {
    /// Bins of channel `channel`, at most `limit`, leaving out the places where `masked` is true.
    pub(crate) fn new(grid: &Grid, channel: usize, masked: &[bool], first: usize, limit: usize) -> Self {
        let length = grid.len() - first;
        let places = length.div_ceil(limit).max(1);
        let count = length / places;
        let mut bins = Self {
            step_s: places as f64 * grid.step_s,
            time_s: (0..count)
                .map(|k| (k as f64 + 0.5) * places as f64 * grid.step_s)
                .collect(),
            value: Vec::with_capacity(count),
            weight: Vec::with_capacity(count),
            temperature_c: [None, None],
            leftover_k: None,
            places,
            is_temperature: false,
        };
        let values = &grid.current_a[channel];
        for bin in 0..count {
            let range = first + bin * places..first + (bin + 1) * places;
            let (mut sum, mut present) = (0.0, 0_u32);
            for index in range {
                if !masked[index] && values[index].is_finite() {
                    sum += values[index];
                    present += 1;
                }
            }
            let share = f64::from(present) / places as f64;
            let enough = share >= 0.2;
            bins.value
                .push(if enough { sum / f64::from(present) } else { 0.0 });
            bins.weight.push(if enough { share } else { 0.0 });
        }
        for place in 0..2 {
            bins.temperature_c[place] = bridged(&grid.temperature_c[place][first..], places, count);
        }
        bins
    }

    /// Puts the explained `course` in place of the measured case temperature and keeps the difference.
    pub(crate) fn split_case(&mut self, course: &[f64]) {
        if let Some(case) = &mut self.temperature_c[0]
            && case.len() == course.len()
        {
            self.leftover_k = Some(
                case.iter()
                    .zip(course)
                    .map(|(seen, explained)| seen - explained)
                    .collect(),
            );
            case.copy_from_slice(course);
        }
    }

    /// Bins that hold something.
    pub(crate) fn present(&self) -> usize {
        self.weight.iter().filter(|weight| **weight > 0.0).count()
    }

    /// Length from the first to the last bin, in seconds.
    pub(crate) fn span_s(&self) -> f64 {
        self.time_s.len() as f64 * self.step_s
    }
}

fn bridged(values: &[f64], places: usize, count: usize) -> Option<Vec<f64>> {
    let mut known: Vec<(usize, f64)> = Vec::with_capacity(count);
    for (bin, chunk) in values.chunks(places).take(count).enumerate() {
        let (mut sum, mut present) = (0.0, 0_u32);
        for value in chunk.iter().filter(|value| value.is_finite()) {
            sum += value;
            present += 1;
        }
        if present > 0 {
            known.push((bin, sum / f64::from(present)));
        }
    }
    if known.len() * 2 < count {
        return None;
    }
    let mut line = vec![0.0; count];
    line[..known[0].0].fill(known[0].1);
    for pair in known.windows(2) {
        let ((from, low), (to, high)) = (pair[0], pair[1]);
        for (step, place) in line[from..to].iter_mut().enumerate() {
            *place = low + (high - low) * step as f64 / (to - from) as f64;
        }
    }
    let (last, value) = known[known.len() - 1];
    line[last..].fill(value);
    Some(line)
}

/// The median; the slice is reordered. NaN when empty.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    let middle = values.len() / 2;
    let (_, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let upper = *upper;
    if values.len() % 2 == 1 {
        return upper;
    }
    let lower = values[..middle].iter().copied().fold(f64::NEG_INFINITY, f64::max);
    0.5 * (lower + upper)
}
