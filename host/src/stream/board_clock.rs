//! Board time to the run's time line, over all boots of the board.

use std::collections::VecDeque;

use steadybench_protocol::{BoardTime, TimeReply};

use crate::clock::{ClockMap, ClockStep, Exchange, HostTime};

use super::output::When;

/// Time requests whose reply may still come.
const REQUESTS_MAX: usize = 16;

/// Exchanges among which the one with the least delay places the operator's marks.
const RECENT_EXCHANGES: usize = 8;

#[derive(Debug, Default)]
pub(super) struct BoardClock {
    map: ClockMap,
    requests: VecDeque<(u32, HostTime)>,
    recent: VecDeque<Exchange>,
    /// Board time of this boot that stands at `base_us` on the run's time line.
    origin: Option<(BoardTime, i64)>,
    /// The last reading before this boot.
    before: Option<Anchor>,
    last: Option<Anchor>,
}

/// An instant by every clock there is.
#[derive(Clone, Copy, Debug)]
struct Anchor {
    elapsed_us: i64,
    utc_us: Option<i64>,
    monotonic_us: i64,
}

impl BoardClock {
    /// The board started anew: its time begins again, the run's goes on.
    pub(super) fn restart(&mut self) {
        self.map = self.map.restarted();
        self.requests.clear();
        self.recent.clear();
        if self.origin.take().is_some() {
            self.before = self.last;
        }
    }

    pub(super) fn request(&mut self, number: u32, at: HostTime) {
        if self.requests.len() == REQUESTS_MAX {
            self.requests.pop_front();
        }
        self.requests.push_back((number, at));
    }

    pub(super) fn reply(&mut self, reply: &TimeReply, at: HostTime) -> Option<ClockStep> {
        let (_, host_send) = *self
            .requests
            .iter()
            .find(|(number, sent)| *number == reply.number && sent.monotonic_ns == reply.host_send_ns)?;
        let exchange = Exchange {
            host_send,
            board_receive: reply.board_receive,
            board_send: reply.board_send,
            host_receive: at,
        };
        if self.recent.len() == RECENT_EXCHANGES {
            self.recent.pop_front();
        }
        self.recent.push_back(exchange);
        self.map.take(&exchange)
    }

    /// Notes the first reading of the run or of a boot, and that readings are coming; gives the instant of the first of
    /// these.
    pub(super) fn reading(&mut self, first: BoardTime, last: BoardTime, received_ns: u64) -> When {
        let monotonic_us = micros(received_ns);
        if self.origin.is_none() {
            let base_us = match self.before {
                None => 0,
                Some(before) => before.elapsed_us + self.since(before, first, monotonic_us),
            };
            self.origin = Some((first, base_us));
        }
        // The map is asked once a block: within one block its rate cannot make 5 µs of difference.
        let when = self.when(first);
        let end = when.plus_micros(last.micros_since(first).unwrap_or(0));
        if let Some(elapsed_us) = end.elapsed_us {
            self.last = Some(Anchor {
                elapsed_us,
                utc_us: end.utc.map(|instant| instant.utc.as_microsecond()),
                monotonic_us,
            });
        }
        when
    }

    /// Microseconds from a reading of the boot before to the first of this one. The monotonic clock may stand still
    /// while the computer sleeps and UTC may be set back, so the longer of the two is the better one.
    fn since(&self, before: Anchor, first: BoardTime, monotonic_us: i64) -> i64 {
        let by_monotonic = monotonic_us - before.monotonic_us;
        let by_utc = self
            .utc_us(first)
            .zip(before.utc_us)
            .map_or(0, |(now, then)| now - then);
        by_monotonic.max(by_utc).max(1)
    }

    fn utc_us(&self, time: BoardTime) -> Option<i64> {
        self.map.utc(time).map(|instant| instant.utc.as_microsecond())
    }

    fn elapsed_us(&self, time: BoardTime) -> Option<i64> {
        let (origin, base_us) = self.origin?;
        let since = i128::from(time.as_micros()) - i128::from(origin.as_micros());
        i64::try_from(i128::from(base_us) + since).ok()
    }

    pub(super) fn when(&self, time: BoardTime) -> When {
        When {
            elapsed_us: self.elapsed_us(time),
            utc: self.map.utc(time),
        }
    }

    /// The instant of something that happened on the host.
    pub(super) fn when_on_host(&self, monotonic_ns: u64) -> When {
        let best = self.recent.iter().min_by_key(|exchange| exchange.delay_ns());
        let Some(exchange) = best else {
            return When::default();
        };
        let host_ns = i128::midpoint(
            i128::from(exchange.host_send.monotonic_ns),
            i128::from(exchange.host_receive.monotonic_ns),
        );
        let board_us = i128::midpoint(
            i128::from(exchange.board_receive.as_micros()),
            i128::from(exchange.board_send.as_micros()),
        );
        let time_us = board_us + (i128::from(monotonic_ns) - host_ns) / 1_000;
        match u64::try_from(time_us) {
            Ok(time_us) => self.when(BoardTime::from_micros(time_us)),
            Err(_) => When::default(),
        }
    }

    pub(super) const fn map(&self) -> &ClockMap {
        &self.map
    }
}

fn micros(ns: u64) -> i64 {
    i64::try_from(ns / 1_000).unwrap_or(i64::MAX)
}
