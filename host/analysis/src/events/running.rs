//! The detector at work: two channels, the ripple loops, and what was seen lately.

use std::collections::VecDeque;
use std::f64::consts::TAU;

use super::channel::{Channel, Progress};
use super::judge::Latch;
use super::line::LineBank;
use super::model::{Event, EventUpdate};
use super::rail::RailWatch;
use super::report::{Images, KEPT, Latched};
use super::rhythm::Rhythms;
use super::settings::EventSettings;
use super::spectrum::{LineFinder, strongest_line};
use crate::sample::Sample;

/// Refreshes that loops are given to prove their worth before they are started anew, or stopped.
const PATIENCE: u32 = 8;
pub(super) struct Running {
    pub(super) rate_hz: f64,
    pub(super) channels: [Channel; 2],
    pub(super) mains: LineBank<2, 5>,
    pub(super) commutator: [LineBank<1, 3>; 2],
    pub(super) mains_finder: [LineFinder; 2],
    pub(super) commutator_finder: [LineFinder; 2],
    pub(super) last_time_s: f64,
    pub(super) since_refresh: u32,
    pub(super) refresh_every: u32,
    pub(super) next_id: u64,
    pub(super) recent: VecDeque<Event>,
    pub(super) latches: [Vec<Latch>; 2],
    pub(super) rails: [RailWatch; 2],
    pub(super) images: [Images; 2],
    pub(super) rhythms: [Rhythms; 2],
    /// Where an excursion last became the new level, and the event that it was.
    pub(super) latched: [Option<Latched>; 2],
    /// Share of each channel's amplitude that the ripple loops left when its noise was last learned from nothing.
    pub(super) left: [f64; 2],
    /// Refreshes since a bank of loops was last started: mains, commutator 1 and 2.
    pub(super) tried: [u32; 3],
    /// Readings of each channel since a loop ran last.
    loopless: [u64; 2],
}

impl Running {
    pub(super) fn new(settings: &EventSettings, rate_hz: f64) -> Self {
        let finder = || LineFinder::new(rate_hz, 1.0);
        Self {
            rate_hz,
            channels: [Channel::new(settings, rate_hz), Channel::new(settings, rate_hz)],
            mains: LineBank::new([1, 2, 4, 6, 8], [1.0, 0.3, 0.1], rate_hz),
            commutator: [0, 1].map(|_| LineBank::new([1, 2, 3], [0.15, 0.05, 0.02], rate_hz)),
            mains_finder: [finder(), finder()],
            commutator_finder: [finder(), finder()],
            last_time_s: f64::NAN,
            since_refresh: 0,
            refresh_every: (0.5 * rate_hz).max(1.0) as u32,
            next_id: 1,
            recent: VecDeque::with_capacity(KEPT),
            latches: [Vec::new(), Vec::new()],
            images: [Images::default(); 2],
            rhythms: [Rhythms::new(rate_hz), Rhythms::new(rate_hz)],
            latched: [None; 2],
            rails: [RailWatch::new(), RailWatch::new()],
            left: [1.0; 2],
            tried: [u32::MAX / 2; 3],
            loopless: [0; 2],
        }
    }

    pub(super) fn push(
        &mut self,
        sample: &Sample,
        settings: &EventSettings,
        commands_s: &VecDeque<f64>,
        updates: &mut VecDeque<EventUpdate>,
    ) {
        let elapsed = if self.last_time_s.is_nan() {
            1.0
        } else {
            (sample.time_s - self.last_time_s) * self.rate_hz
        };
        if elapsed <= 0.0 {
            return;
        }
        if elapsed > 1.5 + 0.005 * self.rate_hz {
            for channel in &mut self.channels {
                channel.interrupt();
            }
            for finder in self.mains_finder.iter_mut().chain(&mut self.commutator_finder) {
                finder.clear();
            }
            self.rhythms.iter_mut().for_each(Rhythms::clear);
        }
        let elapsed = if elapsed < 1.5 { 1.0 } else { elapsed.round() };
        self.last_time_s = sample.time_s;
        let mains = self.mains.predict(elapsed);
        let mut above_level = [None; 2];
        let mut seconds_above = [None; 2];
        for index in 0..2 {
            let channel = &mut self.channels[index];
            let line = self.commutator[index].predict(elapsed);
            let value = match channel.present(sample.current_a[index]) {
                Some(raw) => {
                    let without_mains = raw - mains[index];
                    let without_lines = without_mains - line[0];
                    if let Some(level_a) = channel.ripple_level() {
                        above_level[index] = Some(raw - line[0] - level_a);
                        seconds_above[index] = Some(without_mains - level_a);
                    }
                    without_lines
                }
                None => channel.stand_in(),
            };
            self.rails[index].push(sample.time_s, sample.rail_v[index], channel.excursion.is_some());
            let kept = above_level[index].unwrap_or(mains[index]);
            self.mains_finder[index].push(kept);
            self.commutator_finder[index].push(seconds_above[index].unwrap_or(line[0]));
            let mut progress = channel.push(value, &mut self.next_id);
            if progress == Progress::Decide && channel.turn_into_pulse() {
                progress = Progress::Returned;
            }
            if !self.is_loopless(index) {
                self.commutator[index].learn([seconds_above[index]]);
            }
            if self.rhythms[index].listen(&self.channels[index].ring) {
                self.excuse(index, updates);
            }
            if progress != Progress::Nothing {
                self.report(index, progress, settings, commands_s, updates);
            }
        }
        self.mains.learn(above_level);
        self.share_magnitudes();
        self.count(1, settings);
    }

    /// Whether no loop runs on a channel; then both banks see the same current there.
    pub(super) const fn is_loopless(&self, index: usize) -> bool {
        !self.mains.is_running() && !self.commutator[index].is_running()
    }

    /// What the mains' bank learned is the commutator's too where no loop runs.
    pub(super) fn share_magnitudes(&mut self) {
        for index in 0..2 {
            if self.is_loopless(index) {
                self.commutator[index].adopt(&self.mains, index);
            }
        }
    }

    /// Counts readings, and now and then draws upon what was learned.
    pub(super) fn count(&mut self, readings: u32, settings: &EventSettings) {
        for index in 0..2 {
            self.loopless[index] = if self.is_loopless(index) {
                self.loopless[index] + u64::from(readings)
            } else {
                0
            };
        }
        self.since_refresh += readings;
        if self.since_refresh >= self.refresh_every {
            self.since_refresh = 0;
            self.refresh(settings);
        }
    }

    fn refresh(&mut self, settings: &EventSettings) {
        for index in 0..2 {
            let left = self.mains.left(index) * self.commutator[index].left(0);
            let settled = self.mains.is_settled() && self.commutator[index].is_settled();
            if settled && left < 0.8 * self.left[index] {
                self.left[index] = left;
                self.channels[index].relearn();
            }
            self.channels[index].refresh(settings.step_a, self.rate_hz);
        }
        for tried in &mut self.tried {
            *tried += 1;
        }
        let searched = !self.mains.helps() && self.tried[0] > PATIENCE && self.find_mains(settings);
        for index in 0..2 {
            if !self.commutator[index].helps() && self.tried[1 + index] > PATIENCE {
                self.find_commutator(index, searched);
            }
        }
    }

    /// Looks for the line of a commutator on a channel; `searched` where the mains' was just looked for.
    fn find_commutator(&mut self, index: usize, searched: bool) {
        // While no loop ran, both finders were given the same.
        let finder = if searched && self.loopless[index] >= self.mains_finder[index].length() as u64 {
            &mut self.mains_finder[index]
        } else {
            let finder = &mut self.commutator_finder[index];
            if !finder.refresh() {
                return;
            }
            finder
        };
        let per_hz = TAU / self.rate_hz;
        let found = strongest_line(&finder.power, finder.length(), 8.0 * per_hz, 0.4 * TAU, 30.0);
        if let Some(omega) = found {
            self.tried[1 + index] = 0;
            self.commutator[index].start(omega, (0.8 * omega, 1.25 * omega));
        } else {
            self.commutator[index].stop();
        }
    }

    /// Looks for the mains' line; false where there is not enough to look at.
    fn find_mains(&mut self, settings: &EventSettings) -> bool {
        let ready = self.mains_finder.each_mut().map(LineFinder::refresh);
        if !ready[0] || !ready[1] {
            return false;
        }
        let (low, high) = settings
            .mains_hz
            .map_or((45.0, 65.0), |nominal| (0.985 * nominal, 1.015 * nominal));
        let per_hz = TAU / self.rate_hz;
        let limits = (low * per_hz, high * per_hz);
        let found = self.mains_finder.iter().filter_map(|finder| {
            let total: f64 = finder.power.iter().sum();
            let omega = strongest_line(
                &finder.power,
                finder.length(),
                2.0 * limits.0,
                2.0 * limits.1,
                12.0,
            )?;
            let bin = (omega / TAU * finder.length() as f64).round() as usize;
            Some((omega, finder.power.get(bin).copied().unwrap_or(0.0) / total))
        });
        if let Some((omega, _)) = found.max_by(|a, b| a.1.total_cmp(&b.1)) {
            self.tried[0] = 0;
            self.mains.start((0.5 * omega).clamp(limits.0, limits.1), limits);
        } else {
            self.mains.stop();
        }
        true
    }
}
