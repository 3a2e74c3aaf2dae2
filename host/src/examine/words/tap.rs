//! Taps and flexes in words.

use std::fmt::Write;

use steadybench_analysis::events::EventKind;
use steadybench_analysis::tap::{FoundEvent, PlaceStanding, PlaceVerdict, TapFindings};

use super::{duration, plain};

/// Events listed at most; the rest are counted.
const EVENTS_LISTED: usize = 20;

pub(super) fn page(findings: &TapFindings) -> String {
    let mut page = String::new();
    // Writing to a string cannot fail.
    let _ = write_page(&mut page, findings);
    page
}

fn write_page(page: &mut String, findings: &TapFindings) -> std::fmt::Result {
    let accused: Vec<&str> = findings.accused().map(|place| place.label.as_str()).collect();
    match accused.as_slice() {
        [] => writeln!(page, "No place is accused.")?,
        [one] => writeln!(page, "This joint: {one}")?,
        several => writeln!(page, "These joints: {}", several.join(", "))?,
    }
    for place in &findings.locations {
        write_place(page, place)?;
    }
    let (events, background) = (findings.background_events, duration(findings.background_s));
    writeln!(page, "Outside the taps: {events} faults in {background}")?;
    if findings.blow_disturbs {
        writeln!(
            page,
            "Innocent places answer taps too, so taps were compared with taps."
        )?;
    }
    let (faults, harmless): (Vec<_>, Vec<_>) = findings
        .events
        .iter()
        .partition(|found| found.event.kind.is_fault());
    writeln!(page, "Faults seen: {}", faults.len())?;
    for found in faults.iter().take(EVENTS_LISTED) {
        write_event(page, found)?;
    }
    if faults.len() > EVENTS_LISTED {
        writeln!(
            page,
            "  and {} more; --json lists them all",
            faults.len() - EVENTS_LISTED
        )?;
    }
    if !harmless.is_empty() {
        writeln!(page, "Seen and judged harmless: {}", harmless.len())?;
    }
    Ok(())
}

fn write_place(page: &mut String, place: &PlaceStanding) -> std::fmt::Result {
    let word = match place.verdict {
        PlaceVerdict::Accused => "ACCUSED",
        PlaceVerdict::Suspect => "suspect, tap it more",
        PlaceVerdict::Cleared => "cleared",
        PlaceVerdict::NotEnoughTaps => "not enough taps",
    };
    let [low, high] = [place.hit_probability_low, place.hit_probability_high].map(|share| share * 100.0);
    writeln!(
        page,
        "  {}: {word}. {} of {} taps answered ({low:.0} to {high:.0} %), p = {}",
        place.label,
        place.hits,
        place.taps,
        Significant(place.p_value_corrected)
    )?;
    if let Some(more) = place.more_taps_to_clear.filter(|more| *more > 0) {
        let assumed = place.assumed_hit_probability * 100.0;
        writeln!(
            page,
            "    {more} taps more without an answer would clear it (of a joint that answers {assumed:.0} %)"
        )?;
    }
    Ok(())
}

fn write_event(page: &mut String, found: &FoundEvent) -> std::fmt::Result {
    let event = &found.event;
    let kind = match event.kind {
        EventKind::Dropout => "dropout",
        EventKind::Spike => "spike",
        EventKind::Step => "step",
        EventKind::Chatter => "chatter",
        EventKind::LoadChange => "load change",
        EventKind::Nuisance => "nuisance",
    };
    let place = found
        .place
        .as_ref()
        .map_or_else(String::new, |place| format!(", after a tap on {place}"));
    let (size, length) = (plain(event.size_a, "A"), duration(event.end_s - event.start_s));
    writeln!(
        page,
        "  at {:.3} s on channel {}: {kind} of {size} for {length}{place}",
        event.start_s, event.channel
    )
}

/// A probability with two significant digits, and a power of ten when it is small.
struct Significant(f64);

impl std::fmt::Display for Significant {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.0 {
            p if p >= 0.01 => write!(f, "{p:.2}"),
            p => write!(f, "{p:.1e}"),
        }
    }
}
