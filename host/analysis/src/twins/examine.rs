//! From batches to findings.

use std::f64::consts::PI;

use super::batches::{Batches, FREQUENCIES_HZ};
use super::beside::beside;
use super::findings::{Comparison, DifferenceVerdict, TwinFindings, TwinStanding};
use super::mean::{LeftRipple, mean_through_noise};
use super::{EventCounts, TwinSettings};
use crate::soak::mixture::Mixture;
use crate::statistics::{Bounded, RunningMoments};

/// Ripple at twice the mains frequency, with its amplitude on each channel.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Ripple {
    pub(crate) frequency_hz: f64,
    pub(crate) amplitude_a: [f64; 2],
}

pub(crate) fn examine(
    batches: &Batches,
    events: Option<EventCounts>,
    settings: &TwinSettings,
) -> TwinFindings {
    let ripple = find_ripple(batches, settings);
    let (series, weights) = lay_out(batches, |mean| mean[0] - mean[1]);
    let mean_a = means(batches);
    let step_s = batches.batch_s * batches.joined as f64;
    let amplitude_a = ripple.map_or([0.0; 2], |(ripple, _)| ripple.amplitude_a);
    let stuck = stuck_variance(batches, mean_a, amplitude_a);
    let left =
        ripple.map(|(ripple, difference_amplitude)| left_in_batches(ripple, difference_amplitude, step_s));
    let floor =
        resolution(batches) / (12.0 * batches.matched.max(1) as f64 / series.len().max(1) as f64).sqrt();
    let difference = mean_through_noise(&series, &weights, step_s, floor, left);
    let duration_s = batches
        .done
        .last()
        .map_or(0.0, |last| (last.index + 1) as f64 * step_s);
    let compare = match &difference {
        Some(found) => compare(found, batches, mean_a, stuck, step_s, duration_s, settings),
        None => too_short(mean_a, duration_s, step_s, settings),
    };
    TwinFindings {
        compare,
        mean_a,
        beside: beside(
            batches,
            ripple.map(|(ripple, _)| ripple),
            mean_a,
            events,
            duration_s,
            settings,
        ),
        ripple_hz: ripple.map(|(ripple, _)| ripple.frequency_hz),
        matched_readings: batches.matched,
        unmatched_readings: batches.unmatched,
        duration_s,
    }
}

fn means(batches: &Batches) -> [f64; 2] {
    let total: f64 = batches.done.iter().map(|batch| f64::from(batch.count)).sum();
    [0, 1].map(|k| {
        batches
            .done
            .iter()
            .map(|batch| batch.mean[k] * f64::from(batch.count))
            .sum::<f64>()
            / total
    })
}

/// Batches on an even grid, with weights relative to a full one.
fn lay_out(batches: &Batches, of: impl Fn([f64; 2]) -> f64) -> (Vec<f64>, Vec<f64>) {
    let Some(last) = batches.done.last() else {
        return (Vec::new(), Vec::new());
    };
    // A recording that is mostly gaps keeps its batches side by side instead of a grid many times its size.
    let even = last.index < 8 * batches.done.len() as u64 + 1024;
    let length = if even {
        last.index as usize + 1
    } else {
        batches.done.len()
    };
    let full = batches.done.iter().map(|batch| batch.count).max().unwrap_or(1);
    let (mut series, mut weights) = (vec![0.0; length], vec![0.0; length]);
    for (number, batch) in batches.done.iter().enumerate() {
        let share = f64::from(batch.count) / f64::from(full);
        if share >= 0.2 {
            let place = if even { batch.index as usize } else { number };
            series[place] = of(batch.mean);
            weights[place] = share;
        }
    }
    (series, weights)
}

fn resolution(batches: &Batches) -> f64 {
    batches.resolution_a(0).max(batches.resolution_a(1))
}

/// Variance of the difference that averaging cannot remove, because a quiet channel keeps to few codes of its converter.
///
/// For dither the mean of codes of step q swings about the truth by harmonics of amplitude `q/nπ` times the dither's
/// characteristic function at `2πn/q` (Widrow and Kollár 2008, *Quantization Noise*, chapter 4; from memory): of Gaussian
/// noise of standard deviation σ that is `exp(-2π²n²σ²/q²)`, of a sine of amplitude a it is `J0(2πna/q)`, of which the
/// envelope is taken, for nobody knows the phase. Without dither the variances of the harmonics add to the q²/12 of an
/// even distribution.
fn stuck_variance(batches: &Batches, mean: [f64; 2], ripple_a: [f64; 2]) -> f64 {
    // A channel that never left its code shows no step; its neighbour's converter is of the same kind.
    let step = resolution(batches);
    if step <= 0.0 {
        return 0.0;
    }
    (0..2)
        .map(|k| -> f64 {
            let mut slow = RunningMoments::new();
            batches
                .done
                .iter()
                .for_each(|batch| slow.push(batch.mean[k] - mean[k]));
            let within = batches.fast.squares[k] / batches.fast.freedom.max(1.0);
            let slow = if slow.variance().is_finite() {
                slow.variance()
            } else {
                0.0
            };
            // What is seen within a batch holds the ripple, and the rounding itself (Sheppard's correction).
            let noise = (within - 0.5 * ripple_a[k].powi(2) - step * step / 12.0).max(0.0) + slow;
            (1..=24)
                .map(|n| {
                    let square = f64::from(n * n);
                    let turn = 2.0 * PI * f64::from(n) * ripple_a[k] / step;
                    let sine = (2.0 / (PI * turn)).min(1.0);
                    step * step / (2.0 * PI * PI * square)
                        * (-4.0 * PI * PI * square * noise / (step * step)).exp()
                        * sine
                })
                .sum()
        })
        .sum()
}

fn find_ripple(batches: &Batches, settings: &TwinSettings) -> Option<(Ripple, f64)> {
    let fast = &batches.fast;
    if !batches.sees_ripple() || fast.batches < 20 {
        return None;
    }
    let count = fast.batches as f64;
    let amplitude = |sums: &[f64; 4], which: usize| {
        let noise = 0.5 * (sums[2] + sums[3]) / count;
        (sums[which] / count - noise).max(0.0).sqrt()
    };
    let which = match settings.mains_hz {
        Some(mains) => usize::from(mains > 55.0),
        None => usize::from(fast.power[0][1] + fast.power[1][1] > fast.power[0][0] + fast.power[1][0]),
    };
    let [cos, sin] = fast.turn[which];
    let turned = sin.atan2(cos) / (2.0 * PI * batches.batch_s);
    let ripple = Ripple {
        frequency_hz: FREQUENCIES_HZ[which] + turned,
        amplitude_a: [0, 1].map(|k| amplitude(&fast.power[k], which)),
    };
    Some((ripple, amplitude(&fast.power[2], which)))
}

/// What a mean over `step_s` leaves of the ripple of the difference.
fn left_in_batches(ripple: Ripple, amplitude: f64, step_s: f64) -> LeftRipple {
    let turns = PI * ripple.frequency_hz * step_s;
    LeftRipple {
        frequency_hz: ripple.frequency_hz,
        amplitude: amplitude * (turns.sin() / turns).abs(),
    }
}

fn compare(
    found: &Mixture,
    batches: &Batches,
    mean_a: [f64; 2],
    stuck: f64,
    step_s: f64,
    duration_s: f64,
    settings: &TwinSettings,
) -> Comparison {
    // A batch of a process with a memory is not quite AR(1), and two time constants may stand for three: a sixteenth of
    // the variance is added for what the model idealises.
    let mean = found.blurred(stuck + found.variance() / 16.0);
    let wide = mean.interval(0.99);
    let interval = mean.interval(0.95);
    let verdict = if !interval.excludes(0.0) {
        DifferenceVerdict::Equal
    } else if wide.excludes(0.0) {
        DifferenceVerdict::Different
    } else {
        DifferenceVerdict::Unsure
    };
    let margin_a = settings.margin_a(mean_a);
    let (standing, reason) = stand(&mean, margin_a, duration_s);
    Comparison {
        difference_a: Some(interval.value),
        ci_low: Some(interval.low),
        ci_high: Some(interval.high),
        verdict,
        ratio: ratio(batches, mean_a, stuck, step_s),
        margin_a,
        standing,
        reason,
    }
}

/// Mean of one over mean of the other, by the difference `ch1 - r ch2` at the observed `r` (delta method).
fn ratio(batches: &Batches, mean_a: [f64; 2], stuck: f64, step_s: f64) -> Option<Bounded> {
    let ratio = mean_a[0] / mean_a[1];
    if !ratio.is_finite() {
        return None;
    }
    let (series, weights) = lay_out(batches, |mean| mean[0] - ratio * mean[1]);
    let scaled = mean_through_noise(&series, &weights, step_s, 0.0, None)?;
    let interval = scaled
        .blurred(stuck * ratio.abs().max(1.0).powi(2))
        .interval(0.95);
    // When the interval of the denominator comes near zero the ratio has no useful bound.
    let small = (0.5 * (interval.high - interval.low)) > 0.5 * mean_a[1].abs();
    let (one, other) = (interval.low / mean_a[1], interval.high / mean_a[1]);
    (!small).then(|| Bounded {
        value: ratio + interval.value / mean_a[1],
        low: ratio + one.min(other),
        high: ratio + one.max(other),
        coverage: 0.95,
    })
}

/// Two one-sided tests at 5 % each are the same as a 90 % interval within the margin.
fn stand(mean: &Mixture, margin_a: f64, duration_s: f64) -> (TwinStanding, String) {
    let tests = mean.interval(0.90);
    let interval = mean.interval(0.95);
    let ma = |amperes: f64| 1e3 * amperes;
    let figures = format!(
        "difference {:+.3} mA (95 %: {:+.3} to {:+.3}), margin {:.3} mA",
        ma(interval.value),
        ma(interval.low),
        ma(interval.high),
        ma(margin_a)
    );
    if tests.low > -margin_a && tests.high < margin_a {
        let zero = if interval.excludes(0.0) {
            "; there is one, but it does not matter"
        } else {
            ""
        };
        return (TwinStanding::Alike, format!("{figures}{zero}"));
    }
    if interval.low > margin_a || interval.high < -margin_a {
        return (TwinStanding::Differs, figures);
    }
    // The half width falls as the root of the length; it must come down to the distance from the nearer edge.
    let distance = (interval.value.abs() - margin_a).abs().max(0.02 * margin_a);
    let half = 0.5 * (interval.high - interval.low);
    let more_s = (duration_s * ((half / distance).powi(2) - 1.0)).clamp(0.1 * duration_s, 1e6);
    (
        TwinStanding::CannotSayYet { more_s },
        format!("{figures}: the interval reaches across the margin"),
    )
}

fn too_short(mean_a: [f64; 2], duration_s: f64, step_s: f64, settings: &TwinSettings) -> Comparison {
    let least_s = 8.0 * step_s.max(super::batches::BATCH_S);
    Comparison {
        difference_a: None,
        ci_low: None,
        ci_high: None,
        verdict: DifferenceVerdict::Unsure,
        ratio: None,
        margin_a: settings.margin_a(mean_a),
        standing: TwinStanding::CannotSayYet {
            more_s: (least_s - duration_s).max(least_s),
        },
        reason: "fewer than eight stretches in which both channels had readings".into(),
    }
}
