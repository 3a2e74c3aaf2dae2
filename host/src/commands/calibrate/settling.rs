//! Whether a figure stands still.

use std::collections::VecDeque;

/// The figure over the last seconds.
///
/// It stands still when its mean over the later half of the window is no further from that over the earlier half than the
/// tolerance; what wanders within either half is left to the fit, whose uncertainty heeds it.
#[derive(Clone, Debug)]
pub(super) struct Settling {
    window_s: f64,
    values: VecDeque<(f64, f64)>,
}

impl Settling {
    pub(super) const fn new(window_s: f64) -> Self {
        Self {
            window_s,
            values: VecDeque::new(),
        }
    }

    /// Takes the figure at a time, in seconds that never decrease; one that is missing begins anew.
    pub(super) fn take(&mut self, at_s: f64, value: Option<f64>) {
        let Some(value) = value else {
            self.values.clear();
            return;
        };
        self.values.push_back((at_s, value));
        while self
            .values
            .front()
            .is_some_and(|(first_s, _)| at_s - first_s > self.window_s)
        {
            self.values.pop_front();
        }
    }

    /// By how much the later half of the window lies from the earlier one; `None` before the window is full.
    pub(super) fn moved(&self) -> Option<f64> {
        let (first_s, last_s) = (self.values.front()?.0, self.values.back()?.0);
        if last_s - first_s < 0.9 * self.window_s {
            return None;
        }
        let middle_s = 0.5 * (first_s + last_s);
        let mean = |later: bool| {
            let half: Vec<f64> = self
                .values
                .iter()
                .filter(|(at_s, _)| (*at_s > middle_s) == later)
                .map(|(_, value)| *value)
                .collect();
            half.iter().sum::<f64>() / half.len() as f64
        };
        Some((mean(true) - mean(false)).abs())
    }

    /// The latest figure.
    pub(super) fn latest(&self) -> Option<f64> {
        self.values.back().map(|(_, value)| *value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1 A reached with a time constant of 2 s: within 1 mA from half to half of 5 s when e^(−t/2) has fallen so far.
    #[test]
    fn it_waits_for_an_exponential_and_not_for_ever() {
        let mut settling = Settling::new(5.0);
        let settled_s = (0..100).map(|half| f64::from(half) * 0.5).find(|&at_s| {
            settling.take(at_s, Some(1.0 - (-at_s / 2.0).exp()));
            settling.moved().is_some_and(|moved| moved <= 1e-3)
        });
        assert!((15.0..20.0).contains(&settled_s.unwrap()), "{settled_s:?}");
    }

    #[test]
    fn a_reading_that_is_missing_begins_anew() {
        let mut settling = Settling::new(2.0);
        for half in 0..5 {
            settling.take(f64::from(half) * 0.5, Some(1.0));
        }
        assert_eq!(settling.moved(), Some(0.0));
        settling.take(2.5, None);
        assert_eq!(settling.moved(), None);
    }
}
