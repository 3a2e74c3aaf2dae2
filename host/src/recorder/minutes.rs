//! `minutes.csv`: minimum, mean, maximum and standard deviation of each interval.

use crate::stream::{Gap, Reading, When};
use crate::units::Units;

use super::csv_rows::{ROW_END, TEMPERATURE_DECIMALS, put, put_value, put_when};

/// Header of `minutes.csv`.
pub(super) const HEADER: &str = "utc,elapsed_s,interval_s,readings,lost_readings,\
    ch1_current_a,ch1_current_min_a,ch1_current_max_a,ch1_current_sd_a,\
    ch2_current_a,ch2_current_min_a,ch2_current_max_a,ch2_current_sd_a,\
    ch1_rail_v,ch1_rail_min_v,ch1_rail_max_v,ch2_rail_v,ch2_rail_min_v,ch2_rail_max_v,\
    ch1_temperature_c,ch2_temperature_c\r\n";

/// More decimals for a mean of many readings than for one.
const MEAN_DECIMALS: usize = 2;

/// Count, mean, spread and extremes, by the recurrence of Welford (Technometrics 4, 1962).
#[derive(Clone, Copy, Debug)]
struct Running {
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

    fn known(&self, value: f64) -> Option<f64> {
        (self.count > 0).then_some(value)
    }

    /// Of the readings, with n − 1.
    fn standard_deviation(&self) -> Option<f64> {
        (self.count > 1).then(|| (self.squares / (self.count - 1) as f64).sqrt())
    }
}

/// Collects the interval in progress.
#[derive(Debug)]
pub(super) struct Minutes {
    interval_us: i64,
    open: Option<Interval>,
}

#[derive(Clone, Copy, Debug)]
struct Interval {
    number: i64,
    start: When,
    readings: u64,
    lost: u64,
    current: [Running; 2],
    rail: [Running; 2],
    temperature: [Running; 2],
}

impl Minutes {
    pub(super) fn new(interval_us: u64) -> Self {
        Self {
            interval_us: i64::try_from(interval_us).unwrap_or(i64::MAX).max(1),
            open: None,
        }
    }

    pub(super) fn take_reading(&mut self, text: &mut String, reading: &Reading, units: &Units) {
        let Some(interval) = self.interval_at(text, reading.when, units) else {
            return;
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
    }

    pub(super) fn take_gap(&mut self, text: &mut String, gap: &Gap, units: &Units) {
        match self.interval_at(text, gap.when, units) {
            Some(interval) => interval.lost += gap.readings,
            // A loss whose beginning is not known belongs to the interval that stands open.
            None => {
                if let Some(interval) = &mut self.open {
                    interval.lost += gap.readings;
                }
            }
        }
    }

    /// The interval of an instant; one that is over is written first.
    fn interval_at(&mut self, text: &mut String, when: When, units: &Units) -> Option<&mut Interval> {
        let number = when.elapsed_us?.div_euclid(self.interval_us);
        if self.open.is_some_and(|interval| interval.number != number) {
            self.close(text, units);
        }
        Some(self.open.get_or_insert(Interval {
            number,
            start: when,
            readings: 0,
            lost: 0,
            current: Default::default(),
            rail: Default::default(),
            temperature: Default::default(),
        }))
    }

    /// Writes the interval in progress.
    pub(super) fn close(&mut self, text: &mut String, units: &Units) {
        let Some(interval) = self.open.take() else { return };
        put_when(text, interval.start);
        let interval_s = self.interval_us as f64 * 1e-6;
        put!(text, "{interval_s},{},{}", interval.readings, interval.lost);
        for (running, scale) in interval.current.iter().zip(&units.channels) {
            let decimals = scale.current_decimals();
            put_value(text, running.known(running.mean), decimals + MEAN_DECIMALS);
            put_value(text, running.known(running.min), decimals);
            put_value(text, running.known(running.max), decimals);
            put_value(text, running.standard_deviation(), decimals + MEAN_DECIMALS);
        }
        for (running, scale) in interval.rail.iter().zip(&units.channels) {
            let decimals = scale.rail_decimals();
            put_value(text, running.known(running.mean), decimals);
            put_value(text, running.known(running.min), decimals);
            put_value(text, running.known(running.max), decimals);
        }
        for running in &interval.temperature {
            put_value(text, running.known(running.mean), TEMPERATURE_DECIMALS);
        }
        text.push_str(ROW_END);
    }
}
