//! The detector as its user sees it: readings and marks in, news out.

use std::collections::VecDeque;

use super::calm::BLOCK;
use super::model::{Event, EventKind, EventUpdate};
use super::running::Running;
use super::settings::EventSettings;
use super::spacing::{LOOKED_AT, median_spacing};
use crate::sample::{Mark, MarkKind, Sample};

/// Readings wait for a block of them to be worked on at once, at most for so long, in seconds.
const WAIT_S: f64 = 0.02;

/// Finds events on two channels in a stream of readings; see the [module](super) for the method.
pub struct EventDetector {
    settings: EventSettings,
    early: Vec<Sample>,
    waiting: Vec<Sample>,
    block: usize,
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
            waiting: Vec::with_capacity(BLOCK),
            block: 1,
            running: None,
            commands_s: VecDeque::new(),
            updates: VecDeque::new(),
            glimpsed: [0; 2],
        }
    }

    /// Takes the next reading. It is worked on with those of the 20 ms around it; [`Self::settle`] waits for none.
    pub fn push(&mut self, sample: &Sample) {
        if !sample.time_s.is_finite() {
            return;
        }
        if self.running.is_some() {
            self.waiting.push(*sample);
            if self.waiting.len() >= self.block {
                self.settle();
            }
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

    /// Works on all readings taken so far.
    pub fn settle(&mut self) {
        if let Some(running) = &mut self.running {
            running.push_block(&self.waiting, &self.settings, &self.commands_s, &mut self.updates);
            self.waiting.clear();
        }
    }

    fn start(&mut self, rate_hz: f64) {
        self.block = ((WAIT_S * rate_hz) as usize).clamp(1, BLOCK);
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
        self.settle();
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
        self.settle();
        let running = self.running.as_mut()?;
        running.glimpse(&self.settings, &self.commands_s, &mut self.glimpsed)
    }

    /// Ends the recording: what is under way is reported as it stands.
    pub fn finish(&mut self) {
        if self.running.is_none() {
            self.begin();
        }
        self.settle();
        if let Some(running) = &mut self.running {
            running.finish(&self.settings, &self.commands_s, &mut self.updates);
        }
    }
}
