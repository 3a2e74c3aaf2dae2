//! Puts one channel's findings together from its capture.

use super::capture::Capture;
use super::clipping::find_clipping;
use super::course::course;
use super::energy::{Energy, sum_window};
use super::findings::{ChannelPowerUp, PowerUpVerdict};
use super::onset::{Peak, find_onset, find_peak};
use super::pattern::{Levels, bounces};
use super::rail::rail_sag;
use super::settings::ChannelSettings;
use super::settled::{settled, settling_time};
use super::standby::Standby;
use super::trace::Trace;
use super::verdict::{Evidence, judge};

/// Share of the way from standby to peak that counts as switched on.
const ONSET_SHARE: f64 = 0.05;

/// The switch-on as found: where it is, and what went before.
struct SwitchOn {
    standby: Standby,
    peak: Peak,
    onset: usize,
    onset_sigma_s: f64,
    /// The recording holds at least one reading from before.
    seen: bool,
}

/// Examines what was captured of channel `number`; `None` if it never had a reading.
pub(crate) fn examine(number: u8, capture: &Capture, settings: &ChannelSettings) -> Option<ChannelPowerUp> {
    let trace = capture.trace();
    if trace.len() == 0 {
        return None;
    }
    let mut entry = empty(number, capture, settings);
    let Some(switch_on) = find_switch_on(capture, &trace, settings) else {
        entry.reasons = vec![
            "no switch-on is in this recording: the current never rises out of its level at the start. Start \
             recording first, then close the switch"
                .to_owned(),
        ];
        return Some(entry);
    };
    fill(&mut entry, &switch_on, capture, &trace, settings);
    Some(entry)
}

fn empty(number: u8, capture: &Capture, settings: &ChannelSettings) -> ChannelPowerUp {
    ChannelPowerUp {
        channel: number,
        onset_s: None,
        onset_uncertainty_s: None,
        peak_a: None,
        peak_low_a: None,
        peak_high_a: None,
        peak_is_at_least: false,
        time_to_peak_s: None,
        i2t_a2s: None,
        i2t_low_a2s: None,
        i2t_high_a2s: None,
        i2t_window_s: settings.i2t_window_s,
        charge_as: None,
        charge_low_as: None,
        charge_high_as: None,
        settled_a: None,
        settled_low_a: None,
        settled_high_a: None,
        settling_time_s: None,
        settling_resolution_s: None,
        standby_a: None,
        noise_a: None,
        clipped: false,
        clipping_reason: None,
        hiccup: None,
        jam: None,
        contact_bounces: None,
        holds_level: false,
        course: Vec::new(),
        rail: None,
        readings_missing: capture.missing(),
        verdict: PowerUpVerdict::NotEnoughData,
        reasons: Vec::new(),
    }
}

/// Standby, peak and switch-on depend on each other; three rounds settle them.
fn find_switch_on(capture: &Capture, trace: &Trace, settings: &ChannelSettings) -> Option<SwitchOn> {
    let trigger = capture
        .trigger_s()
        .map_or(trace.len(), |time_s| trace.index_at(time_s));
    let mut quiet_end = before(trigger);
    let mut found = None;
    for _ in 0..3 {
        let standby = Standby::learn(trace, quiet_end, settings.channel_type);
        let peak = find_peak(trace, quiet_end.min(trace.len() - 1), &standby)?;
        let rise = peak.height_a - standby.base_a;
        if rise <= (8.0 * standby.sigma_a).max(0.2 * standby.base_a) {
            return None;
        }
        let threshold = standby.base_a + ONSET_SHARE * rise;
        let (onset, onset_sigma_s) = find_onset(trace, threshold, &standby)?;
        quiet_end = before(onset);
        found = Some(SwitchOn {
            standby,
            peak,
            onset,
            onset_sigma_s,
            seen: onset > 0,
        });
    }
    found
}

/// Leaves out the last tenth before a switch-on (at least two readings), which may hold the foot of a slow rise.
fn before(index: usize) -> usize {
    index.saturating_sub((index / 10).max(2))
}

fn fill(
    entry: &mut ChannelPowerUp,
    switch_on: &SwitchOn,
    capture: &Capture,
    trace: &Trace,
    settings: &ChannelSettings,
) {
    let standby = &switch_on.standby;
    let onset_s = trace.times()[switch_on.onset];
    entry.onset_s = Some(onset_s);
    entry.onset_uncertainty_s = switch_on.seen.then_some(switch_on.onset_sigma_s);
    entry.standby_a = standby.level_a;
    entry.noise_a = (standby.count > 0).then_some(standby.sigma_a);
    entry.clipping_reason = find_clipping(
        trace,
        before(switch_on.onset),
        standby,
        settings.full_scale_a,
        settings.channel_type,
    );
    entry.clipped = entry.clipping_reason.is_some();
    fill_peak(entry, switch_on, capture, trace, settings);
    let above_zero = trace.clone().less_zero(standby.zero_a);
    let window = sum_window(
        &above_zero,
        switch_on.onset,
        settings.i2t_window_s,
        standby,
        settings.zero_uncertainty_a,
        settings.gain_uncertainty,
    );
    if let Some(energy) = window {
        fill_energy(entry, &energy, trace, onset_s, settings);
        if switch_on.peak.momentary {
            entry.i2t_high_a2s = None;
        }
    }
    entry.course = course(
        &above_zero,
        switch_on.onset,
        settings.channel_type,
        standby.variance_a2.sqrt(),
        standby.shared_sigma_a,
    );
    entry.rail = rail_sag(capture, onset_s, settings.nominal_rail_v);
    entry.contact_bounces = bounces(trace, switch_on.onset, switch_on.peak.height_a, standby);
    let levels = Levels::new(capture.envelope(), onset_s, standby, settings);
    entry.hiccup = levels.hiccup();
    entry.holds_level = levels.holds_level();
    let mut still_changing = 0.0;
    if entry.hiccup.is_none() {
        entry.jam = levels.jam();
        if let Some(level) = settled(
            &capture.recent().less_zero(standby.zero_a),
            onset_s,
            standby,
            settings,
        ) {
            entry.settled_a = Some(level.level_a);
            entry.settled_low_a = Some(level.low_a);
            entry.settled_high_a = Some(level.high_a);
            still_changing = level.still_changing;
            if let Some(time) = settling_time(
                capture.envelope(),
                &above_zero,
                onset_s,
                &level,
                standby,
                settings,
            ) {
                entry.settling_time_s = Some(time.time_s);
                entry.settling_resolution_s = Some(time.resolution_s);
            }
        }
    }
    let evidence = Evidence {
        still_changing,
        swing: levels.swing(),
        ran_s: capture.last_time_s() - onset_s,
    };
    judge(entry, &evidence, settings);
    if !switch_on.seen {
        entry.reasons.push(
            "the recording begins with the current already flowing, so the switch-on was at its start or before, and the \
             peak, charge and I2t may be short of the truth"
                .to_owned(),
        );
    }
    if capture.earlier_switch_ons() > 0 {
        entry.reasons.push(format!(
            "{} earlier, smaller rise(s) of the current were left aside for this one",
            capture.earlier_switch_ons()
        ));
    }
}

fn fill_peak(
    entry: &mut ChannelPowerUp,
    switch_on: &SwitchOn,
    capture: &Capture,
    trace: &Trace,
    settings: &ChannelSettings,
) {
    let peak = &switch_on.peak;
    let (height, time_s) = match capture.late_peak() {
        Some((time_s, height)) if height > peak.height_a + 6.0 * switch_on.standby.sigma_a => {
            (height, time_s)
        }
        _ => (peak.height_a, trace.times()[peak.index]),
    };
    let height = height - trace.values()[peak.index].signum() * switch_on.standby.zero_a;
    let rounding = switch_on.standby.step_a.unwrap_or(0.0) / 12.0_f64.sqrt();
    let sigma = peak
        .sigma_a
        .hypot(settings.zero_uncertainty_a)
        .hypot(switch_on.standby.shared_sigma_a)
        .hypot(rounding)
        .hypot(settings.gain_uncertainty * height);
    entry.peak_is_at_least = entry.clipped || peak.unresolved || !switch_on.seen;
    entry.peak_a = Some(height);
    entry.peak_low_a = Some(height - 1.96 * sigma);
    entry.peak_high_a = (!entry.peak_is_at_least).then_some(height + 1.96 * sigma);
    entry.time_to_peak_s = Some((time_s - trace.times()[switch_on.onset]).max(0.0));
}

fn fill_energy(
    entry: &mut ChannelPowerUp,
    energy: &Energy,
    trace: &Trace,
    onset_s: f64,
    settings: &ChannelSettings,
) {
    entry.i2t_a2s = Some(energy.i2t_a2s.value);
    entry.i2t_low_a2s = Some(energy.i2t_a2s.low);
    entry.charge_as = Some(energy.charge_as.value);
    entry.charge_low_as = Some(energy.charge_as.low);
    let reading_s = trace.reading_s();
    let recorded_s = trace.times().last().map_or(0.0, |end| end + reading_s - onset_s);
    let whole = recorded_s >= settings.i2t_window_s - 0.5 * reading_s;
    if whole {
        if !entry.clipped {
            entry.i2t_high_a2s = Some(energy.i2t_a2s.high);
            entry.charge_high_as = Some(energy.charge_as.high);
        }
    } else {
        entry.i2t_window_s = energy.covered_s + energy.gap_s;
    }
}
