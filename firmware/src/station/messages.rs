//! What the board has to say, made into messages at the last moment.

use core::array;

use steadybench_protocol::{
    BoardTime, ChannelDescription, FromBoard, Health, Hello, PROTOCOL_VERSION, ReadingsBlock, TimeReply,
};

use super::{Answer, Station};
use crate::buffer::BLOCKS;
use crate::ina228::scaling::RAIL_STEP_PV;

impl Station {
    /// Whether the chips have been looked for, so that a hello can say what they are.
    pub(crate) const fn looked(&self) -> bool {
        self.looked
    }

    /// Whether there is anything to say but answers: after a tick of the sampler, whether to wake the link.
    #[must_use]
    pub fn has_message(&self) -> bool {
        self.hello_due
            || self.health_due
            || self.buffer.waiting() > 0
            || !(self.trips.is_empty() && self.marks.is_empty() && self.slow.is_empty())
    }

    /// What goes before any answer: the hello of a board that has just started, and a trip.
    pub(crate) fn first_of_all(&mut self, now: BoardTime) -> Option<FromBoard> {
        if core::mem::take(&mut self.hello_due) {
            return Some(FromBoard::Hello(self.hello(now)));
        }
        self.trips.pop_front().map(FromBoard::GuardTrip)
    }

    /// What goes behind the answers and before the readings: little, and seldom.
    pub(crate) fn before_readings(&mut self, now: BoardTime) -> Option<FromBoard> {
        if let Some(mark) = self.marks.pop_front() {
            return Some(FromBoard::Mark(mark));
        }
        if core::mem::take(&mut self.health_due) {
            return Some(FromBoard::Health(self.health(now)));
        }
        self.slow.pop_front().map(FromBoard::Slow)
    }

    /// The oldest block that waits.
    pub(crate) fn readings(&mut self) -> Option<ReadingsBlock> {
        self.buffer.pop()
    }

    /// Makes the message of an answer.
    pub(crate) fn answer(&self, answer: Answer, now: BoardTime) -> FromBoard {
        match answer {
            Answer::Hello => FromBoard::Hello(self.hello(now)),
            Answer::Health | Answer::Stopped => FromBoard::Health(self.health(now)),
            Answer::Started { next_index, .. } => FromBoard::Health(Health {
                running: true,
                next_index,
                ..self.health(now)
            }),
            Answer::Time { request, received } => FromBoard::Time(TimeReply {
                number: request.number,
                host_send_ns: request.host_send_ns,
                board_receive: received,
                board_send: now,
            }),
            Answer::Refusal(refusal) => FromBoard::Refusal(refusal),
        }
    }

    fn hello(&self, time: BoardTime) -> Hello {
        let channels = array::from_fn(|channel| ChannelDescription {
            monitor: self.monitors[channel],
            shunt_micro_ohm: self.facts.shunt_micro_ohm[channel],
            conversion_time: self.settings.conversion_time,
            shunt_range: self.settings.shunt_range,
            current_step_pv: self.settings.shunt_range.step_pv(),
            rail_step_pv: RAIL_STEP_PV,
        });
        Hello {
            protocol_version: PROTOCOL_VERSION,
            board_serial: self.facts.board_serial,
            board: self.facts.board.clone(),
            firmware_version: self.facts.firmware_version,
            boot_nonce: self.facts.boot_nonce,
            boot_count: self.facts.boot_count,
            reset_cause: self.facts.reset_cause,
            time,
            reading_period_us: self.settings.reading_period_us,
            running: self.running,
            guard: self.guard.state(),
            channels,
            thermistors: self.facts.thermistors,
        }
    }

    fn health(&self, time: BoardTime) -> Health {
        Health {
            time,
            // A run lasts, for the host, until its last block is out.
            running: self.running || self.buffer.waiting() > 0,
            guard: self.guard.state(),
            next_index: self.next_index,
            readings_dropped: self.buffer.dropped(),
            late_ticks: self.late_ticks,
            bus_errors: self.bus_errors,
            monitor_restarts: self.monitor_restarts,
            buffer_high_water: self.buffer.high_water(),
            buffer_capacity: BLOCKS as u16,
            frames_rejected: self.frames_rejected,
        }
    }
}
