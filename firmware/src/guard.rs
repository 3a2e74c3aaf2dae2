//! When to open the supply relay.

use steadybench_protocol::limits::{CHANNELS, CURRENT_CODE_MAX, CURRENT_CODE_MIN};
use steadybench_protocol::{
    BoardTime, Channel, GuardCause, GuardLimits, GuardState, GuardTrip, RefusalReason, ThermistorReading,
};

/// A channel without a good reading for so long, in microseconds, and for at least two readings, is blind.
pub const BLIND_US: u64 = 10_000;

/// From the first thermistor reading past a limit to the trip, at most so long, in microseconds: the readings that must
/// agree are as many, up to [`THERMISTOR_READINGS`], as fit.
pub const THERMISTOR_CONFIRM_US: u64 = 8_000;

/// So many thermistor readings in a row must agree where the reading period allows.
pub const THERMISTOR_READINGS: u8 = 3;

/// Watches limits and decides on the supply relay. It needs no host: whoever reads the channels feeds it, and the
/// relay's drive follows [`Self::relay_closed`] at once, so the output drops with the reading that passed the limit.
///
/// ```
/// use steadybench_firmware::guard::Guard;
/// use steadybench_protocol::{BoardTime, Channel, GuardCause, GuardLimits, RefusalReason};
///
/// let at = |ms: u64| BoardTime::from_micros(ms * 1_000);
/// let mut guard = Guard::new(false);
/// let limits = GuardLimits {
///     over_current_code: [Some(3_200), None],
///     over_current_readings: 2,
///     ..GuardLimits::default()
/// };
/// guard.set_limits(limits, at(0));
/// assert_eq!(guard.readings([Some(9_000), Some(0)], at(1), at(1)), None);
/// let trip = guard.readings([Some(9_000), Some(0)], at(2), at(2)).expect("two in a row");
/// assert_eq!(trip.cause, GuardCause::OverCurrent { channel: Channel::One, code: 9_000 });
/// assert!(!guard.relay_closed());
/// assert_eq!(guard.rearm(at(3)), Err(RefusalReason::StillPastLimit));
/// guard.readings([Some(0), Some(0)], at(4), at(4));
/// assert_eq!(guard.rearm(at(5)), Ok(()));
/// ```
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Guard {
    state: GuardState,
    limits: GuardLimits,
    channels: [Watched; CHANNELS],
    host_heard: BoardTime,
    /// When the thermistors were last read.
    thermistors_at: BoardTime,
}

/// What the guard remembers of a channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Watched {
    code: Option<i32>,
    past_current: u8,
    good_at: BoardTime,
    misses: u32,
    thermistor: Option<ThermistorReading>,
    past_thermistor: u8,
}

impl Watched {
    const NEW: Self = Self {
        code: None,
        past_current: 0,
        good_at: BoardTime::from_micros(0),
        misses: 0,
        thermistor: None,
        past_thermistor: 0,
    };
}

impl Guard {
    /// A guard without limits. With `relay_open` it starts as tripped: after a watchdog reset or a brown-out nobody can
    /// say that the unit is fit to be powered, nor which limits held, so a person must re-arm.
    #[must_use]
    pub const fn new(relay_open: bool) -> Self {
        Self {
            state: if relay_open {
                GuardState::Tripped
            } else {
                GuardState::Off
            },
            limits: GuardLimits {
                over_current_code: [None; CHANNELS],
                over_current_readings: 1,
                hot_code: [None; CHANNELS],
                thermistor_required: [false; CHANNELS],
                host_silent_ms: None,
            },
            channels: [Watched::NEW; CHANNELS],
            host_heard: BoardTime::from_micros(0),
            thermistors_at: BoardTime::from_micros(0),
        }
    }

    /// What the guard is doing.
    #[must_use]
    pub const fn state(&self) -> GuardState {
        self.state
    }

    /// Whether the supply relay is to be driven.
    #[must_use]
    pub const fn relay_closed(&self) -> bool {
        !matches!(self.state, GuardState::Tripped)
    }

    /// Takes limits, which must be legal, and arms the guard, or puts it off when there is none. A tripped guard takes
    /// the limits and stays tripped.
    pub fn set_limits(&mut self, limits: GuardLimits, now: BoardTime) {
        self.limits = limits;
        self.begin(now);
        if self.state != GuardState::Tripped {
            self.state = self.untripped();
        }
    }

    /// Closes the relay again.
    ///
    /// # Errors
    /// [`RefusalReason::NotTripped`], or [`RefusalReason::StillPastLimit`] while the latest values are past a limit.
    pub fn rearm(&mut self, now: BoardTime) -> Result<(), RefusalReason> {
        if self.state != GuardState::Tripped {
            return Err(RefusalReason::NotTripped);
        }
        if self.still_past(now) {
            return Err(RefusalReason::StillPastLimit);
        }
        self.begin(now);
        self.state = self.untripped();
        Ok(())
    }

    /// A valid frame came from the host.
    pub fn host_heard(&mut self, now: BoardTime) {
        self.host_heard = self.host_heard.max(now);
    }

    /// Takes the current codes that were due at `due`, and looks at the host's silence.
    ///
    /// Returns the trip, once, when this makes the guard trip; `now` is its time.
    pub fn readings(
        &mut self,
        codes: [Option<i32>; CHANNELS],
        due: BoardTime,
        now: BoardTime,
    ) -> Option<GuardTrip> {
        let mut found = None;
        for (channel, code) in Channel::ALL.into_iter().zip(codes) {
            let cause = self.current(channel, code, due);
            found = found.or(cause.map(|cause| (cause, due)));
        }
        self.trip(found.or_else(|| self.silence(now)), now)
    }

    /// Takes both thermistors, read at `now`.
    ///
    /// Returns the trip, once, when this makes the guard trip.
    pub fn thermistors(
        &mut self,
        readings: [ThermistorReading; CHANNELS],
        now: BoardTime,
    ) -> Option<GuardTrip> {
        let interval_us = now.micros_since(self.thermistors_at).unwrap_or(0);
        self.thermistors_at = now;
        // One reading must do where they are further apart than half the time allowed.
        let needed = (1..THERMISTOR_READINGS)
            .take_while(|more| u64::from(*more) * interval_us <= THERMISTOR_CONFIRM_US)
            .last()
            .map_or(1, |more| more + 1);
        let mut found = None;
        for (channel, reading) in Channel::ALL.into_iter().zip(readings) {
            let limits = &self.limits;
            let cause = thermistor_cause(limits, channel, reading);
            let Some(watched) = self.channels.get_mut(channel.index()) else {
                continue;
            };
            watched.thermistor = Some(reading);
            watched.past_thermistor = match cause {
                Some(_) => watched.past_thermistor.saturating_add(1),
                None => 0,
            };
            if watched.past_thermistor >= needed {
                found = found.or(cause.map(|cause| (cause, now)));
            }
        }
        self.trip(found, now)
    }

    fn untripped(&self) -> GuardState {
        if self.limits.acts() {
            GuardState::Armed
        } else {
            GuardState::Off
        }
    }

    /// Counts anew from `now`, the host's silence too.
    fn begin(&mut self, now: BoardTime) {
        self.host_heard(now);
        for watched in &mut self.channels {
            watched.past_current = 0;
            watched.past_thermistor = 0;
            watched.misses = 0;
            watched.good_at = now;
        }
    }

    fn trip(&mut self, found: Option<(GuardCause, BoardTime)>, now: BoardTime) -> Option<GuardTrip> {
        let (cause, cause_time) = found?;
        if self.state != GuardState::Armed {
            return None;
        }
        self.state = GuardState::Tripped;
        Some(GuardTrip {
            time: now,
            cause_time,
            cause,
        })
    }

    fn current(&mut self, channel: Channel, code: Option<i32>, due: BoardTime) -> Option<GuardCause> {
        let limit = self
            .limits
            .over_current_code
            .get(channel.index())
            .copied()
            .flatten();
        let watched = self.channels.get_mut(channel.index())?;
        watched.code = code;
        match code {
            None => {
                watched.misses = watched.misses.saturating_add(1);
                (limit.is_some() && watched.is_blind(due)).then_some(GuardCause::MonitorLost { channel })
            }
            Some(code) => {
                watched.good_at = due;
                watched.misses = 0;
                watched.past_current = if limit.is_some_and(|limit| is_past(code, limit)) {
                    watched.past_current.saturating_add(1)
                } else {
                    0
                };
                (watched.past_current >= self.limits.over_current_readings.max(1))
                    .then_some(GuardCause::OverCurrent { channel, code })
            }
        }
    }

    fn silence(&self, now: BoardTime) -> Option<(GuardCause, BoardTime)> {
        let limit_us = u64::from(self.limits.host_silent_ms?) * 1_000;
        let silent_us = now.micros_since(self.host_heard)?;
        (silent_us >= limit_us).then_some((GuardCause::HostSilent, self.host_heard))
    }

    /// Whether the latest values are past a limit. The host's silence is not asked about: it has just spoken.
    fn still_past(&self, now: BoardTime) -> bool {
        Channel::ALL
            .into_iter()
            .zip(&self.channels)
            .any(|(channel, watched)| {
                let current = match self.limits.over_current_code.get(channel.index()) {
                    Some(Some(limit)) => match watched.code {
                        Some(code) => is_past(code, *limit),
                        None => watched.is_blind(now),
                    },
                    _ => false,
                };
                let thermistor = watched
                    .thermistor
                    .is_some_and(|reading| thermistor_cause(&self.limits, channel, reading).is_some());
                current || thermistor
            })
    }
}

impl Watched {
    fn is_blind(&self, now: BoardTime) -> bool {
        self.misses >= 2
            && now
                .micros_since(self.good_at)
                .is_some_and(|time| time >= BLIND_US)
    }
}

/// A saturated input may be any current beyond the code, so it is past every limit.
fn is_past(code: i32, limit: u32) -> bool {
    code >= CURRENT_CODE_MAX || code <= CURRENT_CODE_MIN || code.unsigned_abs() > limit
}

fn thermistor_cause(
    limits: &GuardLimits,
    channel: Channel,
    reading: ThermistorReading,
) -> Option<GuardCause> {
    let required = limits.thermistor_required.get(channel.index()).copied()?;
    let hot = limits.hot_code.get(channel.index()).copied()?;
    match reading {
        ThermistorReading::Code(code) => hot
            .is_some_and(|limit| code < limit)
            .then_some(GuardCause::OverTemperature { channel, code }),
        ThermistorReading::Open | ThermistorReading::Shorted | ThermistorReading::Failed => {
            required.then_some(GuardCause::ThermistorLost { channel })
        }
    }
}
