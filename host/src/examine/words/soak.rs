//! A soak in words.

use std::fmt::Write;

use steadybench_analysis::soak::{ChannelSoak, SoakEvent, SoakEventKind, SoakStanding};

use crate::examine::soak::SoakPassFindings;

use super::{bounded, duration, plain};

/// Events listed at most; the rest are counted.
const EVENTS_LISTED: usize = 12;

pub(super) fn page(findings: &SoakPassFindings) -> String {
    let mut page = String::new();
    // Writing to a string cannot fail.
    let _ = write_page(&mut page, findings);
    page
}

fn write_page(page: &mut String, pass: &SoakPassFindings) -> std::fmt::Result {
    let findings = &pass.course;
    writeln!(page, "Soak of {}", duration(findings.duration_s))?;
    for channel in &findings.drift {
        write_channel(page, channel)?;
    }
    let (faults, harmless): (Vec<_>, Vec<_>) =
        findings.events.iter().partition(|event| event.kind.is_fault());
    write_events(page, "Events that speak against the unit", &faults)?;
    write_events(page, "Seen and judged harmless", &harmless)?;
    write_short_events(page, pass)?;
    for gap in &findings.gaps {
        let (start, length) = (duration(gap.start_s), duration(gap.end_s - gap.start_s));
        writeln!(
            page,
            "Channel {}: no readings for {length} from {start} on",
            gap.channel
        )?;
    }
    Ok(())
}

fn write_channel(page: &mut String, channel: &ChannelSoak) -> std::fmt::Result {
    let word = match channel.standing {
        SoakStanding::Settled => "settled".to_owned(),
        SoakStanding::Settling { wait_min } => format!("settling, wait {wait_min:.0} min"),
        SoakStanding::Drifting => "DRIFTING".to_owned(),
        SoakStanding::Intermittent => "INTERMITTENT".to_owned(),
        SoakStanding::NotEnoughData { more_min } if more_min.is_finite() && more_min > 0.0 => {
            format!("not enough data: {more_min:.0} min more")
        }
        SoakStanding::NotEnoughData { .. } => "not enough data".to_owned(),
    };
    writeln!(page, "Channel {}: {word}", channel.channel)?;
    writeln!(page, "  {}", channel.reason)?;
    if let Some(settled) = channel.settled_a {
        let [low, high] = channel.settled_ci_a.map_or([None; 2], |ends| ends.map(Some));
        writeln!(page, "  settled current   {}", bounded(settled, low, high, "A"))?;
    }
    if let Some(slope) = channel.slope_per_h {
        let figure = bounded(slope, channel.ci_low, channel.ci_high, "A/h");
        writeln!(page, "  drift             {figure} at constant room temperature")?;
    }
    if let Some(tau_s) = channel.settle_tau_s {
        let range = channel
            .settle_tau_range_s
            .map_or_else(String::new, |[low, high]| {
                format!(" ({} to {})", duration(low), duration(high))
            });
        writeln!(page, "  time constant     {}{range}", duration(tau_s))?;
    }
    if let Some(slope) = &channel.temperature_slope {
        let figure = bounded(slope.value, Some(slope.low), Some(slope.high), "A/K");
        writeln!(page, "  with temperature  {figure}")?;
    }
    writeln!(
        page,
        "  one reading       ± {} (standard deviation)",
        plain(channel.reading_sd_a, "A")
    )?;
    for note in &channel.notes {
        writeln!(page, "  note: {note}")?;
    }
    Ok(())
}

fn write_short_events(page: &mut String, pass: &SoakPassFindings) -> std::fmt::Result {
    let Some(from_s) = pass.short_events_from_s else {
        return Ok(());
    };
    let count = pass.short_events.len() as u64 + pass.short_events_forgotten;
    writeln!(
        page,
        "Faults shorter than a second, in the single readings from {} on: {count}",
        duration(from_s)
    )?;
    for event in pass.short_events.iter().take(EVENTS_LISTED) {
        let (size, length) = (plain(event.size_a, "A"), duration(event.end_s - event.start_s));
        writeln!(
            page,
            "  at {:.3} s on channel {}: {size} for {length}; {}",
            event.start_s, event.channel, event.reason
        )?;
    }
    if count > EVENTS_LISTED as u64 {
        writeln!(
            page,
            "  and {} more; --json lists them",
            count - EVENTS_LISTED as u64
        )?;
    }
    Ok(())
}

fn write_events(page: &mut String, title: &str, events: &[&SoakEvent]) -> std::fmt::Result {
    if events.is_empty() {
        return Ok(());
    }
    writeln!(page, "{title}: {}", events.len())?;
    for event in events.iter().take(EVENTS_LISTED) {
        let kind = match event.kind {
            SoakEventKind::Dropout => "dropout",
            SoakEventKind::Spike => "spike",
            SoakEventKind::Step => "step",
            SoakEventKind::LoadChange => "load change",
            SoakEventKind::Nuisance => "supply or lead",
        };
        let length = duration(event.end_s - event.start_s);
        let size = plain(event.size_a, "A");
        writeln!(
            page,
            "  at {:.1} s on channel {}: {kind} of {size} for {length}",
            event.start_s, event.channel
        )?;
    }
    if events.len() > EVENTS_LISTED {
        writeln!(
            page,
            "  and {} more; --json lists them all",
            events.len() - EVENTS_LISTED
        )?;
    }
    Ok(())
}
