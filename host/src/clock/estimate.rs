//! Offset and rate from the exchanges of least delay.
//!
//! Everything here is in seconds from an anchor that the map chose: `x` is board time, `y` is host UTC less board time.

use std::collections::VecDeque;

/// Exchanges of which the one with the least delay is kept: the stages of the clock filter of RFC 5905, section 10.
const GROUP: usize = 8;

/// The line goes through what was kept over so many seconds. Longer averages more, and believes longer that the
/// crystal's rate stands still.
const WINDOW_S: f64 = 300.0;

/// Kept whatever their age, so that a long pause does not leave the map without a rate.
const KEPT_MIN: usize = 4;

/// Largest departure of the crystal's rate from its mean over the window: 1 ppm. From memory: an AT-cut crystal near
/// room temperature moves by less than 0.1 ppm/K, and a board that warms up takes minutes for its 10 K.
const WANDER: f64 = 1e-6;

/// No crystal and no disciplined host clock is off by more than this; with ±30 ppm of the board's crystal (Abracon
/// ABM8-272-T3) the host's clock may still be 120 ppm off.
const RATE_MAX: f64 = 150e-6;

/// Delays shorter than this weigh no more: below it the stamps' own resolution of 1 µs, and the scheduler, decide.
const HALF_DELAY_FLOOR_S: f64 = 20e-6;

/// One exchange.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    pub(super) x_s: f64,
    pub(super) y_s: f64,
    pub(super) half_delay_s: f64,
}

/// The line's value somewhere.
#[derive(Clone, Copy, Debug)]
pub(super) struct Estimate {
    pub(super) y_s: f64,
    pub(super) bound_s: f64,
    /// Seconds of `y` per second of `x`.
    pub(super) slope: f64,
}

/// The exchanges kept.
#[derive(Clone, Debug, Default)]
pub(super) struct Estimator {
    kept: VecDeque<Point>,
    /// Best of the group in progress, and how many it has had.
    group: Option<(Point, usize)>,
    first: Option<Point>,
    /// What the line is at any place drawn from; `None` before the first exchange.
    moments: Option<Moments>,
}

/// Of the points' places, weighted.
#[derive(Clone, Copy, Debug)]
struct Moments {
    total: f64,
    middle: f64,
    /// About the middle, the prior included.
    spread: f64,
}

/// One observation of "no rate at all" holds the slope.
fn prior() -> f64 {
    RATE_MAX.powi(-2)
}

fn weight(point: &Point) -> f64 {
    point.half_delay_s.max(HALF_DELAY_FLOOR_S).powi(-2)
}

impl Estimator {
    /// Takes an exchange that the map found consistent.
    pub(super) fn take(&mut self, point: Point) {
        let (best, count) = match self.group {
            Some((best, count)) if best.half_delay_s <= point.half_delay_s => (best, count + 1),
            Some((_, count)) => (point, count + 1),
            None => (point, 1),
        };
        self.group = Some((best, count));
        // A first point must stand at once, and be a good one before the rate is drawn from it.
        if self
            .first
            .is_none_or(|first| self.kept.is_empty() && best.half_delay_s < first.half_delay_s)
        {
            self.first = Some(best);
        }
        if count == GROUP {
            self.kept.push_back(best);
            self.group = None;
            while self.kept.len() > KEPT_MIN && self.kept[0].x_s < point.x_s - WINDOW_S {
                self.kept.pop_front();
            }
        }
        self.moments = self.moments();
    }

    fn moments(&self) -> Option<Moments> {
        let total: f64 = self.points().map(weight).sum();
        if total == 0.0 {
            return None;
        }
        let middle = self.points().map(|point| weight(point) * point.x_s).sum::<f64>() / total;
        let spread = prior()
            + self
                .points()
                .map(|point| weight(point) * (point.x_s - middle).powi(2))
                .sum::<f64>();
        Some(Moments {
            total,
            middle,
            spread,
        })
    }

    fn points(&self) -> impl Iterator<Item = &Point> {
        self.kept.iter().chain(self.group.as_ref().map(|(best, _)| best))
    }

    /// The weighted line at `x_s`, or `None` before the first exchange.
    ///
    /// The line is a linear smoother: its value is Σ hᵢ yᵢ. Each yᵢ is within half its delay of the truth, so the value
    /// is within Σ |hᵢ| δᵢ/2, and the wander of the crystal adds at most its rate times the distance of each point. The
    /// slope is held by one observation of "no rate at all" with the spread of [`RATE_MAX`], which matters only until
    /// the points span a few seconds.
    pub(super) fn at(&self, x_s: f64) -> Option<Estimate> {
        let Moments {
            total,
            middle,
            spread,
        } = self.moments?;
        // Centred on the weighted middle, value and slope are independent; the prior touches the slope alone.
        let reach = (x_s - middle) / spread;
        let mut estimate = Estimate {
            y_s: 0.0,
            bound_s: (reach * prior()).abs() * RATE_MAX,
            slope: 0.0,
        };
        for point in self.points() {
            let share = weight(point) * (1.0 / total + reach * (point.x_s - middle));
            estimate.y_s += share * point.y_s;
            estimate.bound_s += share.abs() * (point.half_delay_s + WANDER * (point.x_s - x_s).abs());
            estimate.slope += weight(point) * (point.x_s - middle) * point.y_s / spread;
        }
        Some(estimate)
    }

    /// Mean rate since the first exchange and its bound, in seconds per second: the line from the first kept point to
    /// the latest, each within half its delay.
    pub(super) fn mean_rate(&self) -> Option<(f64, f64)> {
        let first = self.first?;
        let last = self.points().last()?;
        let span = last.x_s - first.x_s;
        (span > 0.0).then(|| {
            (
                (last.y_s - first.y_s) / span,
                (first.half_delay_s + last.half_delay_s) / span,
            )
        })
    }
}
