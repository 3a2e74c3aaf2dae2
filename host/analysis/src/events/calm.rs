//! The readings at which nothing happens, many at a time.
//!
//! A night holds a few events and 86 million readings without any. A block of readings is first taken as if nothing
//! happened in it: what goes on from reading to reading (ripple, level, noise, running sums) goes on, and the statistics
//! of each scale are worked out for the whole block. When none passes its threshold, they are learned, and that was all.
//! Else the block is taken back and taken again reading by reading, which is the one place that knows of events. Either
//! way the arithmetic is the same to the last bit.

use std::collections::VecDeque;

use super::channel::Channel;
use super::line::{BankBefore, LineBank};
use super::model::EventUpdate;
use super::rail::RailWatch;
use super::ring::RingMark;
use super::running::Running;
use super::settings::EventSettings;
use crate::sample::Sample;

/// Readings in a block at most.
pub(super) const BLOCK: usize = 64;

/// Shorter blocks do not pay.
const LEAST: usize = 4;

/// What goes on from reading to reading, as it was before a block.
struct Before {
    last_time_s: f64,
    mains: BankBefore<2, 5>,
    commutator: [BankBefore<1, 3>; 2],
    finders: [(usize, bool); 4],
    rails: [RailWatch; 2],
    channels: [ChannelBefore; 2],
}

/// The same of one channel.
#[derive(Clone, Copy)]
pub(super) struct ChannelBefore {
    pub(super) ring: RingMark,
    pub(super) level_a: f64,
    pub(super) opened: f64,
    pub(super) step_a: f64,
    pub(super) last_raw: f64,
    pub(super) learned: u64,
    pub(super) noise_a: f64,
    pub(super) quick_noise_a: f64,
}

impl Running {
    /// Takes the next readings, at most [`BLOCK`].
    pub(super) fn push_block(
        &mut self,
        samples: &[Sample],
        settings: &EventSettings,
        commands_s: &VecDeque<f64>,
        updates: &mut VecDeque<EventUpdate>,
    ) {
        let mut rest = samples;
        while !rest.is_empty() {
            // A block ends with the reading after which what was learned is drawn upon.
            let room = (self.refresh_every - self.since_refresh) as usize;
            let (block, after) = rest.split_at(rest.len().min(room));
            if self.pass(block) {
                self.count(block.len() as u32, settings);
            } else {
                for sample in block {
                    self.push(sample, settings, commands_s, updates);
                }
            }
            rest = after;
        }
    }

    /// Takes a block in which nothing happens; false, and as it was before, where something may.
    fn pass(&mut self, block: &[Sample]) -> bool {
        let count = block.len() as u64;
        let calm = block.len() >= LEAST
            && self.channels.iter().all(Channel::is_calm)
            && self
                .rhythms
                .iter()
                .zip(&self.channels)
                .all(|(rhythms, channel)| rhythms.are_silent_until(channel.ring.end() + count))
            && block
                .iter()
                .all(|sample| sample.current_a.iter().all(|current_a| current_a.is_finite()));
        if !calm {
            return false;
        }
        let before = self.before();
        let passed = self.go_on(block)
            && !self
                .channels
                .iter_mut()
                .any(|channel| channel.work_out(block.len()));
        if passed {
            self.channels
                .iter_mut()
                .for_each(|channel| channel.learn_block(block.len()));
        } else {
            self.take_back(before);
        }
        passed
    }

    /// Takes what goes on from reading to reading; false where readings are not evenly spaced.
    fn go_on(&mut self, block: &[Sample]) -> bool {
        for sample in block {
            let elapsed = (sample.time_s - self.last_time_s) * self.rate_hz;
            if !(elapsed > 0.0 && elapsed < 1.5) {
                return false;
            }
            self.last_time_s = sample.time_s;
            let mains = self.mains.predict(1.0);
            let mut above_level = [None; 2];
            for index in 0..2 {
                let channel = &mut self.channels[index];
                let line = self.commutator[index].predict(1.0);
                let raw = sample.current_a[index];
                channel.follow_step(raw);
                let without_mains = raw - mains[index];
                let level_a = channel.level_a;
                let (above_a, seconds_above_a) = (raw - line[0] - level_a, without_mains - level_a);
                above_level[index] = Some(above_a);
                self.rails[index].push(sample.time_s, sample.rail_v[index], false);
                self.mains_finder[index].push(above_a);
                self.commutator_finder[index].push(seconds_above_a);
                channel.go_on(without_mains - line[0]);
                if !self.is_loopless(index) {
                    self.commutator[index].learn([Some(seconds_above_a)]);
                }
            }
            self.mains.learn(above_level);
        }
        self.share_magnitudes();
        true
    }

    fn before(&self) -> Before {
        let [one, two] = &self.mains_finder;
        let [three, four] = &self.commutator_finder;
        Before {
            last_time_s: self.last_time_s,
            mains: self.mains.before(),
            commutator: self.commutator.each_ref().map(LineBank::before),
            finders: [one, two, three, four].map(|finder| finder.mark()),
            rails: self.rails.clone(),
            channels: self.channels.each_ref().map(Channel::before),
        }
    }

    fn take_back(&mut self, before: Before) {
        self.last_time_s = before.last_time_s;
        self.mains.take_back(before.mains);
        for (commutator, before) in self.commutator.iter_mut().zip(before.commutator) {
            commutator.take_back(before);
        }
        let finders = self.mains_finder.iter_mut().chain(&mut self.commutator_finder);
        for (finder, mark) in finders.zip(before.finders) {
            finder.take_back(mark);
        }
        self.rails = before.rails;
        for (channel, before) in self.channels.iter_mut().zip(before.channels) {
            channel.take_back(before);
        }
    }
}
