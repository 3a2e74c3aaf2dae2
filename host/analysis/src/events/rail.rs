//! The rail behind a shunt, watched for dips that explain a change of current.

/// A change of the rail below this share is no explanation.
const LEAST_CHANGE: f64 = 0.003;

/// Follows one rail's voltage and its noise.
#[derive(Clone, Debug)]
pub(super) struct RailWatch {
    level_v: f64,
    noise_v: f64,
    share: f64,
    sum_v: f64,
    readings: u32,
}

impl RailWatch {
    pub(super) fn new(rate_hz: f64) -> Self {
        Self {
            level_v: f64::NAN,
            noise_v: 0.0,
            share: 1.0 / (0.2 * rate_hz).max(4.0),
            sum_v: 0.0,
            readings: 0,
        }
    }

    /// Takes a voltage; `away` while the current is away from its level.
    pub(super) fn push(&mut self, rail_v: f64, away: bool) {
        if !rail_v.is_finite() {
            return;
        }
        if away {
            self.sum_v += rail_v;
            self.readings += 1;
            return;
        }
        (self.sum_v, self.readings) = (0.0, 0);
        if self.level_v.is_nan() {
            self.level_v = rail_v;
        }
        let step = rail_v - self.level_v;
        self.level_v += step * self.share;
        self.noise_v += (step.abs() - self.noise_v) * self.share;
    }

    /// Relative change of the rail while the current was away, if it stands out of the rail's noise.
    pub(super) fn change(&self) -> Option<f64> {
        if self.readings == 0 || self.level_v.is_nan() || self.level_v == 0.0 {
            return None;
        }
        let step = self.sum_v / f64::from(self.readings) - self.level_v;
        let stands_out = step.abs() > 6.0 * self.noise_v && step.abs() > LEAST_CHANGE * self.level_v.abs();
        stands_out.then_some(step / self.level_v.abs())
    }
}
