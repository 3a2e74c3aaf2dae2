//! Virtual time: what waits for an instant is woken there, and nothing takes time but what says so.

use std::cell::Cell;
use std::future::poll_fn;
use std::rc::Rc;
use std::task::Poll;
use std::time::Duration;

use steadybench_protocol::BoardTime;

/// Now, and the earliest instant something waits for. Clones share them.
#[derive(Clone, Debug, Default)]
pub(crate) struct Timeline(Rc<Instants>);

#[derive(Debug, Default)]
struct Instants {
    now: Cell<Duration>,
    awaited: Cell<Option<Duration>>,
}

impl Timeline {
    /// Bench time: true time since the bench began.
    pub(crate) fn now(&self) -> Duration {
        self.0.now.get()
    }

    /// Moves on, never back.
    pub(crate) fn move_to(&self, instant: Duration) {
        self.0.now.set(self.now().max(instant));
    }

    /// Takes the earliest instant that was waited for since the last call.
    pub(crate) fn take_awaited(&self) -> Option<Duration> {
        self.0.awaited.take()
    }

    /// Waits for an instant of bench time.
    pub(crate) async fn until(&self, instant: Duration) {
        poll_fn(|_| {
            if self.now() >= instant {
                return Poll::Ready(());
            }
            let awaited = self.0.awaited.get().map_or(instant, |other| other.min(instant));
            self.0.awaited.set(Some(awaited));
            Poll::Pending
        })
        .await;
    }

    pub(crate) async fn pass(&self, length: Duration) {
        self.until(self.now() + length).await;
    }
}

/// A board's crystal: its clock begins at a bench time and runs a little fast or slow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Crystal {
    begun: Duration,
    rate_ppb: i64,
}

/// Nanoseconds of bench time in a microsecond of an exact crystal, times a billion.
const UNIT: i128 = 1_000 * 1_000_000_000;

impl Crystal {
    /// A clock that reads zero at `begun` and gains `error_ppm` microseconds a second.
    #[must_use]
    pub fn new(begun: Duration, error_ppm: f64) -> Self {
        Self {
            begun,
            rate_ppb: (error_ppm * 1_000.0).round() as i64,
        }
    }

    fn rate(self) -> i128 {
        1_000_000_000 + i128::from(self.rate_ppb)
    }

    /// What the clock reads at a bench time; zero before it began.
    #[must_use]
    pub fn reads(self, bench: Duration) -> BoardTime {
        let elapsed = bench.saturating_sub(self.begun).as_nanos() as i128;
        BoardTime::from_micros((elapsed * self.rate() / UNIT) as u64)
    }

    /// The first nanosecond of bench time at which the clock reads `board`.
    #[must_use]
    pub fn when(self, board: BoardTime) -> Duration {
        let nanos = (i128::from(board.as_micros()) * UNIT + self.rate() - 1) / self.rate();
        self.begun + Duration::from_nanos(u64::try_from(nanos).unwrap_or(u64::MAX))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_crystal_gains_its_error() {
        let crystal = Crystal::new(Duration::from_secs(5), 30.0);
        assert_eq!(crystal.reads(Duration::from_secs(5)).as_micros(), 0);
        // 30 ppm in 8 hours are 0.864 s.
        let eight_hours = Duration::from_secs(5 + 8 * 3_600);
        assert_eq!(
            crystal.reads(eight_hours).as_micros(),
            8 * 3_600_000_000 + 864_000
        );
    }

    proptest! {
        #[test]
        fn the_clock_reads_what_was_waited_for(us in 0..10_u64.pow(15), ppm in -100.0..100.0_f64) {
            let crystal = Crystal::new(Duration::from_millis(7), ppm);
            let when = crystal.when(BoardTime::from_micros(us));
            prop_assert_eq!(crystal.reads(when).as_micros(), us);
        }
    }
}
