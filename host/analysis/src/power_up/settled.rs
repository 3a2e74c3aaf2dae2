//! The current the unit settles at, and how long it takes.

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::envelope::Envelope;
use super::settings::{ChannelSettings, ChannelType};
use super::standby::Standby;
use super::trace::Trace;

/// Mains cycles over which the settled current is taken.
const CYCLES: usize = 10;

/// The settled current.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Settled {
    pub(crate) level_a: f64,
    pub(crate) low_a: f64,
    pub(crate) high_a: f64,
    /// Relative change from the ten cycles before the last ten, where it stands out of the noise; else 0.
    pub(crate) still_changing: f64,
    /// Spread of the reading about its mean (ripple and noise), in amperes.
    pub(crate) spread_a: f64,
}

/// Level of a stretch: mean, or root mean square with the noise taken out.
fn level(values: &[f64], kind: ChannelType, noise_variance: f64) -> f64 {
    let number = values.len() as f64;
    match kind {
        ChannelType::Dc => values.iter().sum::<f64>() / number,
        ChannelType::Ac => (values.iter().map(|value| value * value).sum::<f64>() / number - noise_variance)
            .max(0.0)
            .sqrt(),
    }
}

/// The settled current over the last ten mains cycles of the recording.
///
/// The interval is Student's over the ten cycles, widened for what successive cycles share (lag-one autocorrelation),
/// for slow noise seen before the switch-on, half a converter step, the zero and the gain. `None` when fewer than ten
/// cycles follow the switch-on, or when more than a tenth of the readings in them are missing.
pub(crate) fn settled(
    recent: &Trace,
    onset_s: f64,
    standby: &Standby,
    settings: &ChannelSettings,
) -> Option<Settled> {
    let reading_s = recent.reading_s();
    if reading_s <= 0.0 {
        return None;
    }
    let window_s = CYCLES as f64 * settings.cycle_s;
    let end_s = recent.times().last()? + reading_s;
    if end_s - window_s < onset_s - 0.5 * reading_s {
        return None;
    }
    let from = recent.index_at(end_s - window_s);
    let values = &recent.values()[from..];
    let wanted = window_s / reading_s;
    if values.len() < CYCLES || (values.len() as f64) < 0.9 * wanted {
        return None;
    }
    let kind = settings.channel_type;
    let level_a = level(values, kind, standby.variance_a2);
    let cycles: Vec<f64> = (0..CYCLES)
        .map(|cycle| {
            let bounds = [cycle, cycle + 1].map(|edge| edge * values.len() / CYCLES);
            level(&values[bounds[0]..bounds[1]], kind, standby.variance_a2)
        })
        .collect();
    let mean = cycles.iter().sum::<f64>() / CYCLES as f64;
    let away: Vec<f64> = cycles.iter().map(|cycle| cycle - mean).collect();
    let squares: f64 = away.iter().map(|value| value * value).sum();
    let rho = if squares > 0.0 {
        away.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>() / squares
    } else {
        0.0
    };
    let rho = rho.clamp(0.0, 0.8);
    let freedom = CYCLES as f64 - 1.0;
    let spread = (squares / freedom / CYCLES as f64 * (1.0 + rho) / (1.0 - rho)).sqrt();
    let student = StudentsT::new(0.0, 1.0, freedom).map_or(2.262, |t| t.inverse_cdf(0.975));
    let zero = settings
        .zero_uncertainty_a
        .hypot(standby.step_a.unwrap_or(0.0) / 12.0_f64.sqrt());
    let systematic = zero
        .hypot(standby.slow_sigma_a)
        .hypot(settings.gain_uncertainty * level_a);
    let half = (student * spread).hypot(1.96 * systematic);
    let variance = values
        .iter()
        .map(|value| (value - level(values, ChannelType::Dc, 0.0)).powi(2))
        .sum::<f64>()
        / values.len() as f64;
    Some(Settled {
        level_a,
        low_a: level_a - half,
        high_a: level_a + half,
        still_changing: still_changing(recent, from, window_s, onset_s, level_a, half, settings, standby),
        spread_a: variance.sqrt(),
    })
}

/// Compares the last ten cycles with the ten before.
#[allow(clippy::too_many_arguments)]
fn still_changing(
    recent: &Trace,
    from: usize,
    window_s: f64,
    onset_s: f64,
    level_a: f64,
    half_a: f64,
    settings: &ChannelSettings,
    standby: &Standby,
) -> f64 {
    let Some(start_s) = recent.times().get(from) else {
        return 0.0;
    };
    if start_s - window_s < onset_s {
        return 0.0;
    }
    let earlier = &recent.values()[recent.index_at(start_s - window_s)..from];
    if earlier.len() < CYCLES || level_a.abs() <= half_a {
        return 0.0;
    }
    let before = level(earlier, settings.channel_type, standby.variance_a2);
    let change = level_a - before;
    if change.abs() > 2.0 * half_a {
        change / level_a.abs()
    } else {
        0.0
    }
}

/// Seconds from the switch-on until the current stays within the settling band, and how finely that is known.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SettlingTime {
    pub(crate) time_s: f64,
    pub(crate) resolution_s: f64,
}

/// Finds the last block of the long view, and where ripple allows the last reading, outside the band.
pub(crate) fn settling_time(
    envelope: &Envelope,
    trace: &Trace,
    onset_s: f64,
    settled: &Settled,
    standby: &Standby,
    settings: &ChannelSettings,
) -> Option<SettlingTime> {
    let step = standby.step_a.unwrap_or(0.0);
    let kind = settings.channel_type;
    let block_s = envelope.block_s();
    let band = |count: u64| {
        let noise = 4.0 * (standby.sigma_a / (count.max(1) as f64).sqrt()).hypot(standby.slow_sigma_a);
        (settings.settling_band * settled.level_a.abs())
            .max(noise)
            .max(2.0 * step)
    };
    let after: Vec<_> = envelope
        .blocks()
        .iter()
        .filter(|block| block.start_s + block_s > onset_s && block.count > 0)
        .collect();
    let outside = |index: usize| {
        let block = after[index];
        let height = match kind {
            ChannelType::Dc => block.mean(),
            ChannelType::Ac => (block.mean_square() - standby.variance_a2).max(0.0).sqrt(),
        };
        (height - settled.level_a).abs() > band(block.count)
    };
    // The last block may be cut short by the end of the recording, so it has no say.
    let last = after.len().checked_sub(1)?;
    let last_outside = (0..last).rev().find(|&index| outside(index));
    if last_outside.is_some_and(|index| index + 2 >= last) {
        return None;
    }
    let until_s = last_outside.map_or(onset_s + block_s, |index| after[index].start_s + block_s);
    let fine = 1.5 * settings.settling_band * settled.level_a.abs() > settled.spread_a;
    if kind == ChannelType::Dc && fine && trace.times().last().is_some_and(|end| *end >= until_s) {
        let limit = band(1) + 3.0 * settled.spread_a;
        let from = trace.index_at(onset_s);
        let to = trace.index_at(until_s + block_s).min(trace.len());
        let reading = (from..to)
            .rev()
            .find(|&index| (trace.values()[index] - settled.level_a).abs() > limit);
        let time_s = reading.map_or(0.0, |index| trace.times()[index] + trace.reading_s() - onset_s);
        return Some(SettlingTime {
            time_s: time_s.max(0.0),
            resolution_s: trace.reading_s(),
        });
    }
    Some(SettlingTime {
        time_s: (until_s - onset_s).max(0.0),
        resolution_s: block_s,
    })
}
