//! What else differs between twins: noise, ripple, temperature, rail, events.

use super::batches::Batches;
use super::examine::Ripple;
use super::findings::SideBySide;
use super::{EventCounts, TwinSettings};
use crate::statistics::compare_rates;

/// Ratio of noise beyond which twins are called unlike, when its 95 % interval leaves out one. Common practice, no source.
const NOISE_RATIO: f64 = 1.5;
/// Ratio of ripple beyond which twins are called unlike. Common practice, no source.
const RIPPLE_RATIO: f64 = 2.0;
/// Ripple below this share of the current is not compared. Common practice, no source.
const RIPPLE_SHARE: f64 = 1e-3;
/// Share of the larger rail by which rails may differ. Common practice, no source.
const RAIL_SHARE: f64 = 0.02;

pub(crate) fn beside(
    batches: &Batches,
    ripple: Option<Ripple>,
    mean_a: [f64; 2],
    events: Option<EventCounts>,
    duration_s: f64,
    settings: &TwinSettings,
) -> Vec<SideBySide> {
    let mut all = Vec::new();
    all.extend(noise(batches, ripple));
    all.extend(ripple.map(|ripple| ripples(ripple, mean_a)));
    all.extend(temperature(batches, settings));
    all.extend(rail(batches));
    all.extend(events.and_then(|events| event_rates(events, duration_s)));
    all
}

fn noise(batches: &Batches, ripple: Option<Ripple>) -> Option<SideBySide> {
    let fast = &batches.fast;
    if fast.batches < 8 || fast.freedom < 8.0 {
        return None;
    }
    let value = [0, 1].map(|k| {
        let whole = fast.squares[k] / fast.freedom;
        let ripple = ripple.map_or(0.0, |ripple| 0.5 * ripple.amplitude_a[k].powi(2));
        (whole - ripple).max(0.0).sqrt()
    });
    let ratio = value[0] / value[1];
    let spread = 1.96 * fast.log_sd_ratio.standard_deviation() / (fast.log_sd_ratio.count() as f64).sqrt();
    let significant = ratio.is_finite() && ratio.ln().abs() > spread;
    let large = ratio.max(1.0 / ratio) > NOISE_RATIO;
    Some(SideBySide {
        what: "noise of a reading within a twentieth of a second, ripple taken off, A".into(),
        value,
        differs: significant && large,
        reason: format!(
            "ratio {ratio:.2}, known to a factor of {:.2}; unlike beyond {NOISE_RATIO}",
            spread.exp()
        ),
    })
}

fn ripples(ripple: Ripple, mean_a: [f64; 2]) -> SideBySide {
    let value = ripple.amplitude_a;
    let floor = RIPPLE_SHARE * mean_a[0].abs().max(mean_a[1].abs());
    let (high, low) = (value[0].max(value[1]), value[0].min(value[1]).max(floor));
    SideBySide {
        what: format!("ripple amplitude at {:.2} Hz, A", ripple.frequency_hz),
        value,
        differs: high > RIPPLE_RATIO * low,
        reason: format!(
            "unlike beyond a ratio of {RIPPLE_RATIO}, below {:.1} % of the current not compared",
            100.0 * RIPPLE_SHARE
        ),
    }
}

fn temperature(batches: &Batches, settings: &TwinSettings) -> Option<SideBySide> {
    let margin = settings.temperature_margin_k?;
    let value = [batches.temperature_c[0].mean(), batches.temperature_c[1].mean()];
    if batches.temperature_c.iter().any(|moments| moments.count() == 0) {
        return None;
    }
    let apart = value[0] - value[1];
    Some(SideBySide {
        what: "temperature, °C".into(),
        value,
        differs: apart.abs() > margin,
        reason: format!(
            "{apart:+.1} K apart; like parts at work should be as warm as each other, within {margin:.1} K"
        ),
    })
}

fn rail(batches: &Batches) -> Option<SideBySide> {
    if batches.rail_v.iter().any(|moments| moments.count() == 0) {
        return None;
    }
    let value = [batches.rail_v[0].mean(), batches.rail_v[1].mean()];
    let allowed = RAIL_SHARE * value[0].abs().max(value[1].abs());
    Some(SideBySide {
        what: "rail, V".into(),
        value,
        differs: (value[0] - value[1]).abs() > allowed,
        reason: format!("unlike beyond {:.0} % of the larger", 100.0 * RAIL_SHARE),
    })
}

fn event_rates(events: EventCounts, duration_s: f64) -> Option<SideBySide> {
    let hours = duration_s / 3600.0;
    let rates = compare_rates((events.0[0], hours), (events.0[1], hours), 0.95).ok()?;
    Some(SideBySide {
        what: "events, per hour".into(),
        value: events.0.map(|count| count as f64 / hours),
        differs: rates.p_two_sided < 0.05,
        reason: format!(
            "{} against {} events, p = {:.3}",
            events.0[0], events.0[1], rates.p_two_sided
        ),
    })
}
