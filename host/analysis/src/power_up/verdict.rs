//! From figures to a word, with the reason.

use super::findings::{ChannelPowerUp, PowerUpVerdict};
use super::settings::ChannelSettings;

/// Spread of the level, relative to its mean, above which a current that swings to and fro counts as never settling.
const NEVER_SETTLES: f64 = 0.3;

/// What the verdict weighs besides the figures in the entry.
pub(crate) struct Evidence {
    pub(crate) still_changing: f64,
    pub(crate) swing: Option<f64>,
    pub(crate) ran_s: f64,
}

/// Sets `verdict` and `reasons`.
pub(crate) fn judge(entry: &mut ChannelPowerUp, evidence: &Evidence, settings: &ChannelSettings) {
    let mut reasons = Vec::new();
    let verdict = word(entry, evidence, settings, &mut reasons);
    add_remarks(entry, &mut reasons);
    entry.verdict = verdict;
    entry.reasons = reasons;
}

fn word(
    entry: &ChannelPowerUp,
    evidence: &Evidence,
    settings: &ChannelSettings,
    reasons: &mut Vec<String>,
) -> PowerUpVerdict {
    if let Some(hiccup) = entry.hiccup {
        reasons.push(format!(
            "the supply restarts every {:.2} s ({} starts seen): it comes up, gives up and tries again, as with an \
             overload, a short or a feedback that is missing",
            hiccup.period_s, hiccup.starts
        ));
        return PowerUpVerdict::Fault;
    }
    if let Some(rail) = entry.rail
        && let Some(nominal) = settings.nominal_rail_v
        && rail.settled_v < 0.2 * nominal
        && entry.settled_a.is_some_and(|level| level > 0.0)
    {
        reasons.push(format!(
            "the rail ends at {:.2} V instead of {nominal} V while current flows: the output looks shorted",
            rail.settled_v
        ));
        return PowerUpVerdict::Fault;
    }
    let (Some(settled), Some(low), Some(high)) = (entry.settled_a, entry.settled_low_a, entry.settled_high_a)
    else {
        let cycles_s = 10.0 * settings.cycle_s;
        reasons.push(format!(
            "ten whole mains cycles ({cycles_s:.2} s) of readings after the switch-on are needed for a settled \
             current; {:.2} s were recorded",
            evidence.ran_s
        ));
        return PowerUpVerdict::NotEnoughData;
    };
    let Some((from, to)) = settings.expected_a else {
        return without_expectation(entry, evidence, settled, reasons);
    };
    let magnitude = settled.abs();
    let half = 0.5 * (high - low);
    if let Some(swing) = evidence.swing.filter(|swing| *swing > NEVER_SETTLES)
        && (magnitude < from || magnitude > to)
    {
        reasons.push(format!(
            "the current never settles: its mean per cycle swings by {:.0} %",
            100.0 * swing
        ));
        return PowerUpVerdict::Fault;
    }
    if magnitude - half > to {
        reasons.push(format!(
            "settles at {} A, above the expected {from} to {to} A{}",
            amperes(magnitude),
            suspicion(entry, magnitude)
        ));
        return PowerUpVerdict::Fault;
    }
    if magnitude + half < from {
        if evidence.still_changing > 0.01 {
            reasons.push(still_rising(magnitude, evidence, "below"));
            return PowerUpVerdict::NotEnoughData;
        }
        reasons.push(format!(
            "settles at {} A, below the expected {from} to {to} A",
            amperes(magnitude)
        ));
        return PowerUpVerdict::Fault;
    }
    if magnitude < from || magnitude > to {
        reasons.push(format!(
            "settles at {} A, at the edge of the expected {from} to {to} A: within its own bound of {} A either way",
            amperes(magnitude),
            amperes(half)
        ));
        return PowerUpVerdict::NotEnoughData;
    }
    reasons.push(format!(
        "settles at {} A, inside the expected {from} to {to} A",
        amperes(magnitude)
    ));
    PowerUpVerdict::Normal
}

/// Without an expected current only the shape can speak, and it can only accuse.
fn without_expectation(
    entry: &ChannelPowerUp,
    evidence: &Evidence,
    settled: f64,
    reasons: &mut Vec<String>,
) -> PowerUpVerdict {
    if let Some(jam) = entry.jam {
        reasons.push(format!(
            "the current had come down to {} A and rose to {} A again {:.2} s after the switch-on, and stayed there, \
             about as high as at the start: a motor that jams does that",
            amperes(jam.from_a),
            amperes(jam.to_a),
            jam.after_onset_s
        ));
        return PowerUpVerdict::Fault;
    }
    if let Some(swing) = evidence.swing.filter(|swing| *swing > NEVER_SETTLES) {
        reasons.push(format!(
            "the current never settles: its mean per cycle swings by {:.0} %",
            100.0 * swing
        ));
        return PowerUpVerdict::Fault;
    }
    reasons.push(format!(
        "settles at {} A, but no expected current was given; nothing in the shape (restarts, a rise after settling) \
         points at a fault. Give the expected settled current, or compare with a run kept from a good unit",
        amperes(settled.abs())
    ));
    PowerUpVerdict::NotEnoughData
}

fn still_rising(magnitude: f64, evidence: &Evidence, side: &str) -> String {
    format!(
        "at {} A it is {side} the expected range but still changing by {:.1} % in ten mains cycles; record about {:.1} s \
         longer",
        amperes(magnitude),
        100.0 * evidence.still_changing,
        evidence.ran_s.max(0.5)
    )
}

/// What an excess with this shape looks like.
fn suspicion(entry: &ChannelPowerUp, settled: f64) -> String {
    if let Some(jam) = entry.jam {
        return format!(
            "; it rose {:.2} s after the switch-on and stayed, as a motor that jams",
            jam.after_onset_s
        );
    }
    let Some(peak) = entry.peak_a else {
        return String::new();
    };
    if settled > 0.8 * peak {
        "; it never came down from its start-up level, as a stalled motor or a supply that holds its limit into a short"
            .to_owned()
    } else if entry.holds_level {
        "; it stands at one level from the start, as a supply that holds its current limit into a short"
            .to_owned()
    } else {
        String::new()
    }
}

/// Things worth knowing that decide nothing.
fn add_remarks(entry: &ChannelPowerUp, reasons: &mut Vec<String>) {
    if entry.clipped {
        reasons.push(
            "the input clipped: peak, I2t and charge are at least the figures given; use a smaller shunt or a wider range"
                .to_owned(),
        );
    } else if entry.peak_is_at_least {
        reasons.push(
            "the peak was over within about one reading, so its true height was at least the figure given"
                .to_owned(),
        );
    }
    if let Some(count) = entry.contact_bounces.filter(|count| *count > 0) {
        let times = if count == 1 {
            "once".to_owned()
        } else {
            format!("{count} times")
        };
        reasons.push(format!("the switch's contact bounced {times} in the first 50 ms"));
    }
    if let Some(rail) = entry.rail.filter(|rail| rail.sag_percent > 5.0) {
        reasons.push(format!(
            "the rail sagged by {:.0} % to {:.2} V within {:.2} s of the switch-on",
            rail.sag_percent, rail.lowest_v, rail.lowest_after_s
        ));
    }
}

/// A current with four significant figures.
pub(crate) fn amperes(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let decimals = (3 - value.abs().log10().floor() as i32).clamp(0, 9) as usize;
    format!("{value:.decimals$}")
}
