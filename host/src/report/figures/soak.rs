//! A soak.

use steadybench_analysis::soak::{ChannelSoak, SoakStanding};

use crate::examine::SoakPassFindings;
use crate::examine::words::duration;

use super::{Bound, Told, Tone};

pub(super) fn tell(pass: &SoakPassFindings, told: &mut Told) {
    let findings = &pass.course;
    for channel in &findings.drift {
        tell_channel(channel, told);
    }
    if findings.drift.is_empty() {
        told.word(None, "not enough data", Tone::Open, "no channel had readings");
    }
    let slow = findings
        .events
        .iter()
        .filter(|event| event.kind.is_fault())
        .count();
    if slow > 0 {
        let reason = format!("of a second or longer, in {}", duration(findings.duration_s));
        told.word(None, counted(slow as u64, "fault"), Tone::Bad, reason);
    }
    let short = pass.short_events.len() as u64 + pass.short_events_forgotten;
    match pass.short_events_from_s {
        None => told.word(
            None,
            "short faults not looked for",
            Tone::Open,
            "the readings are too far apart to show any",
        ),
        Some(from_s) if from_s >= findings.duration_s => told.word(
            None,
            "short faults not looked for",
            Tone::Open,
            format!(
                "they are told from {} on, once the noise is learned",
                duration(from_s)
            ),
        ),
        Some(from_s) => {
            let tone = if short == 0 { Tone::Good } else { Tone::Bad };
            let word = if short == 0 {
                "no short fault".to_owned()
            } else {
                counted(short, "short fault")
            };
            let reason = format!("in the single readings from {} on", duration(from_s));
            told.word(None, word, tone, reason);
        }
    }
}

fn counted(count: u64, what: &str) -> String {
    match count {
        1 => format!("1 {what}"),
        many => format!("{many} {what}s"),
    }
}

fn tell_channel(found: &ChannelSoak, told: &mut Told) {
    let channel = Some(found.channel);
    let (word, tone) = match found.standing {
        SoakStanding::Settled => ("settled".to_owned(), Tone::Good),
        SoakStanding::Settling { wait_min } => (format!("settling, wait {wait_min:.0} min"), Tone::Open),
        SoakStanding::Drifting => ("drifting".to_owned(), Tone::Bad),
        SoakStanding::Intermittent => ("intermittent".to_owned(), Tone::Bad),
        SoakStanding::NotEnoughData { more_min } if more_min.is_finite() && more_min > 0.0 => {
            (format!("not enough data: {more_min:.0} min more"), Tone::Open)
        }
        SoakStanding::NotEnoughData { .. } => ("not enough data".to_owned(), Tone::Open),
    };
    let notes = found.notes.iter().map(|note| format!("; {note}"));
    told.word(
        channel,
        word,
        tone,
        format!("{}{}", found.reason, notes.collect::<String>()),
    );
    if let Some(settled) = found.settled_a {
        let [low, high] = found.settled_ci_a.map_or([None; 2], |ends| ends.map(Some));
        let bound = Bound::of(low, high, "too few readings");
        told.figure(channel, "settled current", settled, "A", bound);
    }
    if let Some(slope) = found.slope_per_h {
        let bound = Bound::of(found.ci_low, found.ci_high, "too few readings");
        told.figure(channel, "drift at constant room temperature", slope, "A/h", bound);
    }
    if let Some(tau_s) = found.settle_tau_s {
        let [low, high] = found.settle_tau_range_s.map_or([None; 2], |ends| ends.map(Some));
        let bound = Bound::of(
            low,
            high,
            "it is the warming of the case, whose range is not known",
        );
        told.figure(channel, "time constant of settling", tau_s, "s", bound);
    }
    if let Some(slope) = &found.temperature_slope {
        let bound = Bound::of(Some(slope.low), Some(slope.high), "");
        told.figure(channel, "current with temperature", slope.value, "A/K", bound);
    }
    let sd = Bound::none("a standard deviation about the slow course");
    told.figure(channel, "scatter of one reading", found.reading_sd_a, "A", sd);
}
