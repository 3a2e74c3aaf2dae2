//! How a run compares with the good ones: figure by figure, and stretch by stretch.

use serde::{Deserialize, Serialize};

use super::findings::ChannelPowerUp;
use super::reference::{ChannelReference, Span, same_window};
use super::verdict::amperes;

/// How far from the good runs still counts as good, as a share.
///
/// The defaults are common practice, no source: parts of a unit are made to 5 or 10 %, electrolytic capacitors to 20 %.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct ReferenceTolerance {
    /// Of the peak.
    pub peak: f64,
    /// Of I²t.
    pub i2t: f64,
    /// Of the settled current.
    pub settled: f64,
    /// Of the level in each stretch of the course.
    pub course: f64,
}

impl Default for ReferenceTolerance {
    fn default() -> Self {
        Self {
            peak: 0.2,
            i2t: 0.3,
            settled: 0.1,
            course: 0.25,
        }
    }
}

/// The word of a comparison.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum LikenessVerdict {
    /// Inside the good runs, widened by the tolerance.
    #[serde(rename = "as good")]
    AsGood,
    /// Outside, with its whole interval.
    #[serde(rename = "differs")]
    Differs,
    /// Missing, or its interval reaches across the edge.
    #[serde(rename = "not enough data")]
    NotEnoughData,
}

impl std::fmt::Display for LikenessVerdict {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(match self {
            Self::AsGood => "as good",
            Self::Differs => "differs",
            Self::NotEnoughData => "not enough data",
        })
    }
}

/// One figure beside the good runs'.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FigureLikeness {
    /// `peak_A`, `i2t_A2s` or `settled_A`.
    pub figure: String,
    /// As found in this run.
    pub found: Option<f64>,
    /// Lower end of its interval.
    pub low: Option<f64>,
    /// Upper end of its interval; `None` where the figure is only a lower bound.
    pub high: Option<f64>,
    /// The good runs.
    pub reference: Span,
    /// What counts as good.
    pub accepted: Span,
    /// From the nearest good run, as a share of it; positive for more current.
    pub difference: Option<f64>,
    /// The word.
    pub verdict: LikenessVerdict,
}

/// A stretch of time over which the course differs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CourseDifference {
    /// Start, in seconds after the switch-on.
    pub from_s: f64,
    /// End, in seconds after the switch-on.
    pub to_s: f64,
    /// Largest difference from the good runs in it, in amperes; positive for more current.
    #[serde(rename = "largest_A")]
    pub largest_a: f64,
}

/// One channel beside the good runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelLikeness {
    /// 1 or 2.
    pub channel: u8,
    /// Peak, I²t and settled current.
    pub figures: Vec<FigureLikeness>,
    /// Where the course differs.
    pub course: Vec<CourseDifference>,
    /// The word.
    pub verdict: LikenessVerdict,
    /// Why that word.
    pub reasons: Vec<String>,
}

/// A power-up beside the good runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PowerUpLikeness {
    /// Good runs compared with.
    pub runs: u32,
    /// One entry per channel of the reference.
    pub channels: Vec<ChannelLikeness>,
}

pub(crate) fn compare_channel(
    kept: &ChannelReference,
    entry: &ChannelPowerUp,
    tolerance: &ReferenceTolerance,
) -> ChannelLikeness {
    let i2t = if same_window(kept, entry) {
        (entry.i2t_a2s, entry.i2t_low_a2s, entry.i2t_high_a2s)
    } else {
        (None, None, None)
    };
    // Where the peak is over within a reading, both runs are averaged alike; the bound's open end then says little.
    let peak_high = entry
        .peak_high_a
        .or(if entry.clipped { None } else { entry.peak_a });
    let i2t_high = i2t.2.or(if entry.clipped { None } else { i2t.0 });
    let figures = vec![
        likeness(
            "peak_A",
            (entry.peak_a, entry.peak_low_a, peak_high),
            kept.peak_a,
            tolerance.peak,
        ),
        likeness("i2t_A2s", (i2t.0, i2t.1, i2t_high), kept.i2t_a2s, tolerance.i2t),
        likeness(
            "settled_A",
            (entry.settled_a, entry.settled_low_a, entry.settled_high_a),
            kept.settled_a,
            tolerance.settled,
        ),
    ];
    let course = compare_course(kept, entry, tolerance.course);
    let mut reasons = Vec::new();
    for figure in &figures {
        match (figure.verdict, figure.difference) {
            (LikenessVerdict::Differs, Some(difference)) => {
                reasons.push(format!(
                    "{} differs by {:+.0} %",
                    plain(&figure.figure),
                    100.0 * difference
                ));
            }
            (LikenessVerdict::NotEnoughData, Some(_)) => {
                reasons.push(format!(
                    "{} lies at the edge of what counts as good",
                    plain(&figure.figure)
                ));
            }
            (LikenessVerdict::NotEnoughData, None) => {
                reasons.push(format!(
                    "{} is missing or over another window",
                    plain(&figure.figure)
                ));
            }
            _ => {}
        }
    }
    for part in &course {
        reasons.push(format!(
            "from {} to {} s after the switch-on it draws up to {} A {}",
            amperes(part.from_s),
            amperes(part.to_s),
            amperes(part.largest_a.abs()),
            if part.largest_a > 0.0 { "more" } else { "less" }
        ));
    }
    let any = |word| figures.iter().any(|figure| figure.verdict == word);
    let verdict = if any(LikenessVerdict::Differs) || !course.is_empty() {
        LikenessVerdict::Differs
    } else if any(LikenessVerdict::NotEnoughData) {
        LikenessVerdict::NotEnoughData
    } else {
        reasons
            .push("peak, I2t, settled current and the course in between are as in the good runs".to_owned());
        LikenessVerdict::AsGood
    };
    ChannelLikeness {
        channel: kept.channel,
        figures,
        course,
        verdict,
        reasons,
    }
}

fn plain(figure: &str) -> &'static str {
    match figure {
        "peak_A" => "the peak",
        "i2t_A2s" => "I2t",
        _ => "the settled current",
    }
}

fn likeness(
    figure: &str,
    (found, low, high): (Option<f64>, Option<f64>, Option<f64>),
    reference: Span,
    share: f64,
) -> FigureLikeness {
    let margin = share * reference.largest();
    let accepted = Span {
        low: reference.low - margin,
        high: reference.high + margin,
    };
    let difference = found.map(|value| {
        let nearest = value.clamp(reference.low, reference.high);
        if nearest == 0.0 {
            0.0
        } else {
            (value - nearest) / nearest.abs()
        }
    });
    let verdict = match (found, low) {
        (Some(value), Some(low)) => {
            let below = high.is_some_and(|high| high < accepted.low);
            if low > accepted.high || below {
                LikenessVerdict::Differs
            } else if value >= accepted.low && value <= accepted.high && high.is_some() {
                LikenessVerdict::AsGood
            } else {
                LikenessVerdict::NotEnoughData
            }
        }
        _ => LikenessVerdict::NotEnoughData,
    };
    FigureLikeness {
        figure: figure.to_owned(),
        found,
        low,
        high,
        reference,
        accepted,
        difference,
        verdict,
    }
}

/// Stretches whose level is outside the good runs by more than the tolerance, joined where they touch.
///
/// The tolerance is a share of the level, but at least that share of a twentieth of the peak, so that a stretch in
/// which hardly anything flows doesn't accuse. The good runs' range is taken over the stretches beside too: on a steep
/// flank one reading of misalignment moves the level by as much as a stretch. One stretch alone counts only from 20 ms.
fn compare_course(kept: &ChannelReference, entry: &ChannelPowerUp, share: f64) -> Vec<CourseDifference> {
    let floor = 0.05 * kept.peak_a.largest();
    let mut parts: Vec<(CourseDifference, usize)> = Vec::new();
    for point in &entry.course {
        let Some(place) = kept.course.iter().position(|span| span.from_s == point.from_s) else {
            continue;
        };
        let beside = &kept.course[place.saturating_sub(1)..kept.course.len().min(place + 2)];
        let low = beside
            .iter()
            .map(|span| span.level_a.low)
            .fold(f64::INFINITY, f64::min);
        let high = beside
            .iter()
            .map(|span| span.level_a.high)
            .fold(f64::NEG_INFINITY, f64::max);
        let margin = share * floor.max(low.abs()).max(high.abs()) + 4.0 * point.sigma_a;
        let difference = if point.level_a > high + margin {
            point.level_a - kept.course[place].level_a.high
        } else if point.level_a < low - margin {
            point.level_a - kept.course[place].level_a.low
        } else {
            continue;
        };
        match parts.last_mut() {
            Some((part, count))
                if part.to_s >= point.from_s && (part.largest_a > 0.0) == (difference > 0.0) =>
            {
                part.to_s = point.to_s;
                *count += 1;
                if difference.abs() > part.largest_a.abs() {
                    part.largest_a = difference;
                }
            }
            _ => parts.push((
                CourseDifference {
                    from_s: point.from_s,
                    to_s: point.to_s,
                    largest_a: difference,
                },
                1,
            )),
        }
    }
    parts
        .into_iter()
        .filter(|(part, count)| *count >= 2 || part.from_s >= 0.02)
        .map(|(part, _)| part)
        .collect()
}
