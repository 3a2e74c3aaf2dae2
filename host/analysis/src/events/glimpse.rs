//! A first look at an excursion, before it is reported: for a sound that must not wait.

use std::collections::VecDeque;

use super::channel::{Channel, Excursion, Progress};
use super::model::Event;
use super::running::Running;
use super::settings::EventSettings;

/// So much is seen after the reading that gave an excursion away: enough to tell an interference click and a change of
/// both channels from a fault.
const LEAST_S: f64 = 0.004;

/// Whether a departure is larger than any that the load's own changes make the other way: then it is no return from one.
fn is_beyond_pulses(channel: &Channel, excursion: &Excursion) -> bool {
    let scale = &channel.scales[excursion.peak_scale];
    let opposite_a = if excursion.peak_a > 0.0 {
        scale.lower_a
    } else {
        scale.upper_a
    };
    excursion.peak_a.abs() > 1.5 * opposite_a
}

impl Running {
    /// What an excursion that is not reported yet looks like; once for each, by `latest`, the numbers looked at last.
    pub(super) fn glimpse(
        &mut self,
        settings: &EventSettings,
        commands_s: &VecDeque<f64>,
        latest: &mut [u64; 2],
    ) -> Option<Event> {
        let least = ((LEAST_S * self.rate_hz).round() as u64).max(2);
        for (index, latest) in latest.iter_mut().enumerate() {
            let channel = &self.channels[index];
            let Some(excursion) = &channel.excursion else {
                continue;
            };
            if excursion.decided
                || excursion.id <= *latest
                || channel.ring.end() < excursion.found_at + least
                || !channel.can_tell_pulse(excursion) && !is_beyond_pulses(channel, excursion)
            {
                continue;
            }
            *latest = excursion.id;
            // What a pulse of the load's own left behind is seen as that.
            let excursion = channel.pulse_of(excursion).unwrap_or_else(|| excursion.clone());
            // Only what is decided for good is learned from.
            return Some(self.describe(index, &excursion, Progress::Decide, settings, commands_s));
        }
        None
    }
}
