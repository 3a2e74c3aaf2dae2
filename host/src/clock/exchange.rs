//! One two-way time exchange.

use std::time::{Instant, SystemTime, UNIX_EPOCH};

use steadybench_protocol::BoardTime;

/// One reading of the host's two clocks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HostTime {
    /// UTC by the host's clock, in nanoseconds since 1970-01-01T00:00Z. It may be set at any moment.
    pub utc_ns: i64,
    /// A clock that nobody sets, in nanoseconds since some start. It may stand still while the host sleeps.
    pub monotonic_ns: u64,
}

impl HostTime {
    /// UTC less the monotonic clock; it changes only when UTC is set, or the host sleeps.
    pub(super) fn apart_ns(&self) -> i128 {
        i128::from(self.utc_ns) - i128::from(self.monotonic_ns)
    }

    /// Reads both clocks; `start` is the zero of the monotonic one. This is the edge: nothing else in this module
    /// reads a clock.
    #[must_use]
    pub fn now(start: Instant) -> Self {
        let utc = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        Self {
            utc_ns: i64::try_from(utc.as_nanos()).unwrap_or(i64::MAX),
            monotonic_ns: u64::try_from(start.elapsed().as_nanos()).unwrap_or(u64::MAX),
        }
    }
}

/// A time request and its reply. T1 to T4 are those of RFC 5905, section 8.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Exchange {
    /// T1: the host sent the request.
    pub host_send: HostTime,
    /// T2: the board received it.
    pub board_receive: BoardTime,
    /// T3: the board sent the reply.
    pub board_send: BoardTime,
    /// T4: the host received the reply.
    pub host_receive: HostTime,
}

/// Microseconds of board time as nanoseconds; wide enough for the board's whole range.
fn board_ns(time: BoardTime) -> i128 {
    i128::from(time.as_micros()) * 1_000
}

impl Exchange {
    /// Offset of the board's clock against the host's, ½[(T2−T1)+(T3−T4)], in nanoseconds.
    #[must_use]
    pub fn offset_ns(&self) -> i128 {
        let out = board_ns(self.board_receive) - i128::from(self.host_send.utc_ns);
        let back = board_ns(self.board_send) - i128::from(self.host_receive.utc_ns);
        (out + back).div_euclid(2)
    }

    /// Round-trip delay, (T4−T1)−(T3−T2), in nanoseconds; negative only when a clock was set meanwhile.
    #[must_use]
    pub fn delay_ns(&self) -> i128 {
        let host = i128::from(self.host_receive.utc_ns) - i128::from(self.host_send.utc_ns);
        host - (board_ns(self.board_send) - board_ns(self.board_receive))
    }

    /// Middle of the board's part of the exchange, the instant the offset belongs to.
    pub(super) fn board_middle_ns(&self) -> i128 {
        i128::midpoint(board_ns(self.board_receive), board_ns(self.board_send))
    }

    /// How much the host's UTC ran ahead of its monotonic clock during the exchange: not zero when the clock was set
    /// or the host slept.
    pub(super) fn host_disagreement_ns(&self) -> i128 {
        self.host_receive.apart_ns() - self.host_send.apart_ns()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn exchange(t1_us: i64, t2_us: u64, t3_us: u64, t4_us: i64) -> Exchange {
        let host = |us: i64| HostTime {
            utc_ns: us * 1_000,
            monotonic_ns: us as u64 * 1_000,
        };
        Exchange {
            host_send: host(t1_us),
            board_receive: BoardTime::from_micros(t2_us),
            board_send: BoardTime::from_micros(t3_us),
            host_receive: host(t4_us),
        }
    }

    /// RFC 5905, section 8: θ = ½[(T2−T1)+(T3−T4)], δ = (T4−T1)−(T3−T2). The RFC gives the formulas and no numbers;
    /// these were worked by hand: ½[80 + 42] = 61 and 40 − 2 = 38.
    #[test]
    fn offset_and_delay_are_those_of_rfc_5905() {
        let worked = exchange(100, 180, 182, 140);
        assert_eq!(worked.offset_ns(), 61_000);
        assert_eq!(worked.delay_ns(), 38_000);
    }

    /// Half of a one-way asymmetry goes into the offset and all of it into the delay, so half the delay always covers.
    #[test]
    fn half_the_delay_covers_any_asymmetry() {
        // Both clocks agree; 3 ms out and 1 ms back.
        let lopsided = exchange(0, 3_000, 3_100, 4_100);
        assert_eq!(lopsided.offset_ns(), 1_000_000);
        assert_eq!(lopsided.delay_ns(), 4_000_000);
        assert!(lopsided.offset_ns() <= lopsided.delay_ns() / 2);
    }
}
