//! The map from board time to UTC.

use std::collections::VecDeque;

use jiff::Timestamp;
use steadybench_protocol::BoardTime;

use super::estimate::{Estimator, Point};
use super::exchange::Exchange;

/// What is published approaches the estimate within so many seconds of board time.
const APPROACH_S: f64 = 30.0;

/// And by no more than 500 ppm, the rate at which operating systems slew their clocks.
const APPROACH_MAX: f64 = 500e-6;

/// Host clocks that disagree by more than this during one exchange were set, or the host slept.
const DISAGREEMENT_MAX_NS: i128 = 1_000_000;

/// So many exchanges in a row must agree on a step before it is believed; the best of them says its size.
const STEP_WITNESSES: usize = 4;

/// After a pause this long, in seconds, a step smaller than the map's bound could have gone unnoticed.
const PAUSE_S: f64 = 60.0;

/// Pieces of the published line that are kept, one for each exchange: enough for readings an hour old.
const PIECES: usize = 4096;

/// UTC of an instant, and how far the truth may lie on either side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UtcInstant {
    /// UTC, in the time base that the host's clock had when the map began.
    pub utc: Timestamp,
    /// Half-width of the interval that holds the truth, in seconds: about half the least delay of the exchanges.
    pub bound_s: f64,
}

/// Host and board no longer agree as they did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockStep {
    /// When it was noticed.
    pub board_time: BoardTime,
    /// By how much the host's clock is now ahead of where it was, in seconds of UTC.
    pub step_s: f64,
    /// Which clock it was.
    pub cause: StepCause,
}

/// Which clock a step was of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StepCause {
    /// The host's clock was set: its UTC moved against its own monotonic clock.
    HostClock,
    /// The host's two clocks still agree, so it was the board's that lost or gained: it stood still, or is emulated on a
    /// machine too slow for it. Times of readings from either side of the step are less far apart than UTC says.
    BoardClock,
}

/// Maps board time to UTC from two-way exchanges; the module's page says how.
///
/// ```
/// use steadybench_host::clock::{ClockMap, Exchange, HostTime};
/// use steadybench_protocol::BoardTime;
///
/// let host = |ms: i64| HostTime { utc_ns: 1_790_000_000_000_000_000 + ms * 1_000_000, monotonic_ns: ms as u64 * 1_000_000 };
/// let mut map = ClockMap::new();
/// map.take(&Exchange {
///     host_send: host(0),
///     board_receive: BoardTime::from_micros(5_000_500),
///     board_send: BoardTime::from_micros(5_000_500),
///     host_receive: host(1),
/// });
/// let instant = map.utc(BoardTime::from_micros(5_000_500)).expect("one exchange is enough to begin");
/// assert_eq!(instant.utc.as_nanosecond(), 1_790_000_000_000_500_000);
/// assert!(instant.bound_s <= 0.000_501);
/// ```
#[derive(Clone, Debug, Default)]
pub struct ClockMap {
    anchor: Option<Anchor>,
    /// What the host's clock has been set forward by since the run began; taken off every later stamp.
    stepped_ns: i128,
    estimator: Estimator,
    suspects: Option<Suspects>,
    /// How far the time base itself may have moved unnoticed: by what the sizes of steps were not known to, and by what
    /// a pause could have hidden.
    base_bound_s: f64,
    last_x_s: f64,
    /// Host UTC less its monotonic clock, as the last exchange that was believed found them.
    host_apart_ns: i128,
    published: VecDeque<Piece>,
}

#[derive(Clone, Copy, Debug)]
struct Anchor {
    board_ns: i128,
    utc_ns: i128,
}

/// Exchanges that do not meet the map but each other: how many, and the best one's surplus over the map.
#[derive(Clone, Copy, Debug)]
struct Suspects {
    count: usize,
    surplus_s: f64,
    half_delay_s: f64,
}

/// From `x_s` on, the published line goes through `y_s` with `slope`.
#[derive(Clone, Copy, Debug)]
struct Piece {
    x_s: f64,
    y_s: f64,
    slope: f64,
}

impl Piece {
    fn at(&self, x_s: f64) -> f64 {
        self.y_s + self.slope * (x_s - self.x_s)
    }
}

/// Nanoseconds to seconds; exact to a nanosecond within a hundred days.
fn seconds(ns: i128) -> f64 {
    ns as f64 * 1e-9
}

impl ClockMap {
    /// A map that knows nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The map for the same board after it has started anew: board time begins again, the time base stays.
    #[must_use]
    pub fn restarted(&self) -> Self {
        Self {
            stepped_ns: self.stepped_ns,
            base_bound_s: self.base_bound_s,
            ..Self::default()
        }
    }

    /// Takes an exchange. Returns a step when this exchange confirms that the host's clock was set.
    ///
    /// An exchange during which the host's clocks disagree, or whose delay is negative, is left out.
    pub fn take(&mut self, exchange: &Exchange) -> Option<ClockStep> {
        if exchange.host_disagreement_ns().abs() > DISAGREEMENT_MAX_NS || exchange.delay_ns() < 0 {
            return None;
        }
        let board_ns = exchange.board_middle_ns();
        let utc_ns = board_ns - exchange.offset_ns() - self.stepped_ns;
        let anchor = *self.anchor.get_or_insert(Anchor { board_ns, utc_ns });
        let x_s = seconds(board_ns - anchor.board_ns);
        let mut point = Point {
            x_s,
            y_s: seconds((utc_ns - anchor.utc_ns) - (board_ns - anchor.board_ns)),
            half_delay_s: seconds(exchange.delay_ns()) / 2.0,
        };

        let mut step = None;
        if let Some(estimate) = self.estimator.at(x_s) {
            let surplus_s = point.y_s - estimate.y_s;
            if surplus_s.abs() > point.half_delay_s + estimate.bound_s {
                let suspects = self.witness(surplus_s, point.half_delay_s, estimate.bound_s);
                if suspects.count < STEP_WITNESSES {
                    return None;
                }
                self.stepped_ns += (suspects.surplus_s * 1e9).round() as i128;
                self.base_bound_s += suspects.half_delay_s + estimate.bound_s;
                step = Some(self.clock_step(exchange, suspects.surplus_s));
                point.y_s -= suspects.surplus_s;
            } else if x_s - self.last_x_s > PAUSE_S {
                // A step that the map would have noticed was larger than this, whichever way its own error lay.
                self.base_bound_s += surplus_s.abs() + point.half_delay_s + estimate.bound_s;
            }
        }
        self.suspects = None;
        self.last_x_s = x_s;
        self.host_apart_ns = exchange.host_receive.apart_ns();
        self.estimator.take(point);
        self.publish(x_s);
        step
    }

    fn clock_step(&self, exchange: &Exchange, step_s: f64) -> ClockStep {
        let moved_ns = (exchange.host_receive.apart_ns() - self.host_apart_ns).abs();
        let cause = if moved_ns > DISAGREEMENT_MAX_NS {
            StepCause::HostClock
        } else {
            StepCause::BoardClock
        };
        ClockStep {
            board_time: exchange.board_receive,
            step_s,
            cause,
        }
    }

    /// Adds an exchange to the suspects it agrees with, or begins with it anew.
    fn witness(&mut self, surplus_s: f64, half_delay_s: f64, slack_s: f64) -> Suspects {
        let alone = Suspects {
            count: 1,
            surplus_s,
            half_delay_s,
        };
        let suspects = match self.suspects {
            Some(before)
                if (before.surplus_s - surplus_s).abs() <= before.half_delay_s + half_delay_s + slack_s =>
            {
                let best = if before.half_delay_s <= half_delay_s {
                    before
                } else {
                    alone
                };
                Suspects {
                    count: before.count + 1,
                    ..best
                }
            }
            _ => alone,
        };
        self.suspects = Some(suspects);
        suspects
    }

    fn publish(&mut self, x_s: f64) {
        let Some(estimate) = self.estimator.at(x_s) else {
            return;
        };
        let y_s = self.piece_at(x_s).map_or(estimate.y_s, |piece| piece.at(x_s));
        let approach = ((estimate.y_s - y_s) / APPROACH_S).clamp(-APPROACH_MAX, APPROACH_MAX);
        self.published.push_back(Piece {
            x_s,
            y_s,
            slope: estimate.slope + approach,
        });
        if self.published.len() > PIECES {
            self.published.pop_front();
        }
    }

    fn piece_at(&self, x_s: f64) -> Option<&Piece> {
        let after = self.published.partition_point(|piece| piece.x_s <= x_s);
        self.published.get(after.saturating_sub(1))
    }

    /// UTC of `time` with its bound, or `None` before the first exchange.
    ///
    /// Within one boot of the board the answers for later times are later, whatever the host's clock did meanwhile.
    #[must_use]
    pub fn utc(&self, time: BoardTime) -> Option<UtcInstant> {
        let anchor = self.anchor?;
        let elapsed_ns = i128::from(time.as_micros()) * 1_000 - anchor.board_ns;
        let x_s = seconds(elapsed_ns);
        let y_s = self.piece_at(x_s)?.at(x_s);
        let estimate = self.estimator.at(x_s)?;
        let utc =
            Timestamp::from_nanosecond(anchor.utc_ns + elapsed_ns + (y_s * 1e9).round() as i128).ok()?;
        Some(UtcInstant {
            utc,
            bound_s: estimate.bound_s + self.base_bound_s + (y_s - estimate.y_s).abs(),
        })
    }

    /// How fast the host's UTC runs against the board's crystal, in parts per million, with its bound: the mean over
    /// the time since the first exchange. Positive: the board is slow.
    #[must_use]
    pub fn rate_ppm(&self) -> Option<(f64, f64)> {
        self.estimator
            .mean_rate()
            .map(|(rate, bound)| (rate * 1e6, bound * 1e6))
    }

    /// By how much the host's clock has been set forward since the run began, in seconds.
    #[must_use]
    pub fn stepped_s(&self) -> f64 {
        seconds(self.stepped_ns)
    }
}
