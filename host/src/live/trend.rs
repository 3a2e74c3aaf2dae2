//! How one channel stands at present: its mean over half a second with a bound, and a word.
//!
//! The word is for the eye at the bench and no finding: a line by least squares through the half-second means of the last
//! ten seconds. It is *changing* when the slope's 99.9 % interval leaves out zero and the change over the ten seconds is
//! more than 0.2 % of the current, or when the means scatter about the line by more than 1 % of the current and more than
//! single readings do (common practice, no source), else *steady*. Findings are the examinations'.

use std::collections::VecDeque;

use steadybench_analysis::calibration::{ChannelCalibration, CodeReading, MonitorSetting};
use steadybench_analysis::statistics::{RunningMoments, fit_line};
use steadybench_protocol::limits::{CURRENT_CODE_MAX, CURRENT_CODE_MIN};

/// The shown current is the mean over so much board time, in microseconds.
pub(super) const SHOWN_OVER_US: i64 = 500_000;

/// Means that the word looks back on.
const MEANS_MAX: usize = 20;

/// Fewer means say nothing.
const MEANS_MIN: usize = 6;

/// A channel that read nothing for so long has no reading.
const SILENT_US: i64 = 1_000_000;

/// A fault makes a channel intermittent for so long.
const FAULT_US: i64 = 10_000_000;

/// Share of the current that a change in ten seconds must exceed.
const CHANGE_SHARE: f64 = 2e-3;

/// Share of the current by which the means may scatter; more is no steady current, unless a reading's own noise is more.
const SCATTER_SHARE: f64 = 1e-2;

/// What is known of a channel's corrections and of how its chip is set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Known {
    pub(super) calibration: ChannelCalibration,
    pub(super) setting: MonitorSetting,
}

/// One channel as it comes.
#[derive(Clone, Debug, Default)]
pub(super) struct Trend {
    codes: RunningMoments,
    means: VecDeque<(f64, f64)>,
    shown_a: Option<f64>,
    uncertainty_a: Option<f64>,
    /// Standard deviation of a reading within the last half second.
    noise_a: f64,
    first_us: Option<i64>,
    latest_us: Option<i64>,
    clipped_us: Option<i64>,
    fault_us: Option<i64>,
}

impl Trend {
    pub(super) fn take(&mut self, elapsed_us: i64, code: Option<i32>) {
        self.first_us.get_or_insert(elapsed_us);
        let Some(code) = code else { return };
        self.latest_us = Some(elapsed_us);
        if code <= CURRENT_CODE_MIN || code >= CURRENT_CODE_MAX {
            self.clipped_us = Some(elapsed_us);
        }
        self.codes.push(f64::from(code));
    }

    pub(super) fn take_fault(&mut self, elapsed_us: i64) {
        self.fault_us = Some(elapsed_us);
    }

    /// Half a second is over: makes its mean, where there is one.
    pub(super) fn close(
        &mut self,
        at_us: i64,
        current_a: impl Fn(f64) -> f64,
        known: Option<&Known>,
        board_c: f64,
    ) {
        let codes = std::mem::take(&mut self.codes);
        if codes.count() == 0 {
            (self.shown_a, self.uncertainty_a) = (None, None);
            return;
        }
        let mean_a = current_a(codes.mean());
        let step_a = current_a(1.0) - current_a(0.0);
        self.noise_a = (codes.standard_deviation() * step_a).abs();
        if self.noise_a.is_nan() {
            self.noise_a = 0.0;
        }
        if self.means.len() == MEANS_MAX {
            self.means.pop_front();
        }
        self.means.push_back((at_us as f64 * 1e-6, mean_a));
        self.shown_a = Some(mean_a);
        self.uncertainty_a = known.and_then(|known| self.uncertainty(&codes, known, board_c));
    }

    /// Half the width of the mean's 95 % interval. Its scatter is that of the means from one to the next where that is
    /// larger than what independent readings would have: they need not be independent.
    fn uncertainty(&self, codes: &RunningMoments, known: &Known, board_c: f64) -> Option<f64> {
        let count = codes.count() as f64;
        let per_code = known.calibration.current_a(1.0, known.setting.range)
            - known.calibration.current_a(0.0, known.setting.range);
        let standard_error = if count > 1.0 {
            let of_readings = codes.standard_deviation() / count.sqrt();
            let of_means = self.scatter_of_means_a().unwrap_or(0.0) / per_code.abs();
            Some((of_readings.max(of_means), (count - 1.0).min(MEANS_MAX as f64)))
        } else {
            None
        };
        let reading = CodeReading {
            code: codes.mean(),
            standard_error,
        };
        let budget = known
            .calibration
            .current_budget(&known.setting, reading, board_c)
            .ok()?;
        Some(budget.bounded(0.95).ok()?.half_width())
    }

    /// Standard deviation of a half-second mean, from the median magnitude of the differences of successive ones: a
    /// switch-on or a load's step is one difference, and a drift hardly any. The median magnitude of a normal deviate is
    /// 0.6745 standard deviations, and a difference has √2 of them (NIST/SEMATECH e-Handbook, section 1.3.5.6, for the
    /// factor).
    fn scatter_of_means_a(&self) -> Option<f64> {
        if self.means.len() < MEANS_MIN {
            return None;
        }
        let mut magnitudes: Vec<f64> = self
            .means
            .iter()
            .zip(self.means.iter().skip(1))
            .map(|((_, before), (_, after))| (after - before).abs())
            .collect();
        magnitudes.sort_by(f64::total_cmp);
        let median_a = magnitudes[magnitudes.len() / 2];
        Some(median_a / (0.674_5 * std::f64::consts::SQRT_2))
    }

    fn line(&self) -> Option<steadybench_analysis::statistics::LineFit> {
        if self.means.len() < MEANS_MIN {
            return None;
        }
        let (times, means): (Vec<f64>, Vec<f64>) = self.means.iter().copied().unzip();
        let origin = times[0];
        let times: Vec<f64> = times.into_iter().map(|time| time - origin).collect();
        fit_line(&times, &means).ok()
    }

    pub(super) const fn shown_a(&self) -> Option<f64> {
        self.shown_a
    }

    pub(super) const fn uncertainty_a(&self) -> Option<f64> {
        self.uncertainty_a
    }

    /// Microseconds of board time since the last good reading.
    pub(super) fn silent_us(&self, now_us: i64) -> Option<i64> {
        self.latest_us.map(|latest_us| now_us - latest_us)
    }

    /// The word and why, at an instant of board time.
    pub(super) fn word(&self, now_us: i64) -> (&'static str, String) {
        let recent = |at: Option<i64>, within_us: i64| at.is_some_and(|at| now_us - at < within_us);
        if !recent(self.latest_us, SILENT_US) {
            let since = self
                .silent_us(now_us)
                .or(self.first_us.map(|first| now_us - first));
            let seconds = since.unwrap_or(0) as f64 * 1e-6;
            return ("no reading", format!("nothing was read for {seconds:.0} s"));
        }
        if recent(self.clipped_us, SILENT_US) {
            return ("clipped", "the current is past the end of the range".to_owned());
        }
        if let Some(fault_us) = self.fault_us
            && recent(self.fault_us, FAULT_US)
        {
            let ago = (now_us - fault_us) as f64 * 1e-6;
            return ("intermittent", format!("the last fault was {ago:.1} s ago"));
        }
        let (Some(line), Some(&(first, _)), Some(&(last, _))) =
            (self.line(), self.means.front(), self.means.back())
        else {
            return ("starting", "less than three seconds were read".to_owned());
        };
        let span_s = last - first;
        let change_a = line.slope * span_s;
        let level_a = line.at(span_s / 2.0).abs();
        let clear = line.slope_interval(0.999).is_ok_and(|slope| !slope.contains(0.0));
        let (change_ma, scatter_ma) = (change_a.abs() * 1e3, line.residual_sd * 1e3);
        if clear && change_a.abs() > CHANGE_SHARE * level_a {
            let way = if change_a > 0.0 { "rose" } else { "fell" };
            ("changing", format!("{way} by {change_ma:.3} mA in {span_s:.0} s"))
        } else if line.residual_sd > SCATTER_SHARE * level_a && line.residual_sd > self.noise_a {
            (
                "changing",
                format!("its half-second means scatter by {scatter_ma:.3} mA"),
            )
        } else {
            (
                "steady",
                format!("its half-second means scatter by {scatter_ma:.3} mA over {span_s:.0} s"),
            )
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use steadybench_analysis::calibration::{Shunt, ShuntRange};

    fn known() -> Known {
        let shunt = Shunt {
            nominal_ohm: 0.01,
            tolerance: 0.01,
            temperature_coefficient_per_k: 75e-6,
        };
        Known {
            calibration: ChannelCalibration::uncalibrated(shunt),
            setting: MonitorSetting {
                range: ShuntRange::Wide,
                conversion_time_us: 280,
                averages: 1,
            },
        }
    }

    /// Ten seconds of a code at 1000 readings/s with some noise of ±8 codes.
    fn fed(code: impl Fn(i64) -> Option<i32>) -> Trend {
        let mut trend = Trend::default();
        let mut random = 1_u32;
        for index in 0..10_000_i64 {
            random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = (random >> 28) as i32 - 8;
            trend.take(index * 1_000, code(index).map(|code| code + noise));
            if index % 500 == 499 {
                trend.close(index * 1_000, |code| code * 31.25e-6, Some(&known()), 25.0);
            }
        }
        trend
    }

    /// A second of nothing, then the unit is on: its current is known as well as any other, not as badly as if it had
    /// scattered over all of the step.
    #[test]
    fn a_switch_on_does_not_widen_the_bound() {
        let steady_a = fed(|_| Some(8_000)).uncertainty_a().unwrap();
        let after_a = fed(|index| Some(if index < 1_000 { 0 } else { 8_000 }))
            .uncertainty_a()
            .unwrap();
        assert!(after_a < 1.5 * steady_a, "{after_a} A against {steady_a} A");
    }

    #[test]
    fn each_word_at_its_time() {
        let now = 10_000_000;
        assert_eq!(fed(|_| Some(8_000)).word(now).0, "steady");
        assert_eq!(
            fed(|index| Some(8_000 + (index / 200) as i32)).word(now).0,
            "changing"
        );
        assert_eq!(
            fed(|index| (index < 8_000).then_some(8_000)).word(now).0,
            "no reading"
        );
        assert_eq!(
            fed(|_| None).word(now),
            ("no reading", "nothing was read for 10 s".into())
        );
        assert_eq!(fed(|_| Some(CURRENT_CODE_MAX + 8)).word(now).0, "clipped");
        let mut faulty = fed(|_| Some(8_000));
        faulty.take_fault(9_000_000);
        assert_eq!(faulty.word(now).0, "intermittent");
        assert_eq!(faulty.word(19_000_001).0, "no reading");
        assert_eq!(Trend::default().word(0).0, "no reading");
    }

    #[test]
    fn the_bound_is_the_budgets() {
        let trend = fed(|_| Some(8_000));
        // 250 mA: a 1 % shunt nobody calibrated gives 1.13 % at 95 %; the offset adds little, the scatter nothing.
        let share = trend.uncertainty_a().unwrap() / trend.shown_a().unwrap();
        assert!((0.0110..0.0125).contains(&share), "{share}");
    }
}
