//! The detector as its user sees it: readings and marks in, news out.

use std::collections::VecDeque;

use super::model::{Event, EventKind, EventUpdate};
use super::running::Running;
use super::settings::EventSettings;
use super::spacing::{LOOKED_AT, median_spacing};
use crate::sample::{Mark, MarkKind, Sample};

/// Finds events on two channels in a stream of readings; see the [module](super) for the method.
pub struct EventDetector {
    settings: EventSettings,
    early: Vec<Sample>,
    running: Option<Box<Running>>,
    commands_s: VecDeque<f64>,
    updates: VecDeque<EventUpdate>,
    /// Numbers of the excursions glimpsed last on each channel.
    glimpsed: [u64; 2],
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
            glimpsed: [0; 2],
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

    /// What an excursion that is not reported yet looks like so far, once for each, from 4 ms after the reading that gave
    /// it away. The report comes under the same number and may take it back; a glimpse changes nothing that is reported.
    pub fn glimpse(&mut self) -> Option<Event> {
        let running = self.running.as_mut()?;
        running.glimpse(&self.settings, &self.commands_s, &mut self.glimpsed)
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
