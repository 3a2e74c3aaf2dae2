//! `minutes.csv`: minimum, mean, maximum and standard deviation of each interval.
//!
//! [`Minutes`] gives whole intervals as figures, [`put_interval`] writes one as a row; `steady export` uses both.

use crate::stream::{Gap, Reading, When};
use crate::units::Units;

use super::csv_rows::{ROW_END, TEMPERATURE_DECIMALS, put, put_value, put_when};

/// Header of `minutes.csv`.
pub(crate) const HEADER: &str = "utc,elapsed_s,interval_s,readings,lost_readings,\
    ch1_current_a,ch1_current_min_a,ch1_current_max_a,ch1_current_sd_a,\
    ch2_current_a,ch2_current_min_a,ch2_current_max_a,ch2_current_sd_a,\
    ch1_rail_v,ch1_rail_min_v,ch1_rail_max_v,ch2_rail_v,ch2_rail_min_v,ch2_rail_max_v,\
    ch1_temperature_c,ch2_temperature_c\r\n";

/// More decimals for a mean of many readings than for one.
const MEAN_DECIMALS: usize = 2;

/// Count, mean, spread and extremes, by the recurrence of Welford (Technometrics 4, 1962).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Running {
    count: u64,
    mean: f64,
    squares: f64,
    min: f64,
    max: f64,
}

impl Default for Running {
    fn default() -> Self {
        Self {
            count: 0,
            mean: 0.0,
            squares: 0.0,
            min: f64::INFINITY,
            max: f64::NEG_INFINITY,
        }
    }
}

impl Running {
    fn take(&mut self, value: f64) {
        self.count += 1;
        let from_mean = value - self.mean;
        self.mean += from_mean / self.count as f64;
        self.squares += from_mean * (value - self.mean);
        self.take_extremes(value, value);
    }

    fn take_extremes(&mut self, low: f64, high: f64) {
        self.min = self.min.min(low);
        self.max = self.max.max(high);
    }

    /// Mean, lowest and highest; `None` when nothing was taken.
    pub(crate) fn figures(&self) -> [Option<f64>; 3] {
        [self.mean, self.min, self.max].map(|value| (self.count > 0).then_some(value))
    }

    /// Of the readings, with n − 1.
    pub(crate) fn standard_deviation(&self) -> Option<f64> {
        (self.count > 1).then(|| (self.squares / (self.count - 1) as f64).sqrt())
    }
}

/// Collects the interval in progress.
#[derive(Debug)]
pub(crate) struct Minutes {
    interval_us: i64,
    open: Option<Interval>,
}

/// The readings of one interval of board time.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Interval {
    number: i64,
    /// When the first reading of it, or the first one missing, was due.
    pub(crate) start: When,
    /// From one interval to the next, in seconds.
    pub(crate) length_s: f64,
    /// Reading instants in it.
    pub(crate) readings: u64,
    /// Reading instants that never arrived.
    pub(crate) lost: u64,
    /// Currents in amperes.
    pub(crate) current: [Running; 2],
    /// Rail voltages in volts.
    pub(crate) rail: [Running; 2],
    /// Thermistors in degrees Celsius.
    pub(crate) temperature: [Running; 2],
}

impl Minutes {
    pub(crate) fn new(interval_us: u64) -> Self {
        Self {
            interval_us: i64::try_from(interval_us).unwrap_or(i64::MAX).max(1),
            open: None,
        }
    }

    /// Takes a reading; gives the interval that is over with it.
    pub(crate) fn take_reading(&mut self, reading: &Reading) -> Option<Interval> {
        let over = self.begin_at(reading.when);
        if reading.when.elapsed_us.is_none() {
            return over;
        }
        let Some(interval) = &mut self.open else {
            return over;
        };
        interval.readings += 1;
        for channel in [0, 1] {
            if let Some(current_a) = reading.current_a[channel] {
                interval.current[channel].take(current_a);
            }
            let Some(slow) = &reading.slow else { continue };
            if let Some([latest, lowest, highest]) = slow.rail_v[channel] {
                interval.rail[channel].take(latest);
                interval.rail[channel].take_extremes(lowest, highest);
            }
            if let Some(celsius) = slow.temperature_c[channel] {
                interval.temperature[channel].take(celsius);
            }
        }
        over
    }

    /// Takes a gap; gives the interval that is over with it. A loss whose beginning is not known belongs to the interval
    /// that stands open.
    pub(crate) fn take_gap(&mut self, gap: &Gap) -> Option<Interval> {
        let over = self.begin_at(gap.when);
        if let Some(interval) = &mut self.open {
            interval.lost += gap.readings;
        }
        over
    }

    /// Opens the interval of an instant, if that is known; gives the one that is over.
    fn begin_at(&mut self, when: When) -> Option<Interval> {
        let number = when.elapsed_us?.div_euclid(self.interval_us);
        let over = self.open.take_if(|interval| interval.number != number);
        self.open.get_or_insert(Interval {
            number,
            start: when,
            length_s: self.interval_us as f64 * 1e-6,
            readings: 0,
            lost: 0,
            current: Default::default(),
            rail: Default::default(),
            temperature: Default::default(),
        });
        over
    }

    /// Gives the interval in progress.
    pub(crate) const fn close(&mut self) -> Option<Interval> {
        self.open.take()
    }
}

/// A row of `minutes.csv`.
pub(crate) fn put_interval(text: &mut String, interval: &Interval, units: &Units) {
    put_when(text, interval.start);
    put!(
        text,
        "{},{},{}",
        interval.length_s,
        interval.readings,
        interval.lost
    );
    for (running, scale) in interval.current.iter().zip(&units.channels) {
        let decimals = scale.current_decimals();
        let [mean, min, max] = running.figures();
        put_value(text, mean, decimals + MEAN_DECIMALS);
        put_value(text, min, decimals);
        put_value(text, max, decimals);
        put_value(text, running.standard_deviation(), decimals + MEAN_DECIMALS);
    }
    for (running, scale) in interval.rail.iter().zip(&units.channels) {
        for value in running.figures() {
            put_value(text, value, scale.rail_decimals());
        }
    }
    for running in &interval.temperature {
        put_value(text, running.figures()[0], TEMPERATURE_DECIMALS);
    }
    text.push_str(ROW_END);
}
