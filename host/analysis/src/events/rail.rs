//! The rail behind a shunt, watched for dips that explain a change of current.

/// A change of the rail below this share is no explanation.
const LEAST_CHANGE: f64 = 0.003;

/// The level follows with this time constant, in seconds: a rail may be read far less often than the current.
const FOLLOWS_S: f64 = 0.2;

/// Share of the way to a new reading that the level goes at most, so that one of them is not the level.
const MOST_SHARE: f64 = 0.25;

/// Follows one rail's voltage and its noise.
#[derive(Clone, Debug)]
pub(super) struct RailWatch {
    level_v: f64,
    noise_v: f64,
    last_s: f64,
    sum_v: f64,
    readings: u32,
}

impl RailWatch {
    pub(super) const fn new() -> Self {
        Self {
            level_v: f64::NAN,
            noise_v: 0.0,
            last_s: f64::NEG_INFINITY,
            sum_v: 0.0,
            readings: 0,
        }
    }

    /// Takes the voltage at an instant, if one was read; `away` while the current is away from its level.
    pub(super) fn push(&mut self, time_s: f64, rail_v: f64, away: bool) {
        if !rail_v.is_finite() {
            return;
        }
        let share = ((time_s - self.last_s) / FOLLOWS_S).clamp(0.0, MOST_SHARE);
        self.last_s = time_s;
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
        self.level_v += step * share;
        self.noise_v += (step.abs() - self.noise_v) * share;
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A board reads the rails ten times a second, whatever the rate of the currents.
    #[test]
    fn a_rail_read_seldom_is_followed_as_fast_as_one_read_often() {
        for every_s in [1e-3, 0.1] {
            let mut rail = RailWatch::new();
            let at = |rail: &mut RailWatch, from_s: f64, to_s: f64, rail_v: f64, away: bool| {
                let mut time_s = from_s;
                while time_s < to_s {
                    rail.push(time_s, rail_v, away);
                    time_s += every_s;
                }
            };
            at(&mut rail, 0.0, 2.0, 0.01, false);
            // Switched on; long afterwards a current that goes away has nothing to do with it.
            at(&mut rail, 2.0, 12.0, 24.0, false);
            at(&mut rail, 12.0, 12.2, 24.0, true);
            assert_eq!(rail.change(), None, "read every {every_s} s");
            at(&mut rail, 12.2, 20.0, 24.0, false);
            at(&mut rail, 20.0, 20.2, 22.8, true);
            let change = rail.change().unwrap();
            assert!(
                (change + 0.05).abs() < 1e-3,
                "{change} when read every {every_s} s"
            );
        }
    }
}
