//! A board's part of the event `state`.

use std::time::Instant;

use super::LiveBoard;
use super::view::{BoardView, ChannelView, Figure, GuardView, TwinsView};

impl LiveBoard {
    /// The present state, with the columns of the trace that no [`Self::take_view`] before had.
    #[must_use]
    pub fn view(&self, at: Instant) -> BoardView {
        let age_s = self
            .now
            .arrived
            .map(|arrived| at.saturating_duration_since(arrived).as_secs_f64());
        // Board time goes on while nothing comes.
        let now_us = self.now.elapsed_us + age_s.map_or(0, |age_s| (age_s * 1e6) as i64);
        let channels = [0, 1].map(|channel| self.channel(channel, now_us));
        BoardView {
            serial: self.serial.clone(),
            port: self.port.clone(),
            connected: self.measuring && !self.another_board,
            age_s,
            elapsed_s: self.elapsed_s,
            guard: GuardView {
                state: self.guard,
                cause: self.guard_cause.clone().filter(|_| self.guard == "tripped"),
            },
            losses: self.lost_readings,
            clock_bound_s: self.utc_bound_s,
            twins: twins(&channels),
            channels,
            recent: self.now.columns.whole(),
        }
    }

    /// The same, and the columns are taken.
    pub fn take_view(&mut self, at: Instant) -> BoardView {
        let view = self.view(at);
        self.now.columns.take_whole();
        view
    }

    fn channel(&self, channel: usize, now_us: i64) -> ChannelView {
        let trend = &self.now.trends[channel];
        let (state, reason) = trend.word(now_us);
        ChannelView {
            name: format!("channel {}", channel + 1),
            current_a: trend.shown_a(),
            current_uncertainty_a: trend.uncertainty_a(),
            rail_v: self.rail_v[channel],
            temperature_c: self.temperature_c[channel],
            state,
            reason,
            age_s: trend.silent_us(now_us).map(|silent_us| silent_us as f64 * 1e-6),
        }
    }
}

/// The difference of what is shown, with both bounds added as independent ones are (JCGM 100, 5.1.2). Whether it matters
/// is for a run of twins to say.
fn twins(channels: &[ChannelView; 2]) -> Option<TwinsView> {
    let [one, two] = channels;
    let (first_a, second_a) = (one.current_a?, two.current_a?);
    let bounds = one.current_uncertainty_a.zip(two.current_uncertainty_a);
    let figure = |value: f64, half_width: Option<f64>| Figure {
        value,
        low: half_width.map(|half_width| value - half_width),
        high: half_width.map(|half_width| value + half_width),
    };
    let difference = first_a - second_a;
    let ratio = first_a / second_a;
    // A channel that is not told from zero divides nothing.
    let divides = bounds.map_or(second_a != 0.0, |(_, second)| second_a.abs() > 2.0 * second);
    Some(TwinsView {
        difference_a: figure(difference, bounds.map(|(first, second)| first.hypot(second))),
        ratio: divides.then(|| {
            let bound = bounds.map(|(first, second)| (first / second_a).hypot(ratio * second / second_a));
            figure(ratio, bound)
        }),
        word: "not compared",
        reason: "start a run of twins to compare them".to_owned(),
    })
}
