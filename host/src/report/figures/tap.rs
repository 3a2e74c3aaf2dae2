//! Taps and flexes, and recordings of no question, in which faults are looked for.

use steadybench_analysis::tap::TapFindings;

use crate::examine::words::duration;

use super::{Bound, Told, Tone};

pub(super) fn tell(findings: &TapFindings, asked: bool, told: &mut Told) {
    let accused: Vec<&str> = findings.accused().map(|place| place.label.as_str()).collect();
    let cleared = findings.cleared();
    let places = findings.locations.len();
    if !accused.is_empty() {
        let word = if accused.len() == 1 {
            "this joint"
        } else {
            "these joints"
        };
        let reason =
            format!("more of its taps were answered than chance explains, even among {places} places");
        told.word(None, format!("{word}: {}", accused.join(", ")), Tone::Bad, reason);
    } else if places > 0 && cleared == places {
        told.word(
            None,
            "every place cleared",
            Tone::Good,
            "enough taps without an answer everywhere",
        );
    } else if places > 0 {
        let reason = format!(
            "{cleared} of {places} places are cleared; the others had too few taps, or answers that chance may explain"
        );
        told.word(None, "no place accused", Tone::Open, reason);
    } else if asked {
        told.word(None, "not enough data", Tone::Open, "no tap was marked");
    }
    let all = findings.faults().count() as u64 + findings.events_forgotten;
    let after_taps = findings.faults().filter(|found| found.place.is_some()).count() as u64;
    let over = duration(findings.observed_s);
    if all == 0 {
        let settled = places > 0 && cleared == places;
        let tone = if settled { Tone::Good } else { Tone::Open };
        told.word(None, "no fault seen", tone, format!("in {over}"));
    } else if places == 0 {
        told.word(
            None,
            format!("faults seen: {all}"),
            Tone::Bad,
            format!("in {over}"),
        );
    } else {
        if after_taps > 0 {
            let word = format!("faults after taps: {after_taps}");
            told.word(None, word, Tone::Bad, format!("in {over}"));
        }
        if all > after_taps {
            let word = format!("faults outside the taps: {}", all - after_taps);
            let reason = format!(
                "in {over}; the detector still learns what the unit does by itself, so a soak has the last word on them"
            );
            told.word(None, word, Tone::Open, reason);
        }
    }
    if findings.blow_disturbs {
        let reason = "innocent places answer taps too, so taps were compared with taps";
        told.word(None, "blows are felt everywhere", Tone::Open, reason);
    }
    for place in &findings.locations {
        let bound = Bound::Interval {
            low: place.hit_probability_low,
            high: place.hit_probability_high,
        };
        let what = format!("share of taps answered at {}", place.label);
        told.figure(None, what, place.hit_probability, "", bound);
    }
}
