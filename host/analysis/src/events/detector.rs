//! The detector: two channels, the ripple loops, the look-ahead, and the news.

use std::collections::VecDeque;
use std::f64::consts::TAU;

use super::channel::{Channel, Excursion, Progress};
use super::judge::{Circumstances, Latch, judge};
use super::line::LineBank;
use super::model::{Event, EventKind, EventUpdate};
use super::rail::RailWatch;
use super::regular::series;
use super::settings::EventSettings;
use super::shape::shape;
use super::spacing::{LOOKED_AT, median_spacing};
use super::spectrum::{LineFinder, strongest_line};
use crate::sample::{Mark, MarkKind, Sample};

/// Events whose word may still change.
const KEPT: usize = 64;
/// Refreshes that loops are given to prove their worth before they are started anew.
const PATIENCE: u32 = 8;
/// Excursions in a row that may be put down to the one before.
const LONGEST_ROW: u32 = 5;
/// Steps that may be outstanding per channel.
const LATCHES: usize = 8;

/// Finds events on two channels in a stream of readings; see the [module](super) for the method.
pub struct EventDetector {
    settings: EventSettings,
    early: Vec<Sample>,
    running: Option<Box<Running>>,
    commands_s: VecDeque<f64>,
    updates: VecDeque<EventUpdate>,
}

struct Running {
    rate_hz: f64,
    channels: [Channel; 2],
    mains: LineBank,
    commutator: [LineBank; 2],
    mains_finder: [LineFinder; 2],
    commutator_finder: [LineFinder; 2],
    last_time_s: f64,
    since_refresh: u32,
    refresh_every: u32,
    next_id: u64,
    recent: VecDeque<Event>,
    latches: [Vec<Latch>; 2],
    rails: [RailWatch; 2],
    images: [Images; 2],
    /// Where an excursion last became the new level, and the event that it was.
    latched: [Option<Latched>; 2],
    /// Share of each channel's amplitude that the ripple loops left when its noise was last learned from nothing.
    left: [f64; 2],
    /// Refreshes since a bank of loops was last started: mains, commutator 1 and 2.
    tried: [u32; 3],
}

/// What is known of the images of one channel's faults on the other channel: a weighted mean.
#[derive(Clone, Copy, Debug, Default)]
struct Images {
    weight: f64,
    weighted: f64,
}

impl Images {
    fn learn(&mut self, relative: f64, uncertainty: f64) {
        // No image is known better than to one part in a hundred, for no two shapes have quite the same.
        let weight = 1.0 / (uncertainty * uncertainty + 1e-4);
        if weight.is_finite() && relative.is_finite() {
            self.weight += weight;
            self.weighted += weight * relative;
        }
    }

    fn known(&self) -> Option<(f64, f64)> {
        let spread = self.weight.sqrt().recip();
        (spread < 0.04).then(|| (self.weighted / self.weight, spread))
    }
}

/// An excursion that became the new level.
#[derive(Clone, Copy, Debug)]
struct Latched {
    at: u64,
    id: u64,
    kind: EventKind,
    /// How many in a row.
    row: u32,
}

impl EventDetector {
    /// A detector that has seen nothing yet.
    #[must_use]
    pub fn new(settings: EventSettings) -> Self {
        Self {
            settings,
            early: Vec::with_capacity(LOOKED_AT),
            running: None,
            commands_s: VecDeque::new(),
            updates: VecDeque::new(),
        }
    }

    /// Takes the next reading.
    pub fn push(&mut self, sample: &Sample) {
        if !sample.time_s.is_finite() {
            return;
        }
        if let Some(running) = &mut self.running {
            running.push(sample, &self.settings, &self.commands_s, &mut self.updates);
            return;
        }
        if let Some(rate_hz) = self.settings.rate_hz {
            self.start(rate_hz);
            self.push(sample);
            return;
        }
        self.early.push(*sample);
        if self.early.len() >= LOOKED_AT {
            self.begin();
        }
    }

    fn start(&mut self, rate_hz: f64) {
        self.running = Some(Box::new(Running::new(&self.settings, rate_hz)));
    }

    fn begin(&mut self) {
        let stamps: Vec<f64> = self.early.iter().map(|sample| sample.time_s).collect();
        let early = std::mem::take(&mut self.early);
        let Some(spacing) = median_spacing(&stamps) else {
            return;
        };
        self.start(1.0 / spacing);
        for sample in &early {
            self.push(sample);
        }
    }

    /// Tells of a mark; a mark of a switched load may come after its effect and then revises what was said.
    pub fn mark(&mut self, mark: &Mark) {
        if mark.kind != MarkKind::Command {
            return;
        }
        let place = self.commands_s.partition_point(|&time| time < mark.time_s);
        self.commands_s.insert(place, mark.time_s);
        let Some(running) = &mut self.running else { return };
        for event in &mut running.recent {
            let offset = event.start_s - mark.time_s;
            if event.kind.is_fault() && offset.abs() <= self.settings.command_tolerance_s {
                event.kind = EventKind::LoadChange;
                event.reason = format!("{:.0} ms from the mark of a switched load", 1000.0 * offset);
                self.updates.push_back(EventUpdate::Revised(event.clone()));
            }
        }
    }

    /// The next piece of news, oldest first.
    pub fn next_update(&mut self) -> Option<EventUpdate> {
        self.updates.pop_front()
    }

    /// Ends the recording: what is under way is reported as it stands.
    pub fn finish(&mut self) {
        if self.running.is_none() {
            self.begin();
        }
        if let Some(running) = &mut self.running {
            running.finish(&self.settings, &self.commands_s, &mut self.updates);
        }
    }
}

impl Running {
    fn new(settings: &EventSettings, rate_hz: f64) -> Self {
        let finder = || LineFinder::new(rate_hz, 1.0);
        Self {
            rate_hz,
            channels: [Channel::new(settings, rate_hz), Channel::new(settings, rate_hz)],
            mains: LineBank::new(&[1, 2, 4, 6, 8], &[1.0, 0.3, 0.1], rate_hz),
            commutator: [0, 1].map(|_| LineBank::new(&[1, 2, 3], &[0.15, 0.05, 0.02], rate_hz)),
            mains_finder: [finder(), finder()],
            commutator_finder: [finder(), finder()],
            last_time_s: f64::NAN,
            since_refresh: 0,
            refresh_every: (0.5 * rate_hz).max(1.0) as u32,
            next_id: 1,
            recent: VecDeque::with_capacity(KEPT),
            latches: [Vec::new(), Vec::new()],
            images: [Images::default(); 2],
            latched: [None; 2],
            rails: [RailWatch::new(rate_hz), RailWatch::new(rate_hz)],
            left: [1.0; 2],
            tried: [u32::MAX / 2; 3],
        }
    }

    fn push(
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
            self.rails[index].push(sample.rail_v[index], channel.excursion.is_some());
            let kept = above_level[index].unwrap_or(mains[index]);
            self.mains_finder[index].push(kept);
            self.commutator_finder[index].push(seconds_above[index].unwrap_or(line[0]));
            let progress = channel.push(value, &mut self.next_id);
            self.commutator[index].learn([seconds_above[index], None]);
            if progress != Progress::Nothing {
                self.report(index, progress, settings, commands_s, updates);
            }
        }
        self.mains.learn(above_level);
        self.since_refresh += 1;
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
        if !self.mains.helps() && self.tried[0] > PATIENCE {
            self.find_mains(settings);
        }
        for index in 0..2 {
            if !self.commutator[index].helps()
                && self.tried[1 + index] > PATIENCE
                && self.commutator_finder[index].refresh()
            {
                let finder = &self.commutator_finder[index];
                let per_hz = TAU / self.rate_hz;
                let found = strongest_line(&finder.power, finder.length(), 8.0 * per_hz, 0.4 * TAU, 30.0);
                if let Some(omega) = found {
                    self.tried[1 + index] = 0;
                    self.commutator[index].start(omega, (0.8 * omega, 1.25 * omega));
                }
            }
        }
    }

    fn find_mains(&mut self, settings: &EventSettings) {
        let ready = self.mains_finder.each_mut().map(LineFinder::refresh);
        if !ready[0] || !ready[1] {
            return;
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
        }
    }

    fn time_of(&self, position: u64) -> f64 {
        let newest = self.channels[0].ring.end().max(self.channels[1].ring.end());
        self.last_time_s - (newest as f64 - 1.0 - position as f64) / self.rate_hz
    }

    fn report(
        &mut self,
        index: usize,
        progress: Progress,
        settings: &EventSettings,
        commands_s: &VecDeque<f64>,
        updates: &mut VecDeque<EventUpdate>,
    ) {
        let Some(excursion) = self.channels[index].excursion.clone() else {
            return;
        };
        let event = self.describe(index, &excursion, progress, settings, commands_s);
        if progress != Progress::Decide {
            self.channels[index].close(progress);
        }
        self.publish(event, updates);
    }

    fn describe(
        &mut self,
        index: usize,
        excursion: &Excursion,
        progress: Progress,
        settings: &EventSettings,
        commands_s: &VecDeque<f64>,
    ) -> Event {
        let (channel, beside) = (&self.channels[index], &self.channels[1 - index]);
        let seen = shape(channel, excursion, beside);
        let start_s = self.time_of(seen.onset);
        let end = channel.ring.end();
        let recent = ((0.02 * self.rate_hz) as u64).max(1);
        let place = commands_s.partition_point(|&time| time < start_s);
        let command_s = commands_s
            .iter()
            .skip(place.saturating_sub(1))
            .take(2)
            .map(|&time| start_s - time)
            .min_by(|a, b| a.abs().total_cmp(&b.abs()))
            .filter(|offset| offset.abs() <= settings.command_tolerance_s);
        let level_now_a = channel.ring.mean(end - recent.min(end), end);
        let settled = seen.onset + ((0.002 * self.rate_hz) as u64).max(2);
        let restless_a = (settled..end)
            .map(|position| (channel.ring.at(position) - level_now_a).abs())
            .fold(0.0, f64::max);
        let aftermath = self.latched[index].filter(|latched| {
            excursion.first_start <= latched.at + channel.spans.aftermath && latched.row < LONGEST_ROW
        });
        let around = Circumstances {
            settings,
            channel: index,
            progress,
            still_away: end - excursion.last_away <= recent / 4,
            level_now_a,
            restless_a,
            reading_a: channel.spread(1),
            latches: &self.latches[index],
            image: self.images[index].known(),
            aftermath: aftermath.map(|latched| (latched.id, latched.kind)),
            rail_change: self.rails[index].change(),
            command_s,
        };
        let verdict = judge(&seen, &around);
        let scale = &channel.scales[excursion.peak_scale];
        let looks = EventSettings::looks_per_hour(self.rate_hz, scale.window, channel.scales.len() as u32);
        let mut event = Event {
            id: excursion.id,
            channel: index as u8 + 1,
            start_s,
            end_s: self.time_of(seen.end),
            kind: verdict.kind,
            size_a: seen.size_a,
            size_uncertainty_a: seen.size_uncertainty_a,
            score: -(looks.log10() + log10_beyond(excursion.peak_score)),
            reason: verdict.reason,
        };
        let clipped = settings.full_scale_a[index].is_some_and(|full_a| {
            (seen.onset..seen.end).any(|position| channel.ring.at(position).abs() >= 0.999 * full_a)
        });
        if clipped {
            event
                .reason
                .push_str("; clipped at full scale, so the size is the least it can be");
        }
        if progress != Progress::Decide && event.kind.is_fault() && !seen.isolated && seen.other.known {
            let (relative, uncertainty) = seen.other.relative(seen.base_a);
            self.images[index].learn(relative, uncertainty);
        }
        if progress == Progress::Latched {
            let (id, row) = aftermath.map_or((event.id, 0), |latched| (latched.id, latched.row + 1));
            self.latched[index] = Some(Latched {
                at: end,
                id,
                kind: event.kind,
                row,
            });
            let latches = &mut self.latches[index];
            if let Some(id) = verdict.undoes {
                latches.retain(|latch| latch.id != id);
            } else if event.kind == EventKind::Step {
                if latches.len() == LATCHES {
                    latches.remove(0);
                }
                latches.push(Latch {
                    id: excursion.id,
                    before_a: seen.base_a,
                    size_a: seen.size_a,
                });
            } else {
                // A switched load moves the level that an outstanding step would go back to.
                latches
                    .iter_mut()
                    .for_each(|latch| latch.before_a += level_now_a - seen.base_a);
            }
        }
        event
    }

    fn publish(&mut self, event: Event, updates: &mut VecDeque<EventUpdate>) {
        let newest = event.clone();
        match self.recent.iter_mut().rev().find(|known| known.id == event.id) {
            Some(known) => {
                if *known != event {
                    *known = event.clone();
                    updates.push_back(EventUpdate::Revised(event));
                }
            }
            None => {
                if self.recent.len() == KEPT {
                    self.recent.pop_front();
                }
                self.recent.push_back(event.clone());
                updates.push_back(EventUpdate::Found(event));
            }
        }
        let Some(members) = series(&self.recent, &newest) else {
            return;
        };
        for event in self
            .recent
            .iter_mut()
            .filter(|event| event.kind.is_fault() && members.contains(&event.id))
        {
            event.kind = EventKind::Nuisance;
            event.reason = "one of a regular series of like events: a load that switches itself".to_owned();
            updates.push_back(EventUpdate::Revised(event.clone()));
        }
    }

    fn finish(
        &mut self,
        settings: &EventSettings,
        commands_s: &VecDeque<f64>,
        updates: &mut VecDeque<EventUpdate>,
    ) {
        for index in 0..2 {
            if self.channels[index].excursion.is_some() {
                self.report(index, Progress::Returned, settings, commands_s, updates);
            }
        }
    }
}

/// Common logarithm of the share of a standard normal beyond `score`, by the first terms of its asymptotic series.
fn log10_beyond(score: f64) -> f64 {
    let score = score.max(2.0);
    let series = 1.0 - 1.0 / (score * score) + 3.0 / score.powi(4);
    -0.5 * score * score / std::f64::consts::LN_10 - (score * (TAU).sqrt() / series).log10()
}
