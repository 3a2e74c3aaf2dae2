//! A switch-on.

use steadybench_analysis::power_up::{ChannelPowerUp, PowerUpFindings, PowerUpVerdict};

use super::{Bound, Told, Tone};

pub(super) fn tell(findings: &PowerUpFindings, told: &mut Told) {
    if findings.inrush.is_empty() {
        told.word(None, "not enough data", Tone::Open, "no channel had readings");
    }
    for channel in &findings.inrush {
        tell_channel(channel, told);
    }
}

fn tell_channel(found: &ChannelPowerUp, told: &mut Told) {
    let channel = Some(found.channel);
    let (word, tone) = match found.verdict {
        PowerUpVerdict::Normal => ("normal", Tone::Good),
        PowerUpVerdict::Fault => ("fault", Tone::Bad),
        PowerUpVerdict::NotEnoughData => ("not enough data", Tone::Open),
    };
    told.word(channel, word, tone, found.reasons.join("; "));
    if found.clipped {
        let reason = "the input ran out of range: peak, I²t and charge are at least what is shown";
        told.word(channel, "out of range", Tone::Open, reason);
    }
    let mut figure = |what: &str, value: Option<f64>, unit, bound| {
        if let Some(value) = value {
            told.figure(channel, what, value, unit, bound);
        }
    };
    let around = |middle: Option<f64>, by: Option<f64>, otherwise: &str| match (middle, by) {
        (Some(middle), Some(by)) => Bound::Interval {
            low: middle - by,
            high: middle + by,
        },
        _ => Bound::none(otherwise),
    };
    let twice = found.onset_uncertainty_s.map(|u| 2.0 * u);
    let when = around(found.onset_s, twice, "the reading interval is not known");
    figure("switched on at", found.onset_s, "s", when);
    let peak = Bound::of(found.peak_low_a, found.peak_high_a, "too few readings before it");
    figure("peak current", found.peak_a, "A", peak);
    let reading = Bound::none("good to one reading");
    figure("peak after", found.time_to_peak_s, "s", reading);
    let bound = Bound::of(found.i2t_low_a2s, found.i2t_high_a2s, "too few readings");
    let over = crate::examine::words::duration(found.i2t_window_s);
    figure(&format!("I²t over {over}"), found.i2t_a2s, "A²s", bound);
    let bound = Bound::of(found.charge_low_as, found.charge_high_as, "too few readings");
    figure(&format!("charge over {over}"), found.charge_as, "C", bound);
    let bound = Bound::of(found.settled_low_a, found.settled_high_a, "too few readings");
    figure("settled current", found.settled_a, "A", bound);
    let bound = around(
        found.settling_time_s,
        found.settling_resolution_s,
        "how finely is not known",
    );
    figure("settled after", found.settling_time_s, "s", bound);
    let noise = found.noise_a.map_or_else(
        || "its noise is not known".to_owned(),
        |noise| {
            format!(
                "mean; one reading scatters by {} (standard deviation)",
                crate::examine::words::plain(noise, "A")
            )
        },
    );
    figure("before switch-on", found.standby_a, "A", Bound::none(&noise));
    if let Some(rail) = &found.rail {
        let cycle = "lowest reading seen; good to one mains cycle";
        figure(
            "lowest rail voltage",
            Some(rail.lowest_v),
            "V",
            Bound::none(cycle),
        );
        figure(
            "settled rail voltage",
            Some(rail.settled_v),
            "V",
            Bound::none("mean of the last readings; scale as under instruments"),
        );
    }
}
