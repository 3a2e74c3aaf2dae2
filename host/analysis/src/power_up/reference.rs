//! A power-up against runs kept from a good unit of the same model.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::course::CoursePoint;
use super::findings::{ChannelPowerUp, PowerUpFindings};
use super::likeness::{
    ChannelLikeness, LikenessVerdict, PowerUpLikeness, ReferenceTolerance, compare_channel,
};

/// Why a run can't serve as a reference, with the remedy.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ReferenceError {
    /// A channel lacks a figure.
    #[error("channel {channel} has no {figure}, so this run can't be kept as a reference: {remedy}")]
    Incomplete {
        /// 1 or 2.
        channel: u8,
        /// The figure that is missing.
        figure: &'static str,
        /// What to do.
        remedy: &'static str,
    },
    /// No channel saw a switch-on.
    #[error("no channel of this run saw a switch-on: record a power-up of the good unit and keep that")]
    Empty,
    /// A further run has I²t over another window.
    #[error(
        "I2t of channel {channel} is over {found_s} s, but the reference's is over {kept_s} s: use the same window"
    )]
    WindowDiffers {
        /// 1 or 2.
        channel: u8,
        /// Window of the run offered, in seconds.
        found_s: String,
        /// Window of the runs kept, in seconds.
        kept_s: String,
    },
}

/// From the lowest to the highest a figure was in the good runs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Span {
    /// Lowest.
    pub low: f64,
    /// Highest.
    pub high: f64,
}

impl Span {
    fn at(value: f64) -> Self {
        Self {
            low: value,
            high: value,
        }
    }

    fn widen(&mut self, value: f64) {
        self.low = self.low.min(value);
        self.high = self.high.max(value);
    }

    pub(crate) fn largest(&self) -> f64 {
        self.low.abs().max(self.high.abs())
    }
}

/// One stretch of the course of the good runs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CourseSpan {
    /// Start, in seconds after the switch-on.
    pub from_s: f64,
    /// End, in seconds after the switch-on.
    pub to_s: f64,
    /// Level over the stretch, in amperes.
    #[serde(rename = "level_A")]
    pub level_a: Span,
}

/// What the good runs were like on one channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelReference {
    /// 1 or 2.
    pub channel: u8,
    /// Peak, in amperes.
    #[serde(rename = "peak_A")]
    pub peak_a: Span,
    /// I²t over the window, in ampere² seconds.
    #[serde(rename = "i2t_A2s")]
    pub i2t_a2s: Span,
    /// The window, in seconds.
    pub i2t_window_s: f64,
    /// Settled current, in amperes.
    #[serde(rename = "settled_A")]
    pub settled_a: Span,
    /// The course from the switch-on.
    pub course: Vec<CourseSpan>,
}

/// Good runs of one model of unit, kept to compare with.
///
/// One run will do; further good runs show how much good units (and the instant of the mains cycle at which the switch
/// closes) differ, and widen what counts as good.
///
/// ```
/// use steadybench_analysis::power_up::{PowerUpExamination, PowerUpReference, PowerUpSettings, ReferenceTolerance};
/// use steadybench_analysis::sample::Sample;
///
/// let run = |load_a: f64| {
///     let mut examination = PowerUpExamination::new(PowerUpSettings::default());
///     for index in 0..4000 {
///         let time_s = f64::from(index) * 1e-3;
///         let current = if time_s < 1.0 { 0.0 } else { load_a + 9.0 * (-(time_s - 1.0) / 5e-3_f64).exp() };
///         examination.push(&Sample { current_a: [current, f64::NAN], ..Sample::missing_at(time_s) });
///     }
///     examination.finish()
/// };
/// let reference = PowerUpReference::new(&run(0.5))?;
/// let tolerance = ReferenceTolerance::default();
/// assert_eq!(reference.compare(&run(0.51), &tolerance).channels[0].verdict.to_string(), "as good");
/// assert_eq!(reference.compare(&run(0.9), &tolerance).channels[0].verdict.to_string(), "differs");
/// # Ok::<(), steadybench_analysis::power_up::ReferenceError>(())
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PowerUpReference {
    /// Good runs kept.
    pub runs: u32,
    /// One entry per channel that saw a switch-on.
    pub channels: Vec<ChannelReference>,
}

impl PowerUpReference {
    /// Keeps a first good run.
    ///
    /// # Errors
    /// If no channel saw a switch-on, or one that did lacks a figure or clipped; the message says what to do.
    pub fn new(findings: &PowerUpFindings) -> Result<Self, ReferenceError> {
        let channels = usable(findings)?
            .map(|entry| {
                let (peak, i2t, settled) = figures(entry)?;
                let course = entry.course.iter().map(course_span).collect();
                Ok(ChannelReference {
                    channel: entry.channel,
                    peak_a: Span::at(peak),
                    i2t_a2s: Span::at(i2t),
                    i2t_window_s: entry.i2t_window_s,
                    settled_a: Span::at(settled),
                    course,
                })
            })
            .collect::<Result<Vec<_>, _>>()?;
        Ok(Self { runs: 1, channels })
    }

    /// Keeps a further good run, widening what counts as good.
    ///
    /// # Errors
    /// As [`PowerUpReference::new`], and if its I²t is over another window. The reference is then unchanged.
    pub fn add(&mut self, findings: &PowerUpFindings) -> Result<(), ReferenceError> {
        let mut channels = self.channels.clone();
        for entry in usable(findings)? {
            let (peak, i2t, settled) = figures(entry)?;
            let Some(kept) = channels.iter_mut().find(|kept| kept.channel == entry.channel) else {
                continue;
            };
            if !same_window(kept, entry) {
                return Err(ReferenceError::WindowDiffers {
                    channel: entry.channel,
                    found_s: entry.i2t_window_s.to_string(),
                    kept_s: kept.i2t_window_s.to_string(),
                });
            }
            kept.peak_a.widen(peak);
            kept.i2t_a2s.widen(i2t);
            kept.settled_a.widen(settled);
            for span in &mut kept.course {
                if let Some(point) = entry.course.iter().find(|point| point.from_s == span.from_s) {
                    span.level_a.widen(point.level_a);
                }
            }
        }
        self.channels = channels;
        self.runs += 1;
        Ok(())
    }

    /// Compares a run, aligned at the switch-on, with the good runs.
    #[must_use]
    pub fn compare(&self, findings: &PowerUpFindings, tolerance: &ReferenceTolerance) -> PowerUpLikeness {
        let channels = self
            .channels
            .iter()
            .map(|kept| match findings.channel(kept.channel) {
                Some(entry) => compare_channel(kept, entry, tolerance),
                None => ChannelLikeness {
                    channel: kept.channel,
                    figures: Vec::new(),
                    course: Vec::new(),
                    verdict: LikenessVerdict::NotEnoughData,
                    reasons: vec!["this run has no readings on the channel".to_owned()],
                },
            })
            .collect();
        PowerUpLikeness {
            runs: self.runs,
            channels,
        }
    }
}

fn usable(findings: &PowerUpFindings) -> Result<impl Iterator<Item = &ChannelPowerUp>, ReferenceError> {
    if findings.inrush.iter().all(|entry| entry.onset_s.is_none()) {
        return Err(ReferenceError::Empty);
    }
    Ok(findings.inrush.iter().filter(|entry| entry.onset_s.is_some()))
}

fn course_span(point: &CoursePoint) -> CourseSpan {
    CourseSpan {
        from_s: point.from_s,
        to_s: point.to_s,
        level_a: Span::at(point.level_a),
    }
}

fn figures(entry: &ChannelPowerUp) -> Result<(f64, f64, f64), ReferenceError> {
    let incomplete = |figure, remedy| ReferenceError::Incomplete {
        channel: entry.channel,
        figure,
        remedy,
    };
    if entry.clipped {
        return Err(incomplete(
            "unclipped peak",
            "use a smaller shunt or a wider range and record again",
        ));
    }
    let peak = entry
        .peak_a
        .ok_or(incomplete("peak", "record the switch-on from before it"))?;
    let i2t = entry.i2t_a2s.ok_or(incomplete(
        "I2t",
        "record for at least the I2t window after the switch-on",
    ))?;
    let settled = entry.settled_a.ok_or(incomplete(
        "settled current",
        "record for ten mains cycles after it has settled",
    ))?;
    Ok((peak, i2t, settled))
}

pub(crate) fn same_window(kept: &ChannelReference, entry: &ChannelPowerUp) -> bool {
    (kept.i2t_window_s - entry.i2t_window_s).abs() < 1e-3 * kept.i2t_window_s
}
