//! A switch-on in words.

use std::fmt::Write;

use steadybench_analysis::power_up::{ChannelPowerUp, PowerUpFindings, PowerUpVerdict};

use super::{bounded, duration, plain};

pub(super) fn page(findings: &PowerUpFindings) -> String {
    let mut page = String::new();
    for channel in &findings.inrush {
        // Writing to a string cannot fail.
        let _ = write_channel(&mut page, channel);
    }
    if findings.inrush.is_empty() {
        page.push_str("No channel had readings.\n");
    }
    page
}

fn write_channel(page: &mut String, channel: &ChannelPowerUp) -> std::fmt::Result {
    let word = match channel.verdict {
        PowerUpVerdict::Normal => "normal",
        PowerUpVerdict::Fault => "FAULT",
        PowerUpVerdict::NotEnoughData => "not enough data",
    };
    writeln!(page, "Channel {}: {word}", channel.channel)?;
    for reason in &channel.reasons {
        writeln!(page, "  {reason}")?;
    }
    if channel.clipped {
        writeln!(
            page,
            "  The input ran out of range: peak, I²t and charge are at least what is shown."
        )?;
    }
    if let Some(onset_s) = channel.onset_s {
        let bound = channel
            .onset_uncertainty_s
            .map_or_else(String::new, |u| format!(" ± {}", duration(2.0 * u)));
        writeln!(page, "  switched on at    {onset_s:.4} s{bound}")?;
    }
    if let Some(peak) = channel.peak_a {
        let at_least = if channel.peak_is_at_least { "at least " } else { "" };
        let when = channel
            .time_to_peak_s
            .map_or_else(String::new, |s| format!(", {} after switch-on", duration(s)));
        writeln!(
            page,
            "  peak              {at_least}{}{when}",
            bounded(peak, channel.peak_low_a, channel.peak_high_a, "A")
        )?;
    }
    if let Some(i2t) = channel.i2t_a2s {
        let figure = bounded(i2t, channel.i2t_low_a2s, channel.i2t_high_a2s, "A²s");
        writeln!(
            page,
            "  I²t               {figure} over {}",
            duration(channel.i2t_window_s)
        )?;
    }
    if let Some(charge) = channel.charge_as {
        writeln!(
            page,
            "  charge            {}",
            bounded(charge, channel.charge_low_as, channel.charge_high_as, "C")
        )?;
    }
    if let Some(settled) = channel.settled_a {
        writeln!(
            page,
            "  settled current   {}",
            bounded(settled, channel.settled_low_a, channel.settled_high_a, "A")
        )?;
    }
    if let Some(time_s) = channel.settling_time_s {
        writeln!(page, "  settled after     {}", duration(time_s))?;
    }
    if let Some(standby) = channel.standby_a {
        writeln!(page, "  before switch-on  {}", plain(standby, "A"))?;
    }
    if channel.readings_missing > 0 {
        writeln!(page, "  readings missing  {}", channel.readings_missing)?;
    }
    Ok(())
}
