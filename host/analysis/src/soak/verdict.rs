//! From figures to words.

use super::SoakSettings;
use super::channel::Channel;
use super::findings::{ChannelSoak, DriftVerdict, SoakEvent, SoakStanding};
use super::grid::Grid;
use super::regressors::Temperature;
use super::settling::Settling;
use crate::statistics::Bounded;

/// Shortest recording of which anything is said about drift, in seconds.
const LEAST_SPAN_S: f64 = 600.0;

pub(crate) fn judge(
    grid: &Grid,
    channel: &Channel,
    events: &[SoakEvent],
    settings: &SoakSettings,
) -> ChannelSoak {
    let number = channel.number as u8 + 1;
    let span_s = channel.bins.span_s();
    let noise = channel.noise;
    let reading_sd_a =
        (noise.white_sd.powi(2) + noise.memory_sd[0].powi(2) + noise.memory_sd[1].powi(2)).sqrt();
    let mut soak = ChannelSoak {
        channel: number,
        slope_per_h: None,
        ci_low: None,
        ci_high: None,
        verdict: DriftVerdict::Unsure,
        settle_tau_s: None,
        settle_tau_range_s: None,
        settled_a: None,
        settled_ci_a: None,
        to_go_a: None,
        temperature_slope: None,
        temperature_lag_s: None,
        reading_sd_a,
        exponentials: None,
        standing: SoakStanding::NotEnoughData {
            more_min: ((LEAST_SPAN_S - span_s) / 60.0).max(1.0),
        },
        reason: format!(
            "only {:.0} min of readings; {:.0} min are the least of which anything can be said",
            span_s / 60.0,
            LEAST_SPAN_S / 60.0
        ),
        notes: notes(grid, channel),
    };
    let Some(settling) = &channel.settling else {
        return soak;
    };
    if span_s < LEAST_SPAN_S {
        return soak;
    }
    fill(&mut soak, channel, settling, settings);
    let faults = events
        .iter()
        .filter(|event| event.channel == number && event.kind.is_fault())
        .count();
    say(&mut soak, channel, settling, faults, settings);
    soak
}

fn fill(soak: &mut ChannelSoak, channel: &Channel, settling: &Settling, settings: &SoakSettings) {
    let per_hour = settling.slope.scaled(3600.0);
    let slope = per_hour.middle();
    let level = settling.level.middle();
    soak.slope_per_h = Some(slope.value);
    soak.ci_low = Some(slope.low);
    soak.ci_high = Some(slope.high);
    soak.settled_a = Some(level.value);
    soak.settled_ci_a = Some([level.low, level.high]);
    soak.exponentials = Some(settling.exponentials);
    soak.temperature_slope = settling
        .temperature_slope
        .as_ref()
        .map(super::mixture::Mixture::estimate);
    soak.temperature_lag_s = settling.lag_s;
    let claimed = claims(&slope);
    let small = settings.negligible_share_per_hour * level.value.abs();
    soak.verdict = if claimed {
        DriftVerdict::Drift
    } else if slope.low <= 0.0 && slope.high >= 0.0 && slope.high.max(-slope.low) <= small {
        DriftVerdict::None
    } else {
        DriftVerdict::Unsure
    };
    soak.settle_tau_s = settling.time_constant_s.map(|estimate| estimate.value);
    soak.settle_tau_range_s = settling
        .time_constant_s
        .map(|estimate| [estimate.low, estimate.high]);
    let mut to_go = settling.remaining.mean();
    if let (Some(pull), Some(warming)) = (&soak.temperature_slope, &channel.warming) {
        to_go += pull.value * warming.remaining_k;
        let thermal = (pull.value * warming.rise_k).abs();
        if thermal > settling.amplitude.mean().abs() && warming.time_constant_s.is_some() {
            soak.settle_tau_s = warming.time_constant_s;
            soak.settle_tau_range_s = None;
        }
    }
    soak.to_go_a = Some(to_go);
}

/// Whether a slope is called a drift: its 95 % interval leaves out zero, and it is further from zero than the interval
/// is half wide.
///
/// A wrong claim sends a good unit back to the bench. What a slow settling and a drift have in common makes the
/// distribution lean away from zero, its near end sharp and just beyond zero, its far end long; the second condition asks
/// for as much room on the near side as the far one takes.
fn claims(slope: &Bounded) -> bool {
    slope.excludes(0.0) && slope.value.abs() > 0.5 * (slope.high - slope.low)
}

fn say(
    soak: &mut ChannelSoak,
    channel: &Channel,
    settling: &Settling,
    faults: usize,
    settings: &SoakSettings,
) {
    let (Some(slope), Some(low), Some(high)) = (soak.slope_per_h, soak.ci_low, soak.ci_high) else {
        return;
    };
    let (Some(level), Some(to_go)) = (soak.settled_a, soak.to_go_a) else {
        return;
    };
    let share = |amperes: f64| 100.0 * amperes / level.abs();
    let interval = format!(
        "{:+.3} % per hour (95 %: {:+.3} to {:+.3})",
        share(slope),
        share(low),
        share(high)
    );
    let tolerance = settings.settled_tolerance_share * level.abs();
    let span_s = channel.bins.span_s();
    if faults > 0 {
        soak.standing = SoakStanding::Intermittent;
        let plural = if faults == 1 { "event" } else { "events" };
        soak.reason = format!("{faults} {plural} on this channel alone; drift {interval}");
    } else if to_go.abs() > tolerance {
        let slowest = soak
            .settle_tau_s
            .unwrap_or(settling.slowest_s)
            .max(settling.slowest_s);
        let wait_min = slowest * (to_go.abs() / tolerance).ln() / 60.0;
        soak.standing = SoakStanding::Settling { wait_min };
        soak.reason = format!(
            "{:.2} % of the settled current still to go, within {:.2} % in about {wait_min:.0} min",
            share(to_go.abs()),
            100.0 * settings.settled_tolerance_share
        );
    } else if soak.verdict == DriftVerdict::Drift {
        soak.standing = SoakStanding::Drifting;
        soak.reason = format!("drift {interval}, zero left out with room to spare");
    } else if soak.verdict == DriftVerdict::None {
        soak.standing = SoakStanding::Settled;
        soak.reason = format!("drift {interval}, and no event on this channel alone");
    } else {
        // The error of a slope falls as the length to the power of three halves.
        let half = 0.5 * (high - low);
        let wanted = (0.5 * settings.negligible_share_per_hour * level.abs()).max(f64::MIN_POSITIVE);
        let factor = (half / wanted).powf(2.0 / 3.0).clamp(1.25, 10.0);
        let more_min = span_s * (factor - 1.0) / 60.0;
        soak.standing = SoakStanding::NotEnoughData { more_min };
        soak.reason =
            format!("drift {interval}: neither none nor certain; about {more_min:.0} min more would tell");
    }
}

fn notes(grid: &Grid, channel: &Channel) -> Vec<String> {
    let mut notes = Vec::new();
    match channel.temperature {
        Temperature::Case if channel.bins.temperature_c[1].is_none() => notes.push(
            "no room temperature: the case's alone is used, and its own warming cannot be told from the room's".into(),
        ),
        Temperature::Room => notes.push(
            "no case temperature: the unit is taken to follow the room late, and the interval is wider for it".into(),
        ),
        Temperature::Unknown => notes.push(
            "no temperature at all: a daily round of the room of two kelvin is allowed for, and the interval is wider \
             for it"
                .into(),
        ),
        Temperature::Case | Temperature::None => {}
    }
    if channel.first > 0 {
        notes.push(format!(
            "switched on {:.0} s into the recording; times count from there",
            channel.first as f64 * grid.step_s
        ));
    }
    if !channel.shifts.is_empty() {
        notes.push(format!(
            "{} level shift(s) taken as steps, not as drift",
            channel.shifts.len()
        ));
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_claim_needs_room_on_the_side_of_zero() {
        let slope = |value, low, high| Bounded {
            value,
            low,
            high,
            coverage: 0.95,
        };
        assert!(claims(&slope(3.0, 1.0, 5.0)) && claims(&slope(-3.0, -5.0, -1.0)));
        assert!(!claims(&slope(1.0, -1.0, 3.0)));
        // Just beyond zero with a long far end.
        assert!(!claims(&slope(1.0, 0.1, 6.0)));
    }
}
