//! One channel beside the good runs.

use super::{ChannelSteadyLikeness, SteadyLevel, SteadyReference, SteadyRun, SteadyTolerance};
use crate::power_up::{LikenessVerdict, Span};
use crate::statistics::{Bounded, StatisticsError, student_t_coverage_factor};
use crate::uncertainty::engineering;

/// A level of a good run, and by what it was measured.
struct Kept<'a> {
    level: &'a SteadyLevel,
    instrument: &'a str,
}

/// A difference of two levels with its standard error and the degrees of freedom of that.
struct Difference {
    value: f64,
    standard_error: f64,
    degrees_of_freedom: f64,
}

impl Difference {
    /// Half the width of the interval of this coverage.
    fn half_width(&self, coverage: f64) -> Result<f64, StatisticsError> {
        Ok(student_t_coverage_factor(coverage, self.degrees_of_freedom)? * self.standard_error)
    }
}

pub(super) fn channel(
    reference: &SteadyReference,
    run: &SteadyRun,
    number: u8,
    tolerance: &SteadyTolerance,
) -> Result<ChannelSteadyLikeness, StatisticsError> {
    let kept: Vec<Kept> = reference
        .runs
        .iter()
        .flat_map(|run| {
            run.channels.iter().map(|level| Kept {
                level,
                instrument: &run.instrument,
            })
        })
        .filter(|kept| kept.level.channel == number)
        .collect();
    let by_mean = |a: &&Kept, b: &&Kept| a.level.mean_a.total_cmp(&b.level.mean_a);
    let (Some(lowest), Some(highest)) = (kept.iter().min_by(by_mean), kept.iter().max_by(by_mean)) else {
        return Err(StatisticsError::NotEnough {
            what: "a comparison with good runs",
            have: 0,
            need: 1,
        });
    };
    let reference_a = Span {
        low: lowest.level.mean_a,
        high: highest.level.mean_a,
    };
    let margin_a =
        (tolerance.share * reference_a.low.abs().max(reference_a.high.abs())).max(tolerance.floor_a);
    let mut told = ChannelSteadyLikeness {
        channel: number,
        found_a: None,
        reference_a,
        accepted_a: Span {
            low: reference_a.low - margin_a,
            high: reference_a.high + margin_a,
        },
        difference_a: None,
        verdict: LikenessVerdict::NotEnoughData,
        reason: "this run has no steady current on the channel: leave out the warming-up, or record longer"
            .into(),
    };
    let Some(found) = run.channels.iter().find(|level| level.channel == number) else {
        return Ok(told);
    };
    told.found_a = Some(found.mean_a);
    let above_low = difference(found, &run.instrument, lowest);
    let above_high = difference(found, &run.instrument, highest);
    let nearest = if found.mean_a > reference_a.high {
        Bounded::symmetric(above_high.value, above_high.half_width(0.95)?, 0.95)
    } else if found.mean_a < reference_a.low {
        Bounded::symmetric(above_low.value, above_low.half_width(0.95)?, 0.95)
    } else {
        // Between two good runs; how far it may lie outside of them.
        Bounded {
            value: 0.0,
            low: (above_low.value - above_low.half_width(0.95)?).min(0.0),
            high: (above_high.value + above_high.half_width(0.95)?).max(0.0),
            coverage: 0.95,
        }
    };
    told.difference_a = Some(nearest);
    if let Some(words) = rails_differ(found, &kept, tolerance) {
        told.reason = words;
        return Ok(told);
    }
    let as_good = above_low.value - above_low.half_width(0.90)? > -margin_a
        && above_high.value + above_high.half_width(0.90)? < margin_a;
    let differs = nearest.low > margin_a || nearest.high < -margin_a;
    let margin = engineering(margin_a, "A", 3);
    (told.verdict, told.reason) = if differs {
        let way = if nearest.value > 0.0 { "more" } else { "less" };
        let by = engineering(nearest.value.abs(), "A", 3);
        (
            LikenessVerdict::Differs,
            format!("it draws {by} {way} than the nearest good run; up to {margin} does not matter"),
        )
    } else if as_good {
        (
            LikenessVerdict::AsGood,
            format!("within {margin} of the good runs, which does not matter"),
        )
    } else {
        (
            LikenessVerdict::NotEnoughData,
            format!(
                "the interval of the difference reaches across {margin}, up to which it does not matter: record longer, \
                 keep further good runs, or calibrate"
            ),
        )
    };
    Ok(told)
}

/// The difference of this run from a good one. An instrument's own error cancels where both were measured by the same.
fn difference(found: &SteadyLevel, instrument: &str, kept: &Kept) -> Difference {
    let mut parts = vec![
        (found.standard_uncertainty_a, found.degrees_of_freedom),
        (kept.level.standard_uncertainty_a, kept.level.degrees_of_freedom),
    ];
    if instrument != kept.instrument {
        parts.push((found.instrument_uncertainty_a.unwrap_or(0.0), None));
        parts.push((kept.level.instrument_uncertainty_a.unwrap_or(0.0), None));
    }
    let standard_error = parts.iter().map(|(u, _)| u * u).sum::<f64>().sqrt();
    // Welch and Satterthwaite (JCGM 100, G.4); a part without degrees of freedom is taken as known.
    let shares: f64 = parts
        .iter()
        .filter_map(|(u, freedom)| Some((u / standard_error).powi(4) / (*freedom)?))
        .sum();
    Difference {
        value: found.mean_a - kept.level.mean_a,
        standard_error,
        degrees_of_freedom: if shares > 0.0 {
            (1.0 / shares).max(1.0)
        } else {
            f64::INFINITY
        },
    }
}

fn rails_differ(found: &SteadyLevel, kept: &[Kept], tolerance: &SteadyTolerance) -> Option<String> {
    let found_v = found.rail_v?;
    let kept_v: Vec<f64> = kept.iter().filter_map(|kept| kept.level.rail_v).collect();
    let low_v = kept_v.iter().copied().reduce(f64::min)?;
    let high_v = kept_v.iter().copied().reduce(f64::max)?;
    let allowed_v = tolerance.rail_share * high_v.abs();
    if found_v >= low_v - allowed_v && found_v <= high_v + allowed_v {
        return None;
    }
    Some(format!(
        "its rail stood at {found_v:.2} V and the good runs' at {low_v:.2} to {high_v:.2} V, so the currents cannot be \
         compared: set the supply as it was and record again"
    ))
}
