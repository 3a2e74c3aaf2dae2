//! The instant of the switch-on and the highest reading.

use super::standby::Standby;
use super::trace::{LocalFit, Trace, local_fit};

/// Half-widths, in readings, of the windows tried for a local fit; each about a third wider than the one before.
const HALVES: [usize; 14] = [2, 3, 4, 5, 7, 10, 14, 19, 26, 36, 50, 70, 100, 140];

/// The widest fit that leaves nothing over but noise; growing stops at the first that fails after one that held.
///
/// Narrow windows may fail first: the highest of many readings is an outlier, which only a wider window can carry.
fn widest_fit(values: &[f64], centre: usize, degree: usize, sigma: f64) -> Option<(LocalFit, usize)> {
    let mut best = None;
    for half in HALVES {
        match local_fit(values, centre, half, degree) {
            Some(fit) if fit.is_noise_only(sigma, degree) => best = Some((fit, half)),
            _ if best.is_some() => break,
            _ => {}
        }
    }
    best
}

/// The highest point.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Peak {
    /// Index of the highest reading.
    pub(crate) index: usize,
    /// Its height with the noise smoothed out where the readings around it allow, amperes, positive.
    pub(crate) height_a: f64,
    /// Standard uncertainty of the height from noise and converter step, in amperes.
    pub(crate) sigma_a: f64,
    /// The current changes by more than a quarter of the peak within one reading, so it may have been higher inside.
    pub(crate) unresolved: bool,
    /// More than half of it is gone by the next reading, so nothing bounds how high it was inside.
    pub(crate) momentary: bool,
}

/// Finds the largest `|reading|` from `start` on.
///
/// The largest of many noisy readings is too high by a few standard deviations. Where a parabola through the readings
/// around it leaves only noise over, the parabola's own top takes its place.
pub(crate) fn find_peak(trace: &Trace, start: usize, standby: &Standby) -> Option<Peak> {
    let values = trace.values();
    let (index, top) = values
        .iter()
        .enumerate()
        .skip(start)
        .map(|(index, value)| (index, value.abs()))
        .max_by(|left, right| left.1.total_cmp(&right.1))?;
    let sign = values[index].signum();
    let step = standby.step_a.unwrap_or(0.0);
    let sigma = standby.sigma_a;
    let beside = |other: Option<usize>| {
        other
            .and_then(|k| values.get(k))
            .map_or(0.0, |value| (sign * value).max(0.0))
    };
    let lower = beside(index.checked_sub(1)).min(beside(Some(index + 1)));
    let unresolved = lower < 0.75 * top;
    let momentary = beside(Some(index + 1)) < 0.5 * top;
    let raw = Peak {
        index,
        height_a: top,
        sigma_a: sigma.hypot(step / 12.0_f64.sqrt()),
        unresolved,
        momentary,
    };
    let Some((fit, half)) = widest_fit(values, index, 2, sigma) else {
        return Some(raw);
    };
    let (height, offset) = (0..=2 * half)
        .map(|k| {
            let offset = k as f64 - half as f64;
            (sign * fit.at(offset), offset)
        })
        .max_by(|left, right| left.0.total_cmp(&right.0))?;
    if !height.is_finite() || (height - top).abs() > 5.0 * sigma {
        return Some(raw);
    }
    let place = (index as f64 + offset) as usize;
    // The variance of a parabola's value at the middle of n equally spaced readings is near 9/(4n) of one reading's.
    let lever = (2.25 / fit.count as f64).sqrt();
    Some(Peak {
        index: place.min(values.len() - 1),
        height_a: height,
        sigma_a: (sigma * lever).hypot(step / 12.0_f64.sqrt()),
        ..raw
    })
}

/// Finds the first reading whose `|current|`, noise apart, is above `threshold_a`.
///
/// On a steep edge that is simply the first reading above. On a slow ramp noise would cross early, so the crossing of
/// a straight line through the readings around is taken. Returns the index and the standard uncertainty of the time.
pub(crate) fn find_onset(trace: &Trace, threshold_a: f64, standby: &Standby) -> Option<(usize, f64)> {
    let magnitude: Vec<f64> = trace.values().iter().map(|value| value.abs()).collect();
    let sigma = standby.sigma_a;
    let above = |index: usize| magnitude.get(index).is_some_and(|value| *value > threshold_a);
    let first = (0..magnitude.len()).find(|&index| {
        magnitude[index] > threshold_a + 6.0 * sigma
            || (above(index)
                && [index + 1, index + 2, index + 3]
                    .into_iter()
                    .filter(|k| above(*k))
                    .count()
                    >= 2)
    })?;
    let reading_s = trace.reading_s();
    let rounding_s = reading_s / 12.0_f64.sqrt();
    let Some((fit, half)) = widest_fit(&magnitude, first, 1, sigma) else {
        return Some((first, rounding_s));
    };
    let slope = fit.coefficients[1];
    if slope <= 0.0 || slope * half as f64 <= 2.0 * sigma / (fit.count as f64).sqrt() {
        return Some((first, rounding_s));
    }
    let offset = ((threshold_a - fit.coefficients[0]) / slope).ceil();
    if offset.abs() > half as f64 {
        return Some((first, rounding_s));
    }
    let index = (first as f64 + offset).clamp(0.0, (magnitude.len() - 1) as f64) as usize;
    let noise_s = sigma / (fit.count as f64).sqrt() / slope * reading_s;
    Some((index, rounding_s.hypot(noise_s)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::power_up::settings::ChannelType;

    fn trace_of(values: Vec<f64>) -> Trace {
        Trace::new((0..values.len()).map(|k| k as f64 * 1e-4).collect(), values)
    }

    /// A quiet stretch with alternating noise of known size, then what `after` gives.
    fn with_quiet(after: impl Iterator<Item = f64>) -> Trace {
        let wobble = |k: usize| 0.01 * [1.0, -1.0, 0.5, -0.7, 0.2, -1.4, 1.1, 0.3][k % 8];
        let values: Vec<f64> = std::iter::repeat_n(0.0, 400)
            .chain(after)
            .enumerate()
            .map(|(k, value)| value + wobble(k * 5 + k / 8))
            .collect();
        trace_of(values)
    }

    #[test]
    fn a_step_is_found_to_the_reading() {
        let trace = with_quiet(std::iter::repeat_n(2.0, 500));
        let standby = Standby::learn(&trace, 380, ChannelType::Dc);
        assert_eq!(find_onset(&trace, 0.1, &standby).unwrap().0, 400);
    }

    #[test]
    fn a_slow_ramp_is_not_found_early() {
        let trace = with_quiet((0..5000).map(|k| f64::from(k) * 4e-4));
        let standby = Standby::learn(&trace, 380, ChannelType::Dc);
        let (index, sigma_s) = find_onset(&trace, 0.1, &standby).unwrap();
        // 0.1 A is reached 250 readings after the corner.
        assert!((index as f64 - 650.0).abs() < 8.0, "{index}");
        assert!(sigma_s > 1e-5);
    }

    #[test]
    fn the_top_of_a_noisy_hump_is_not_the_highest_reading() {
        let trace = with_quiet((0..2000).map(|k| 3.0 - ((f64::from(k) - 1000.0) / 1000.0).powi(2)));
        let standby = Standby::learn(&trace, 380, ChannelType::Dc);
        let peak = find_peak(&trace, 400, &standby).unwrap();
        assert!((peak.height_a - 3.0).abs() < 0.006, "{}", peak.height_a);
        assert!(!peak.unresolved);
    }

    #[test]
    fn a_spike_of_one_reading_keeps_its_height_and_is_marked_unresolved() {
        let trace = with_quiet(std::iter::once(7.0).chain(std::iter::repeat_n(0.2, 500)));
        let standby = Standby::learn(&trace, 380, ChannelType::Dc);
        let peak = find_peak(&trace, 300, &standby).unwrap();
        assert!((peak.height_a - 7.0).abs() < 0.02);
        assert!(peak.unresolved);
    }
}
