//! One channel of a soak, from the grid to the settling fit.

use super::background::{noise_of_readings, running_median};
use super::grid::{Bins, Grid};
use super::intermittents::{Departure, Finder};
use super::noise::NoiseModel;
use super::regressors::Temperature;
use super::settling::{Effort, Settling, SettlingModel};
use super::shifts::{Shift, convincing, placed};
use super::warming::Warming;

/// Bins used for the slow questions at most.
const BINS: usize = 720;
/// z-value that a level shift must keep in the fit of the whole recording.
const SHIFT_STANDS: f64 = 4.5;
/// Level shifts looked for at most.
const SHIFTS: usize = 6;

/// Everything known of one channel.
pub(crate) struct Channel {
    pub(crate) number: usize,
    pub(crate) first: usize,
    pub(crate) resolution: f64,
    pub(crate) temperature: Temperature,
    pub(crate) masked: Vec<bool>,
    pub(crate) residual: Vec<f64>,
    pub(crate) noise: NoiseModel,
    pub(crate) shifts: Vec<Shift>,
    pub(crate) bins: Bins,
    /// The case temperature explained by the room's and its own warming, where both were measured.
    pub(crate) warming: Option<Warming>,
    pub(crate) settling: Option<Settling>,
}

/// Departures of one channel with the whitened residual they were found in.
pub(crate) struct Search {
    pub(crate) departures: Vec<Departure>,
    /// Size and standard deviation, in this channel, of each departure of the *other* channel.
    pub(crate) images: Vec<(f64, f64)>,
}

impl Channel {
    /// The channel with its slow course taken off by a running median.
    pub(crate) fn new(grid: &Grid, number: usize, resolution: f64) -> Self {
        let first = grid.first_live(number);
        let values = &grid.current_a[number];
        let mut masked = vec![false; values.len()];
        masked[..first].fill(true);
        let slow = running_median(&values[first..], grid.step_s);
        let mut residual = vec![f64::NAN; values.len()];
        for (index, line) in slow.iter().enumerate() {
            residual[first + index] = values[first + index] - line;
        }
        let noise = noise_of_readings(&residual, &masked, grid.step_s, resolution);
        let bins = Bins::new(grid, number, &masked, first, BINS);
        let temperature = match bins.temperature_c {
            [Some(_), _] => Temperature::Case,
            [None, Some(_)] => Temperature::Room,
            [None, None] => Temperature::Unknown,
        };
        let warming = Warming::of(&bins);
        let shifts = Vec::new();
        let settling = None;
        Self {
            number,
            first,
            resolution,
            temperature,
            masked,
            residual,
            noise,
            shifts,
            bins,
            warming,
            settling,
        }
    }

    /// Strikes out the readings of `departures`.
    pub(crate) fn mask(&mut self, departures: &[Departure]) {
        self.masked.fill(false);
        self.masked[..self.first].fill(true);
        for departure in departures {
            let end = (departure.tail + 1).min(self.masked.len());
            self.masked[departure.first.saturating_sub(1)..end].fill(true);
        }
    }

    /// Strikes out readings far from the slow course.
    pub(crate) fn mask_outliers(&mut self) {
        let noise = self.noise;
        let limit =
            6.0 * (noise.white_sd.powi(2) + noise.memory_sd[0].powi(2) + noise.memory_sd[1].powi(2)).sqrt();
        for (masked, residual) in self.masked.iter_mut().zip(&self.residual) {
            *masked |= residual.abs() > limit;
        }
    }

    fn shifts_s(&self, grid: &Grid) -> Vec<f64> {
        self.shifts
            .iter()
            .map(|shift| (shift.place - self.first) as f64 * grid.step_s)
            .collect()
    }

    /// Fits settling and drift to bins without the struck-out readings.
    pub(crate) fn fit(&mut self, grid: &Grid, effort: Effort) {
        self.bins = Bins::new(grid, self.number, &self.masked, self.first, BINS);
        if let Some(warming) = self
            .warming
            .as_ref()
            .filter(|_| self.bins.temperature_c[1].is_some())
        {
            self.bins.split_case(&warming.course);
        }
        if self.bins.present() < 20 {
            self.settling = None;
            return;
        }
        let shifts = self.shifts_s(grid);
        let model = SettlingModel::new(&self.bins, &shifts, self.temperature, self.resolution, effort);
        self.settling = model.solve(self.settling.as_ref());
    }

    /// Looks for level shifts, one after the other, refitting after each.
    pub(crate) fn find_shifts(&mut self, grid: &Grid, effort: Effort) {
        while self.shifts.len() < SHIFTS {
            let Some(settling) = &self.settling else { return };
            let shifts = self.shifts_s(grid);
            let model = SettlingModel::new(&self.bins, &shifts, self.temperature, self.resolution, effort);
            let scan = model.shift_scan(settling);
            let Some((boundary, _, _)) = convincing(&scan, model.shift_prior_sd()) else {
                return;
            };
            self.residual = self.without_trend(grid, &model, settling);
            let near = self.first + boundary * self.bins.places;
            let reach = (2 * self.bins.places).max(20);
            // An edge looks like an event to the running median; here it must not be struck out.
            let shown = near.saturating_sub(2 * reach)..(near + 2 * reach).min(self.masked.len());
            let before = self.masked.clone();
            self.masked[shown.start.max(self.first)..shown.end].fill(false);
            let shift = placed(
                &self.residual,
                &self.masked,
                &self.noise,
                grid.step_s,
                near,
                reach,
            );
            let taken = self
                .shifts
                .iter()
                .any(|other| other.place.abs_diff(shift.place) < self.bins.places);
            if taken || shift.z.abs() < 4.0 {
                return;
            }
            drop(model);
            self.shifts.push(shift);
            self.shifts.sort_by_key(|shift| shift.place);
            self.fit(grid, effort);
            if self.weigh_shifts(grid, effort) {
                // Seen from the whole recording it is none: an event's edge, or settling.
                self.masked = before;
                self.fit(grid, effort);
                return;
            }
        }
    }

    /// Takes sizes and z-values of the shifts from the fit; drops those that do not stand, and says whether any fell.
    pub(crate) fn weigh_shifts(&mut self, grid: &Grid, effort: Effort) -> bool {
        let Some(settling) = &self.settling else {
            return false;
        };
        let shifts = self.shifts_s(grid);
        let model = SettlingModel::new(&self.bins, &shifts, self.temperature, self.resolution, effort);
        let fitted = model.shifts(settling);
        drop(model);
        for (shift, (size, sd)) in self.shifts.iter_mut().zip(fitted) {
            shift.size = size;
            shift.z = size / sd;
        }
        let count = self.shifts.len();
        self.shifts.retain(|shift| shift.z.abs() > SHIFT_STANDS);
        self.shifts.len() < count
    }

    fn without_trend(&self, grid: &Grid, model: &SettlingModel<'_>, settling: &Settling) -> Vec<f64> {
        let values = &grid.current_a[self.number];
        (0..values.len())
            .map(|index| {
                if index < self.first {
                    return f64::NAN;
                }
                let time = (index - self.first) as f64 * grid.step_s;
                values[index] - model.trend_at(settling, time, true)
            })
            .collect()
    }

    /// Takes the fitted course off and fits the noise of single readings anew.
    pub(crate) fn take_trend_off(&mut self, grid: &Grid, effort: Effort) {
        let Some(settling) = &self.settling else { return };
        let shifts = self.shifts_s(grid);
        let model = SettlingModel::new(&self.bins, &shifts, self.temperature, self.resolution, effort);
        self.residual = self.without_trend(grid, &model, settling);
        self.noise = noise_of_readings(&self.residual, &self.masked, grid.step_s, self.resolution);
    }

    /// The settled current by the fit, or the median of the bins where there is none, in amperes.
    pub(crate) fn level(&self) -> f64 {
        self.settling.as_ref().map_or_else(
            || {
                let mut present: Vec<f64> = self
                    .bins
                    .value
                    .iter()
                    .zip(&self.bins.weight)
                    .filter(|(_, w)| **w > 0.0)
                    .map(|(v, _)| *v)
                    .collect();
                super::grid::median(&mut present)
            },
            |settling| settling.level.mean(),
        )
    }
}

/// Searches all channels, and measures each departure's image in the other channel.
pub(crate) fn search(channels: &[Channel], step_s: f64) -> Vec<Search> {
    let unmasked: Vec<Vec<bool>> = channels
        .iter()
        .map(|channel| {
            (0..channel.masked.len())
                .map(|index| index < channel.first)
                .collect()
        })
        .collect();
    let mut finders: Vec<Finder<'_>> = channels
        .iter()
        .zip(&unmasked)
        .map(|(channel, masked)| Finder::new(&channel.residual, masked, channel.noise, step_s))
        .collect();
    let inverses: Vec<Vec<f64>> = finders.iter().map(Finder::inverse_residual).collect();
    let originals: Vec<Finder<'_>> = channels
        .iter()
        .zip(&unmasked)
        .map(|(channel, masked)| Finder::new(&channel.residual, masked, channel.noise, step_s))
        .collect();
    let found: Vec<Vec<Departure>> = finders.iter_mut().map(Finder::find).collect();
    (0..channels.len())
        .map(|index| {
            let images = if channels.len() == 2 {
                let other = 1 - index;
                found[other]
                    .iter()
                    .map(|departure| originals[index].size_like(&inverses[index], departure))
                    .collect()
            } else {
                Vec::new()
            };
            Search {
                departures: found[index].clone(),
                images,
            }
        })
        .collect()
}
