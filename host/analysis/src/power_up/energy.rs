//! Charge and I²t over the window from the switch-on.

use super::standby::Standby;
use super::trace::Trace;

/// A figure between two bounds.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Bounded {
    pub(crate) value: f64,
    pub(crate) low: f64,
    pub(crate) high: f64,
}

/// What was summed over the window.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Energy {
    pub(crate) i2t_a2s: Bounded,
    pub(crate) charge_as: Bounded,
    /// Seconds of the window that hold readings.
    pub(crate) covered_s: f64,
    /// Seconds inside the window without a reading.
    pub(crate) gap_s: f64,
}

/// Sums over `[onset, onset + window)`.
///
/// A reading's square holds the square of the current and, on average, the variance of the noise; the latter is taken
/// off: `I²t = Δt·(Σ y² − n·σ²)`. The bound is made of four parts: the noise (`2·Δt·σ·√Σ y²`, with slow noise treated
/// as fully correlated over the window), the zero (half a converter step and the stated zero uncertainty), the gain
/// (twice the relative uncertainty), and, upwards only, the square of what changes inside one reading: the mean of a
/// square exceeds the square of the mean by the variance, Δ²/12 for a straight slope and at most Δ²/4 for an edge
/// (Popoviciu's inequality).
pub(crate) fn sum_window(
    trace: &Trace,
    onset: usize,
    window_s: f64,
    standby: &Standby,
    zero_uncertainty_a: f64,
    gain_uncertainty: f64,
) -> Option<Energy> {
    let values = trace.values();
    let start_s = *trace.times().get(onset)?;
    let end = trace.index_at(start_s + window_s);
    if end <= onset {
        return None;
    }
    let reading_s = trace.reading_s();
    let (mut squares, mut sum, mut magnitude, mut inside, mut gap_s, mut gap_high) =
        (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    let mut gap_middle = 0.0;
    let mut gap_charge = 0.0;
    for index in onset..end {
        let value = values[index];
        squares += value * value;
        sum += value;
        magnitude += value.abs();
        let beside = [index.saturating_sub(1), (index + 1).min(values.len() - 1)].map(|k| values[k]);
        let low = beside[0].min(beside[1]).min(value);
        let high = beside[0].max(beside[1]).max(value);
        let range = (high - low - 4.0 * standby.sigma_a).max(0.0);
        let edge = range > 0.5 * high.abs().max(low.abs());
        // Over three readings a straight slope changes twice as much as inside one.
        inside += if edge {
            (range + beyond(values, index)).powi(2) / 4.0
        } else {
            range * range / 48.0
        };
        let missing_s = trace
            .gap_after_s(index)
            .min(start_s + window_s - trace.times()[index])
            .max(0.0);
        if missing_s > 0.0 {
            let next = values.get(index + 1).copied().unwrap_or(value);
            gap_s += missing_s;
            gap_middle += missing_s * 0.5 * (value * value + next * next);
            gap_charge += missing_s * 0.5 * (value + next);
            gap_high += missing_s * (value * value).max(next * next);
        }
    }
    let count = (end - onset) as f64;
    let value = (reading_s * (squares - count * standby.variance_a2) + gap_middle).max(0.0);
    let zero = zero_uncertainty_a.hypot(standby.step_a.unwrap_or(0.0) / 12.0_f64.sqrt());
    let slow = standby.slow_sigma_a;
    let noise = 2.0 * reading_s * standby.sigma_a * squares.sqrt();
    let offset = 2.0 * reading_s * magnitude * zero.hypot(slow);
    let gain = 2.0 * gain_uncertainty * value;
    let half = 1.96 * (noise * noise + offset * offset + gain * gain).sqrt()
        + 1.96 * reading_s * standby.variance_a2 * (2.0 * count).sqrt();
    let charge = reading_s * sum + gap_charge;
    let charge_sigma = (reading_s * standby.sigma_a * count.sqrt())
        .hypot(reading_s * count * zero.hypot(slow))
        .hypot(gain_uncertainty * charge);
    Some(Energy {
        i2t_a2s: Bounded {
            value,
            low: (value - half - gap_middle).max(0.0),
            high: value + half + reading_s * inside + gap_high,
        },
        charge_as: Bounded {
            value: charge,
            low: charge - 1.96 * charge_sigma,
            high: charge + 1.96 * charge_sigma,
        },
        covered_s: count * reading_s,
        gap_s,
    })
}

/// How far a current that jumps near `index` and decays after it may have stood above the readings beside.
fn beyond(values: &[f64], index: usize) -> f64 {
    let decay = |k: usize| match values.get(k..k + 2) {
        Some([now, next]) if now.abs() > next.abs() => now.abs() - next.abs(),
        _ => 0.0,
    };
    1.5 * decay(index + 1).max(decay(index))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::power_up::settings::ChannelType;

    /// Discharge of an RC into readings that are means over an interval, exactly.
    fn rc(peak_a: f64, tau_s: f64, reading_s: f64, lead: usize, part: f64) -> Trace {
        let count = 20_000;
        let level = |from: f64, to: f64| {
            let (from, to) = (from.max(0.0), to.max(0.0));
            peak_a * tau_s * ((-from / tau_s).exp() - (-to / tau_s).exp())
        };
        let values: Vec<f64> = (0..count)
            .map(|k| {
                let from = (f64::from(k) - lead as f64 - part) * reading_s;
                level(from, from + reading_s) / reading_s
            })
            .collect();
        Trace::new((0..count).map(|k| f64::from(k) * reading_s).collect(), values)
    }

    /// Facts: ∫i² dt = V²C/(2R), Q = CV; 12 V, 0.5 Ω, 1000 µF gives 0.144 A²s and 12 mC; 325 V, 10 Ω, 100 µF gives
    /// 0.528 A²s and 32.5 mC (closed form of the RC circuit).
    #[test]
    fn closed_form_of_a_capacitor_charging_through_a_resistor() {
        for (peak, tau, i2t, charge) in [(24.0, 0.5e-3, 0.144, 12e-3), (32.5, 1e-3, 0.528_125, 32.5e-3)] {
            for part in [0.0, 0.3, 0.8] {
                for reading_s in [1e-5, 1e-4] {
                    let trace = rc(peak, tau, reading_s, 200, part);
                    let standby = Standby::learn(&trace, 150, ChannelType::Dc);
                    let energy = sum_window(&trace, 200, 0.05, &standby, 0.0, 0.0).unwrap();
                    assert!(
                        energy.i2t_a2s.low <= i2t && i2t <= energy.i2t_a2s.high,
                        "{energy:?}"
                    );
                    assert!(
                        (energy.charge_as.value - charge).abs() < 1e-4 * charge,
                        "{energy:?}"
                    );
                    if reading_s < 5e-5 {
                        assert!((energy.i2t_a2s.value / i2t - 1.0).abs() < 0.01, "{energy:?}");
                    }
                }
            }
        }
    }
}
