//! From shape to word: what an event is taken for, and why.

use super::channel::Progress;
use super::model::EventKind;
use super::settings::EventSettings;
use super::shape::Shape;

/// A step that has not gone back yet.
#[derive(Clone, Debug)]
pub(super) struct Latch {
    pub(super) id: u64,
    pub(super) before_a: f64,
    pub(super) size_a: f64,
}

/// The word for a shape, with the reason.
#[derive(Clone, Debug)]
pub(super) struct Verdict {
    pub(super) kind: EventKind,
    pub(super) reason: String,
    /// The step that this event undoes.
    pub(super) undoes: Option<u64>,
}

fn say(kind: EventKind, reason: String) -> Verdict {
    Verdict {
        kind,
        reason,
        undoes: None,
    }
}

/// What the surroundings of an event are.
pub(super) struct Circumstances<'a> {
    pub(super) settings: &'a EventSettings,
    pub(super) channel: usize,
    pub(super) progress: Progress,
    /// Whether the newest readings are still away from the level before.
    pub(super) still_away: bool,
    /// Mean of the last readings, in amperes.
    pub(super) level_now_a: f64,
    /// Largest distance of a reading from that level since shortly after the onset, in amperes.
    pub(super) restless_a: f64,
    /// Spread of one reading, in amperes.
    pub(super) reading_a: f64,
    /// Whether it is only what a pulse below the threshold left behind.
    pub(super) echo: bool,
    pub(super) latches: &'a [Latch],
    /// Relative change of the rail during the event, and whether it stands out of the rail's noise.
    pub(super) rail_change: Option<f64>,
    /// Relative size of this channel's faults' images on the other channel, with its uncertainty, if known.
    pub(super) image: Option<(f64, f64)>,
    /// The event whose aftermath this may be: its number and what it was taken for.
    pub(super) aftermath: Option<(u64, EventKind)>,
    /// Offset of the nearest command mark, in seconds, if one is near enough.
    pub(super) command_s: Option<f64>,
}

/// Judges a shape in its circumstances.
pub(super) fn judge(shape: &Shape, around: &Circumstances<'_>) -> Verdict {
    let other_channel = 2 - around.channel;
    if let Some(offset) = around.command_s {
        return say(
            EventKind::LoadChange,
            format!("{:.0} ms from the mark of a switched load", 1000.0 * offset),
        );
    }
    if around.echo {
        return say(
            EventKind::Nuisance,
            "the level after a pulse that is no larger than the load's own changes".to_owned(),
        );
    }
    if let Some(verdict) = both_channels(shape, around, other_channel) {
        return verdict;
    }
    if let Some(change) = around.rail_change
        && change.signum() == shape.size_a.signum()
    {
        return say(EventKind::Nuisance, of_the_rail(change));
    }
    if let Some((id, before)) = around.aftermath {
        let kind = if before.is_fault() {
            EventKind::Nuisance
        } else {
            before
        };
        return say(kind, format!("the level was still settling after event {id}"));
    }
    let undone = undone(shape, around);
    if let Some(latch) = undone
        && around.progress != Progress::Returned
        && restful(shape, around, latch)
    {
        return Verdict {
            kind: EventKind::Nuisance,
            reason: format!("the step of event {} goes back", latch.id),
            undoes: Some(latch.id),
        };
    }
    let mut verdict = alone(shape, around, other_channel);
    verdict.undoes = undone.map(|latch| latch.id);
    verdict
}

/// How the rail moved, by its relative change. A rail that was next to nothing has no share to tell of.
fn of_the_rail(change: f64) -> String {
    if change > 1.0 {
        "the rail itself came up at the same time: the supply was switched on, or its lead closed".to_owned()
    } else {
        format!(
            "the rail itself moved by {:.1} % at the same time: supply or lead",
            100.0 * change
        )
    }
}

/// The step that this change undoes: against it, of its size, and back to the level before it.
fn undone<'a>(shape: &Shape, around: &Circumstances<'a>) -> Option<&'a Latch> {
    around.latches.iter().rev().find(|latch| {
        let change = around.level_now_a - shape.base_a;
        let tolerance = (0.3 * latch.size_a.abs()).max(4.0 * shape.size_uncertainty_a);
        change.signum() != latch.size_a.signum()
            && (change + latch.size_a).abs() < tolerance
            && (around.level_now_a - latch.before_a).abs() < tolerance
    })
}

/// Whether a step goes back and nothing else: a blow may break the contact again on the way, and then it is an event.
fn restful(shape: &Shape, around: &Circumstances<'_>, latch: &Latch) -> bool {
    let tolerance = (0.15 * latch.size_a.abs()).max(5.5 * around.reading_a);
    shape.opposite_a.abs() < tolerance && around.restless_a < tolerance
}

/// An event of this channel alone.
fn alone(shape: &Shape, around: &Circumstances<'_>, other_channel: usize) -> Verdict {
    if shape.swings >= 3 && shape.departures < 8 {
        return say(
            EventKind::Nuisance,
            format!(
                "rings both ways about its level ({} swings): the blow itself, not a contact",
                shape.swings
            ),
        );
    }
    let way = if shape.size_a < 0.0 { "fell" } else { "rose" };
    let alone = format!("channel {other_channel} did not follow");
    match around.progress {
        Progress::Latched => say(
            EventKind::Step,
            format!("{way} to a new level and stayed; {alone}"),
        ),
        Progress::Decide if around.still_away && shape.departures < 3 => say(
            EventKind::Step,
            format!("{way} and has not come back yet; {alone}"),
        ),
        _ if shape.departures >= 3 => say(
            EventKind::Chatter,
            format!("{way} {} times and came back; {alone}", shape.departures),
        ),
        _ if shape.size_a < 0.0 => say(EventKind::Dropout, format!("fell and came back; {alone}")),
        _ => say(EventKind::Spike, format!("rose and came back; {alone}")),
    }
}

/// What the two channels have in common.
fn both_channels(shape: &Shape, around: &Circumstances<'_>, other_channel: usize) -> Option<Verdict> {
    let other = &shape.other;
    if !other.known {
        return None;
    }
    let in_spreads = other.quick[1] / other.quick[0];
    // Relative to the currents: share of its current that the other channel changed by, per share of this one's.
    let (relative, uncertainty) = other.relative(shape.base_a);
    let share = around.settings.image_share;
    let alike = in_spreads > 0.0 && other.quick[0].abs() > 3.0 && other.quick[1].abs() > 3.0;
    if other.answers_jumps {
        return Some(say(
            EventKind::Nuisance,
            format!(
                "channel {other_channel} jumped the other way at the same instants, several times as far: its image \
                 through the common source, as this stage's reservoir takes it up"
            ),
        ));
    }
    if shape.isolated && alike {
        // Or a fault too short for its shape to tell, and its image. Then the share is that of longer faults' images; if
        // none has been seen, only like currents have images, and a fault takes current away.
        let image = shape.size_a < 0.0
            && relative < share
            && match around.image {
                Some((usual, spread)) => {
                    usual > 0.02 && (relative - usual).abs() < 3.0 * spread.hypot(uncertainty)
                }
                None => in_spreads < 0.33 && (0.5..2.0).contains(&(shape.base_a / other.base_a).abs()),
            };
        if !image {
            return Some(say(
                EventKind::Nuisance,
                format!(
                    "one reading, on both channels in proportion to their noise ({in_spreads:.1}): interference"
                ),
            ));
        }
    }
    if !relative.is_finite() {
        return None;
    }
    if other.gain < 0.0 {
        // One source feeds both channels: when one draws less, its resistance drops less, and the other gets more. The
        // current divides, so in amperes the cause is always the larger. In proportion it is larger too, though by less
        // than for images of one sign: a stage with a reservoir takes the rise up in a surge.
        let opposed = other.gain + 2.0 * other.gain_uncertainty < -1.0;
        let small = -relative - 2.0 * uncertainty > 1.5;
        return (opposed && small).then(|| {
            say(
                EventKind::Nuisance,
                format!(
                    "channel {other_channel} changed the other way at the same instant, {:.1} times as much: its image \
                     through the common source",
                    -relative
                ),
            )
        });
    }
    if relative > 1.0 / share && relative - 2.0 * uncertainty > 1.5 {
        return Some(say(
            EventKind::Nuisance,
            format!("channel {other_channel} changed {relative:.1} times as much: this is its image"),
        ));
    }
    if relative > share && relative - 1.3 * uncertainty > 0.8 * share {
        return Some(say(
            EventKind::LoadChange,
            format!(
                "both channels changed alike (channel {other_channel} by {relative:.2} of this one, relative to their currents)"
            ),
        ));
    }
    None
}
