//! The shape of one excursion: onset, end, size, how often it came and went, and what the other channel did meanwhile.

use super::channel::{Channel, Excursion};

/// What one stage draws less lifts the rail of the other by the resistance they share, and the other's reservoir takes
/// that up: the surge is as large as the jump times the shared resistance over the reservoir's own path, which is larger
/// (common practice, no source).
const JUMP_RATIO: f64 = 3.0;

/// What an excursion looks like once its look-ahead is over.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shape {
    /// Position of the first reading that is away.
    pub(super) onset: u64,
    /// One past the last reading that is away.
    pub(super) end: u64,
    /// Level before, in amperes.
    pub(super) base_a: f64,
    /// Departure from it, in amperes, and its standard uncertainty.
    pub(super) size_a: f64,
    pub(super) size_uncertainty_a: f64,
    /// How often the current went away from its level.
    pub(super) departures: u32,
    /// How often the departure changed its sign at about full size.
    pub(super) swings: u32,
    /// The departure is that of one reading: its neighbours are near the level.
    pub(super) isolated: bool,
    /// Largest departure of a single reading the other way, in amperes.
    pub(super) opposite_a: f64,
    pub(super) other: Other,
}

/// The other channel over the same readings.
#[derive(Clone, Copy, Debug)]
pub(super) struct Other {
    /// Its change as a share of this channel's change (amperes per ampere), by least squares, and the uncertainty.
    pub(super) gain: f64,
    pub(super) gain_uncertainty: f64,
    /// Its level before, in amperes.
    pub(super) base_a: f64,
    /// How far the reading at which this channel departed most stands from its neighbours, on this channel and on the
    /// other, in multiples of what is usual there.
    pub(super) quick: [f64; 2],
    /// Every reading that departs on this channel stands beside a jump of the other, the other way and several times as
    /// large.
    pub(super) answers_jumps: bool,
    pub(super) known: bool,
}

impl Other {
    /// The gain relative to the currents, with its uncertainty; `base_a` is this channel's level.
    pub(super) fn relative(&self, base_a: f64) -> (f64, f64) {
        let ratio = (base_a / self.base_a).abs();
        (self.gain * ratio, self.gain_uncertainty * ratio)
    }
}

/// Onset by likelihood: the position that best splits the readings into "before" and "away" (Hinkley 1970, Biometrika 57:1).
fn onset(channel: &Channel, excursion: &Excursion) -> (u64, f64) {
    let ring = &channel.ring;
    let window = channel.scales[excursion.peak_scale].window;
    let to = excursion.peak_end;
    let from = to
        .saturating_sub(2 * window)
        .max(channel.since + 1)
        .max(ring.oldest() + 1);
    let length = excursion
        .base_length
        .min(from - channel.since.max(ring.oldest()))
        .max(1);
    let base = ring.mean(from - length, from);
    let stride = (window / 32).max(1);
    let mut best = (to - window.min(to - from).max(1), 0.0);
    let mut position = from;
    while position < to {
        let departure = ring.mean(position, to) - base;
        let weight = departure * departure * (to - position) as f64;
        if weight > best.1 && departure.signum() == excursion.peak_a.signum() {
            best = (position, weight);
        }
        position += stride;
    }
    let onset = best.0;
    let end = onset.max(from).saturating_sub(1).max(channel.since + 1);
    let start = end
        .saturating_sub(excursion.base_length)
        .max(channel.since)
        .max(ring.oldest());
    (onset, if start < end { ring.mean(start, end) } else { base })
}

/// Works out the shape of `excursion` of `channel`, with the other channel beside it.
pub(super) fn shape(channel: &Channel, excursion: &Excursion, beside: &Channel) -> Shape {
    let ring = &channel.ring;
    let (onset, base_a) = onset(channel, excursion);
    let end = excursion.last_away.max(onset + 1).min(ring.end());
    let one = channel.spread(1);
    let window = channel.scales[excursion.peak_scale].window;
    // The departure of single readings, or of short means where single readings tell nothing.
    let sign = excursion.peak_a.signum();
    let (mut largest, mut largest_at, mut least) = (0.0_f64, onset, 0.0_f64);
    for position in onset..end {
        let departure = sign * (ring.at(position) - base_a);
        if departure > largest {
            (largest, largest_at) = (departure, position);
        }
        least = least.min(departure);
    }
    let clear = excursion.peak_a.abs() > 5.0 * one;
    let depth = if clear {
        largest
            .min(1.5 * excursion.peak_a.abs())
            .max(excursion.peak_a.abs())
    } else {
        0.0
    };
    // The windows that watched for the return lag behind it.
    let end = if clear {
        (onset + 1..=end)
            .rev()
            .find(|&past| (ring.at(past - 1) - base_a).abs() > 0.5 * depth)
            .unwrap_or(onset + 1)
    } else {
        end.saturating_sub(window / 4).max(onset + 1)
    };
    let (mut away, mut count, mut departures, mut inside) = (0.0, 0_u64, 0, false);
    for position in onset..end {
        let departure = sign * (ring.at(position) - base_a);
        if !clear || departure > 0.5 * depth {
            away += departure;
            count += 1;
        }
        if departure > 0.6 * depth && !inside {
            inside = true;
            departures += 1;
        } else if departure < 0.3 * depth {
            inside = false;
        }
    }
    let size_a = if count > 0 {
        sign * away / count as f64
    } else {
        excursion.peak_a
    };
    Shape {
        onset,
        end,
        base_a,
        size_a,
        size_uncertainty_a: channel.spread(count),
        departures: if clear { departures } else { 1 },
        swings: swings(
            channel,
            onset,
            end,
            (window / 2).max(1),
            base_a,
            excursion.peak_a.abs(),
        ),
        isolated: isolated(channel, largest_at, base_a),
        opposite_a: least,
        other: Other {
            answers_jumps: clear && answers_jumps(channel, beside, onset..end, base_a, 0.5 * depth),
            ..other(
                channel,
                beside,
                onset,
                end,
                channel.spans.settle,
                base_a,
                largest_at,
            )
        },
    }
}

/// Whether each reading of `span` that is further than `away_a` from its level stands beside a jump of the other channel,
/// from one reading to the next, the other way and [`JUMP_RATIO`] times as large. A conversion may begin before the jump
/// and the surge that answers it may last two.
fn answers_jumps(
    channel: &Channel,
    beside: &Channel,
    span: std::ops::Range<u64>,
    base_a: f64,
    away_a: f64,
) -> bool {
    let (own, other) = (&channel.ring, &beside.ring);
    span.clone().all(|position| {
        let departure = own.at(position) - base_a;
        let from = position.saturating_sub(2).max(other.oldest() + 1);
        let to = (position + 2).min(other.end());
        departure.abs() <= away_a
            || (from..to).any(|at| {
                let jump = other.at(at) - other.at(at - 1);
                jump * departure < 0.0 && jump.abs() >= JUMP_RATIO * departure.abs()
            })
    })
}

/// Whether the reading at `position` departs alone: its neighbours by less than half of what it does.
fn isolated(channel: &Channel, position: u64, base_a: f64) -> bool {
    let ring = &channel.ring;
    if position <= ring.oldest() || position + 1 >= ring.end() {
        return false;
    }
    let limit = 0.5 * (ring.at(position) - base_a).abs();
    (ring.at(position - 1) - base_a).abs() < limit && (ring.at(position + 1) - base_a).abs() < limit
}

/// How often the departure, averaged over `step` readings, changes sign at more than half of `size_a`.
fn swings(channel: &Channel, from: u64, to: u64, step: u64, base_a: f64, size_a: f64) -> u32 {
    let (mut count, mut last, mut position) = (0, 0.0, from);
    while position + step <= to {
        let departure = channel.ring.mean(position, position + step) - base_a;
        if departure.abs() > 0.5 * size_a && departure.signum() != last {
            count += u32::from(last != 0.0);
            last = departure.signum();
        }
        position += step;
    }
    count
}

fn other(
    channel: &Channel,
    beside: &Channel,
    onset: u64,
    end: u64,
    settle: u64,
    base_a: f64,
    largest_at: u64,
) -> Other {
    let unknown = Other {
        gain: 0.0,
        gain_uncertainty: f64::INFINITY,
        base_a: 0.0,
        quick: [0.0; 2],
        answers_jumps: false,
        known: false,
    };
    let length = (4 * (end - onset)).clamp(
        16,
        (beside.scales.last().map_or(64, |scale| scale.window) / 2).max(16),
    );
    let from = onset.saturating_sub(1);
    let start = from.saturating_sub(length).max(beside.ring.oldest());
    if start >= from || beside.is_missing() {
        return unknown;
    }
    let other_base = beside.ring.mean(start, from);
    let to = (end + 1).min(beside.ring.end()).min(onset + settle);
    let (mut both, mut own, mut readings) = (0.0, 0.0, 0_u64);
    for position in from..to {
        let a = channel.ring.at(position) - base_a;
        let b = beside.ring.at(position) - other_base;
        both += a * b;
        own += a * a;
        readings += 1;
    }
    if own <= 0.0 {
        return unknown;
    }
    let spread = beside.core(readings);
    let quick = |channel: &Channel| {
        let position = largest_at.clamp(channel.ring.oldest() + 1, channel.ring.end().saturating_sub(2));
        channel.second_difference(position) / channel.quick_noise_a.max(f64::MIN_POSITIVE)
    };
    Other {
        gain: both / own,
        gain_uncertainty: spread * (readings as f64 / own).sqrt(),
        base_a: other_base,
        quick: [quick(channel), quick(beside)],
        answers_jumps: false,
        known: spread.is_finite(),
    }
}
