//! Records in, outputs out.

use steadybench_protocol::{BoardTime, Health, Hello, ReadingsBlock, SlowValues};

use crate::clock::{ClockMap, HostTime};
use crate::link::{LineCounts, Received, Receiver};
use crate::recorder::Record;
use crate::units::{SlowQuantities, Units};

use super::board_clock::BoardClock;
use super::happenings::{self, Told};
use super::output::{Gap, GapCause, Happening, HappeningKind, MarkRow, MarkSource, Output, Reading, When};

/// Slow values waiting for their reading; more than these can wait only when no readings come.
const SLOW_WAITING_MAX: usize = 32;

/// The interpreter of one board's records.
#[derive(Debug, Default)]
pub struct Stream {
    receiver: Receiver,
    clock: BoardClock,
    hello: Option<Box<Hello>>,
    units: Option<Units>,
    health: Option<Health>,
    slow_waiting: Vec<(BoardTime, SlowQuantities)>,
    /// The end of the last block: its next index, when that is due, and its period.
    end: Option<(u64, BoardTime, u32)>,
    /// Where the readings of the boot before ended, until the first of this one.
    end_before: Option<When>,
    closed_meanwhile: bool,
    lost_on_host: bool,
    damaged_before: u64,
    host_lost: u64,
}

impl Stream {
    /// A stream that has seen nothing.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// What happened to the bytes so far.
    #[must_use]
    pub const fn counts(&self) -> LineCounts {
        self.receiver.counts()
    }

    /// Reading instants, of those lost, that this computer could not keep.
    #[must_use]
    pub const fn lost_on_host(&self) -> u64 {
        self.host_lost
    }

    /// The board's last hello.
    #[must_use]
    pub fn hello(&self) -> Option<&Hello> {
        self.hello.as_deref()
    }

    /// The board's last counts.
    #[must_use]
    pub const fn health(&self) -> Option<&Health> {
        self.health.as_ref()
    }

    /// The map from board time to UTC of the present boot.
    #[must_use]
    pub const fn clock(&self) -> &ClockMap {
        self.clock.map()
    }

    /// Takes one record and gives what it brings to `out`, in order.
    pub fn take(&mut self, record: &Record, out: &mut impl FnMut(Output)) {
        match record {
            Record::Opened { at, port } => {
                self.receiver.reset_frame();
                let detail = format!("{port} was opened");
                self.tell_on_host(at.monotonic_ns, (HappeningKind::PortOpened, None, detail), out);
            }
            Record::Closed { at, reason } => {
                self.closed_meanwhile = true;
                let detail = format!("the port was lost: {reason}");
                self.tell_on_host(at.monotonic_ns, (HappeningKind::PortClosed, None, detail), out);
            }
            Record::TimeSent { number, at } => self.clock.request(*number, (*at).into()),
            Record::Received { at_ns, utc_ns, bytes } => {
                let mut input = &bytes[..];
                while let Some(received) = self.receiver.next(&mut input) {
                    self.receive(*at_ns, *utc_ns, received, out);
                }
            }
            Record::HostMark { at, kind, label } => out(Output::Mark(MarkRow {
                when: self.clock.when_on_host(at.monotonic_ns),
                source: MarkSource::Operator(*kind),
                label: label.clone(),
            })),
            Record::Sent { .. } => {}
            Record::Lost => {
                self.receiver.reset_frame();
                self.lost_on_host = true;
            }
        }
    }

    fn tell_on_host(&self, monotonic_ns: u64, told: Told, out: &mut impl FnMut(Output)) {
        tell(self.clock.when_on_host(monotonic_ns), told, out);
    }

    fn receive(&mut self, at_ns: u64, utc_ns: Option<i64>, received: Received, out: &mut impl FnMut(Output)) {
        match received {
            Received::Hello { hello, new_boot } => self.take_hello(at_ns, hello, new_boot, out),
            Received::Block { block, lost_before } => self.take_block(at_ns, &block, lost_before, out),
            Received::Slow(slow) => self.take_slow(&slow, out),
            Received::Mark(mark) => out(Output::Mark(MarkRow {
                when: self.clock.when(mark.time),
                source: MarkSource::FootSwitch {
                    number: mark.number,
                    edge: mark.edge,
                },
                label: String::new(),
            })),
            Received::Health { health, lost_at_end } => self.take_health(health, lost_at_end, out),
            Received::Time(reply) => {
                let Some(utc_ns) = utc_ns else { return };
                let at = HostTime {
                    utc_ns,
                    monotonic_ns: at_ns,
                };
                if let Some(step) = self.clock.reply(&reply, at) {
                    let told = happenings::of_clock_step(&step);
                    tell(self.clock.when(step.board_time), told, out);
                }
            }
            Received::GuardTrip(trip) => {
                let told = happenings::of_trip(&trip, self.units.as_ref());
                tell(self.clock.when(trip.time), told, out);
            }
            Received::Refusal(refusal) => {
                self.tell_on_host(at_ns, happenings::of_refusal(&refusal), out);
            }
            Received::OtherVersion(_) | Received::Repeated | Received::Damaged(_) => {}
        }
    }

    fn take_hello(&mut self, at_ns: u64, hello: Box<Hello>, new_boot: bool, out: &mut impl FnMut(Output)) {
        let restarted = new_boot && self.hello.is_some();
        if restarted {
            self.tell_on_host(at_ns, happenings::of_restart(&hello), out);
            if let Some((_, due, _)) = self.end {
                self.end_before = Some(self.clock.when(due));
            }
            self.clock.restart();
            self.slow_waiting.clear();
            self.health = None;
            self.end = None;
        }
        let changed = self
            .hello
            .as_ref()
            .is_none_or(|before| before.channels.map(|c| c.monitor) != hello.channels.map(|c| c.monitor));
        if restarted || changed {
            for told in happenings::of_monitors(&hello) {
                tell(self.clock.when(hello.time), told, out);
            }
        }
        let units = Units::of(&hello);
        self.units = Some(units);
        self.hello = Some(hello.clone());
        out(Output::Board { hello, units });
    }

    fn take_health(&mut self, health: Health, lost_at_end: u64, out: &mut impl FnMut(Output)) {
        if let Some(before) = &self.health {
            for told in happenings::of_health(before, &health) {
                tell(self.clock.when(health.time), told, out);
            }
        }
        if lost_at_end > 0 {
            self.give_gap(health.next_index - lost_at_end, lost_at_end, out);
        }
        self.health = Some(health);
        out(Output::Health(health));
    }

    fn take_slow(&mut self, slow: &SlowValues, out: &mut impl FnMut(Output)) {
        let Some(units) = &self.units else { return };
        let quantities = units.slow(slow);
        if self.slow_waiting.len() == SLOW_WAITING_MAX {
            self.slow_waiting.remove(0);
        }
        self.slow_waiting.push((slow.time, quantities));
        out(Output::Slow {
            when: self.clock.when(slow.time),
            slow: quantities,
        });
    }

    fn take_block(
        &mut self,
        at_ns: u64,
        block: &ReadingsBlock,
        lost_before: u64,
        out: &mut impl FnMut(Output),
    ) {
        let last = block.time(block.len().saturating_sub(1));
        let first = self.clock.reading(block.time(0), last, at_ns);
        if let Some(when) = self.end_before.take() {
            self.give_gap_between_boots(when, block.time(0), out);
        }
        if lost_before > 0 {
            self.give_gap(block.first_index() - lost_before, lost_before, out);
        }
        self.closed_meanwhile = false;
        self.lost_on_host = false;
        self.damaged_before = self.receiver.counts().damaged;
        self.end = Some((block.next_index(), block.time(block.len()), block.period_us()));
        for position in 0..block.len() {
            let time = block.time(position);
            let since_us = time.micros_since(block.time(0)).unwrap_or(0);
            let codes = block.codes(position);
            let current_a = [0, 1].map(|channel: usize| {
                let scale = self.units.as_ref()?.channels[channel];
                codes[channel].map(|code| scale.current_a(code))
            });
            out(Output::Reading(Reading {
                index: block.first_index() + position as u64,
                when: first.plus_micros(since_us),
                board: time,
                codes,
                current_a,
                late: block.is_late(position),
                slow: self.slow_by(time),
            }));
        }
    }

    fn give_gap(&mut self, first_index: u64, readings: u64, out: &mut impl FnMut(Output)) {
        let cause = if self.lost_on_host {
            GapCause::Host
        } else if self.closed_meanwhile {
            GapCause::Unplugged
        } else if self.receiver.counts().damaged > self.damaged_before {
            GapCause::Line
        } else {
            GapCause::Board
        };
        if cause == GapCause::Host {
            self.host_lost += readings;
        }
        let period_us = self
            .end
            .map(|(_, _, period_us)| period_us)
            .or_else(|| self.hello.as_ref().map(|hello| hello.reading_period_us))
            .unwrap_or(0);
        // The gap begins where the last block ended; before any block it has no beginning that is known.
        let when = self
            .end
            .filter(|(next_index, _, _)| *next_index == first_index)
            .map_or(When::default(), |(_, due, _)| self.clock.when(due));
        out(Output::Gap(Gap {
            first_index: Some(first_index),
            readings,
            when,
            duration_us: readings.saturating_mul(u64::from(period_us)),
            cause,
        }));
    }

    fn give_gap_between_boots(&self, when: When, next: BoardTime, out: &mut impl FnMut(Output)) {
        let next_us = self.clock.when(next).elapsed_us;
        let duration_us = next_us.zip(when.elapsed_us).map_or(0, |(next, end)| next - end);
        out(Output::Gap(Gap {
            first_index: None,
            readings: 0,
            when,
            duration_us: u64::try_from(duration_us).unwrap_or(0),
            cause: GapCause::BoardOff,
        }));
    }

    /// The slow values that had come by `time`, taken together when there are several.
    fn slow_by(&mut self, time: BoardTime) -> Option<SlowQuantities> {
        let count = self.slow_waiting.iter().take_while(|(at, _)| *at <= time).count();
        self.slow_waiting
            .drain(..count)
            .map(|(_, slow)| slow)
            .reduce(|earlier, later| SlowQuantities {
                rail_v: [0, 1].map(
                    |channel: usize| match (earlier.rail_v[channel], later.rail_v[channel]) {
                        (Some([_, low, high]), Some([latest, lowest, highest])) => {
                            Some([latest, lowest.min(low), highest.max(high)])
                        }
                        (_, later) => later,
                    },
                ),
                ..later
            })
    }
}

fn tell(when: When, (kind, channel, detail): Told, out: &mut impl FnMut(Output)) {
    out(Output::Happening(Happening {
        when,
        kind,
        channel,
        detail,
    }));
}
