//! A first look at an excursion, before it is reported: for a sound that must not wait.

use std::collections::VecDeque;

use super::channel::Progress;
use super::model::Event;
use super::running::Running;
use super::settings::EventSettings;

/// So much is seen after the reading that gave an excursion away: enough to tell an interference click and a change of
/// both channels from a fault.
const LEAST_S: f64 = 0.004;

/// Only what stands out within so short a time is glimpsed, as a contact that opens does. What shows only in longer means
/// may as well be what a change of the load's own left behind, and that is seen later.
const SHARP_S: f64 = 0.012;

impl Running {
    /// What an excursion that is not reported yet looks like; once for each, by `latest`, the numbers looked at last.
    pub(super) fn glimpse(
        &mut self,
        settings: &EventSettings,
        commands_s: &VecDeque<f64>,
        latest: &mut [u64; 2],
    ) -> Option<Event> {
        let readings = |seconds: f64| ((seconds * self.rate_hz).round() as u64).max(2);
        let (least, sharp) = (readings(LEAST_S), readings(SHARP_S));
        for (index, latest) in latest.iter_mut().enumerate() {
            let channel = &self.channels[index];
            let Some(excursion) = &channel.excursion else {
                continue;
            };
            if excursion.decided
                || excursion.id <= *latest
                || channel.ring.end() < excursion.found_at + least
                || excursion.found_at - excursion.first_start > sharp
            {
                continue;
            }
            *latest = excursion.id;
            let excursion = excursion.clone();
            // Only what is decided for good is learned from.
            return Some(self.describe(index, &excursion, Progress::Decide, settings, commands_s));
        }
        None
    }
}
