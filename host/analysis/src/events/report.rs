//! From an excursion to the news of it.

use std::collections::VecDeque;
use std::f64::consts::TAU;

use super::channel::{Excursion, Progress};
use super::judge::{Circumstances, Latch, judge};
use super::model::{Event, EventKind, EventUpdate};
use super::regular::series;
use super::rhythm::Beat;
use super::running::Running;
use super::settings::EventSettings;
use super::shape::shape;

/// Events whose word may still change.
pub(super) const KEPT: usize = 64;
/// Excursions in a row that may be put down to the one before.
const LONGEST_ROW: u32 = 5;
/// Steps that may be outstanding per channel.
const LATCHES: usize = 8;

/// What is known of the images of one channel's faults on the other channel: a weighted mean.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Images {
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
pub(super) struct Latched {
    at: u64,
    id: u64,
    kind: EventKind,
    /// How many in a row.
    row: u32,
}

impl Running {
    /// The change that an event is, as a rhythm may hold it; `None` for what is no single change.
    fn beat(&self, event: &Event) -> Option<Beat> {
        let back = (self.last_time_s - event.start_s) * self.rate_hz;
        let newest = self.channels[0].ring.end().max(self.channels[1].ring.end());
        let at = (newest as f64 - 1.0 - back).round().max(0.0) as u64;
        let length = ((event.end_s - event.start_s) * self.rate_hz).round() as u64;
        match event.kind {
            EventKind::Spike | EventKind::Dropout => Some(Some(length.max(1))),
            EventKind::Step => Some(None),
            _ => None,
        }
        .map(|length| Beat {
            at,
            length,
            size_a: event.size_a,
        })
    }

    /// A rhythm has become known: what belongs to it was no fault.
    pub(super) fn excuse(&mut self, index: usize, updates: &mut VecDeque<EventUpdate>) {
        for place in 0..self.recent.len() {
            let event = &self.recent[place];
            if event.channel != index as u8 + 1 {
                continue;
            }
            let Some(period_s) = self
                .beat(event)
                .and_then(|beat| self.rhythms[index].period_s(&beat))
            else {
                continue;
            };
            let event = &mut self.recent[place];
            event.kind = EventKind::Nuisance;
            event.reason = rhythmic(period_s);
            updates.push_back(EventUpdate::Revised(event.clone()));
        }
    }

    fn time_of(&self, position: u64) -> f64 {
        let newest = self.channels[0].ring.end().max(self.channels[1].ring.end());
        self.last_time_s - (newest as f64 - 1.0 - position as f64) / self.rate_hz
    }

    pub(super) fn report(
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
        let mut event = self.describe(index, &excursion, progress, settings, commands_s);
        if progress != Progress::Decide {
            self.channels[index].close(progress);
        }
        let beat = self.beat(&event);
        if let Some(beat) = beat
            && let Some(period_s) = self.rhythms[index].period_s(&beat)
        {
            event.kind = EventKind::Nuisance;
            event.reason = rhythmic(period_s);
        }
        if let Some(beat) = beat.filter(|_| progress != Progress::Decide) {
            self.rhythms[index].learn(beat);
        }
        self.publish(event, updates);
    }

    pub(super) fn describe(
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
            echo: excursion.echo,
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

    pub(super) fn finish(
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

/// Why a change in a rhythm is harmless.
fn rhythmic(period_s: f64) -> String {
    format!("one of a regular series of like changes, every {period_s:.2} s: a load that switches itself")
}

/// Common logarithm of the share of a standard normal beyond `score`, by the first terms of its asymptotic series.
fn log10_beyond(score: f64) -> f64 {
    let score = score.max(2.0);
    let series = 1.0 - 1.0 / (score * score) + 3.0 / score.powi(4);
    -0.5 * score * score / std::f64::consts::LN_10 - (score * (TAU).sqrt() / series).log10()
}
