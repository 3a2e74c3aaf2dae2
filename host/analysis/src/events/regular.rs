//! Loads that switch themselves: like events at regular intervals.

use std::collections::VecDeque;

use super::model::{Event, EventKind};

/// Like events needed before regularity is believed.
const LEAST: usize = 4;
/// Intervals shorter than this may be the rhythm of a tapping hand, in seconds.
const SHORTEST_S: f64 = 3.0;
/// How far an interval may be off, as a share of it.
const TOLERANCE: f64 = 0.03;

fn alike(a: &Event, b: &Event) -> bool {
    let (long_a, long_b) = (a.end_s - a.start_s, b.end_s - b.start_s);
    a.channel == b.channel
        && (a.size_a - b.size_a).abs() < 0.25 * b.size_a.abs()
        && (long_a - long_b).abs() < (0.4 * long_b).max(0.012)
}

/// Numbers of the events that make a regular series with `newest`, `newest` among them.
pub(super) fn series(recent: &VecDeque<Event>, newest: &Event) -> Option<Vec<u64>> {
    if !matches!(newest.kind, EventKind::Spike | EventKind::Dropout) {
        return None;
    }
    let like: Vec<&Event> = recent
        .iter()
        .filter(|event| {
            matches!(
                event.kind,
                EventKind::Spike | EventKind::Dropout | EventKind::Nuisance
            ) && alike(event, newest)
        })
        .collect();
    if like.len() < LEAST {
        return None;
    }
    let intervals: Vec<f64> = like
        .windows(2)
        .map(|pair| pair[1].start_s - pair[0].start_s)
        .collect();
    let mut sorted = intervals.clone();
    sorted.sort_by(f64::total_cmp);
    // Some may have been missed, so that an interval may be twice or three times the period.
    let period_s = sorted[sorted.len() / 4];
    let regular = intervals.iter().all(|interval| {
        let times = (interval / period_s).round();
        (1.0..=3.0).contains(&times) && (interval / (times * period_s) - 1.0).abs() < TOLERANCE
    });
    (period_s >= SHORTEST_S && regular).then(|| like.iter().map(|event| event.id).collect())
}
