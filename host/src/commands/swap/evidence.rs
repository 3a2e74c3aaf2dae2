//! What a run shows of each channel: a mean current with its uncertainty, or a count of events.

use std::path::Path;

use indicatif::ProgressBar;
use steadybench_analysis::sample::MarkKind;
use steadybench_analysis::statistics::{
    RunningMoments, StatisticsError, mean_under_autocorrelation, moments,
};
use steadybench_analysis::swap::Evidence;
use steadybench_analysis::tap::TapExamination;
use steadybench_analysis::uncertainty::engineering;

use crate::examine::{RunFolder, Settings};
use crate::exit::Exit;
use crate::fault::Fault;

/// What is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Measure {
    Current,
    Events,
}

/// What a run shows.
pub(super) enum Shown {
    Levels([Means; 2]),
    Events {
        counts: [u64; 2],
        exposure: f64,
        by_tap: bool,
    },
}

impl Shown {
    /// The evidence of a channel, 0 or 1.
    pub(super) fn of(&self, channel: usize, run: &Path) -> Result<Evidence, Fault> {
        match self {
            Self::Levels(means) => means[channel].evidence().map_err(|error| {
                Fault::new(
                    Exit::BadInput,
                    format!("{}, channel {}", run.display(), channel + 1),
                    format!("it gives no mean current: {error}"),
                )
                .remedy("leave out the warming-up with --skip, or record longer")
            }),
            Self::Events { counts, exposure, .. } => Ok(Evidence::Events {
                count: counts[channel],
                exposure: *exposure,
            }),
        }
    }

    /// The channels whose current wandered all through the run, in words.
    pub(super) fn wandering(&self, run: &Path) -> Vec<String> {
        let Self::Levels(means) = self else {
            return Vec::new();
        };
        let name = run.file_name().unwrap_or_default().to_string_lossy();
        let wandering = (1..).zip(means).filter(|(_, means)| means.wanders());
        wandering
            .map(|(channel, means)| {
                format!(
                    "{name}, channel {channel}: the current wandered by {} all through the run (warming up?), which is \
                     taken as what is not known of it; --skip leaves out the beginning",
                    engineering(means.wandered_a(), "A", 2)
                )
            })
            .collect()
    }

    /// What events are counted over.
    pub(super) fn exposure_words(&self) -> Option<String> {
        match self {
            Self::Levels(_) => None,
            Self::Events { by_tap: true, .. } => Some("events are counted for each tap".to_owned()),
            Self::Events { .. } => Some("events are counted for each hour".to_owned()),
        }
    }
}

/// Reads a run, `skip_s` of its beginning left out.
pub(super) fn of_run(
    folder: &Path,
    board: Option<usize>,
    measure: Measure,
    skip_s: f64,
    bar: &ProgressBar,
) -> Result<Shown, Fault> {
    let run = RunFolder::open(folder, board)?;
    match measure {
        Measure::Current => {
            let mut means = [Means::default(), Means::default()];
            run.each_sample(|sample| {
                if sample.time_s >= skip_s {
                    for (means, current_a) in means.iter_mut().zip(sample.current_a) {
                        means.push(sample.time_s, current_a);
                    }
                }
                bar.tick();
            })?;
            Ok(Shown::Levels(means))
        }
        Measure::Events => {
            let marks = run.marks()?;
            let taps = marks
                .iter()
                .filter(|mark| mark.kind == MarkKind::Tap && mark.time_s >= skip_s)
                .count();
            let mut examination = TapExamination::new(Settings::default().tap(), &marks);
            run.each_sample(|sample| {
                examination.push(sample);
                bar.tick();
            })?;
            let findings = examination.finish();
            let counts = [1, 2].map(|channel| {
                let counted = findings.events.iter().filter(|found| {
                    found.event.channel == channel
                        && found.event.kind.is_fault()
                        && found.event.start_s >= skip_s
                        && (taps == 0 || found.place.is_some())
                });
                counted.count() as u64
            });
            Ok(Shown::Events {
                counts,
                exposure: if taps > 0 {
                    taps as f64
                } else {
                    (findings.observed_s - skip_s).max(0.0) / 3600.0
                },
                by_tap: taps > 0,
            })
        }
    }
}

/// Length of the first blocks, in seconds: whole periods of the ripple of 50 Hz and of 60 Hz mains.
const BLOCK_S: f64 = 0.1;

/// Most blocks kept; beyond, two are made one, so that a night fits.
const MOST_BLOCKS: usize = 8192;

/// Means of a current over blocks of equal length.
#[derive(Debug)]
pub(super) struct Means {
    block_s: f64,
    blocks: Vec<f64>,
    present: RunningMoments,
    begun_s: Option<f64>,
}

impl Default for Means {
    fn default() -> Self {
        Self {
            block_s: BLOCK_S,
            blocks: Vec::new(),
            present: RunningMoments::new(),
            begun_s: None,
        }
    }
}

impl Means {
    pub(super) fn push(&mut self, time_s: f64, current_a: f64) {
        let begun_s = *self.begun_s.get_or_insert(time_s);
        if time_s - begun_s >= self.block_s {
            let full = std::mem::replace(&mut self.present, RunningMoments::new());
            self.begun_s = Some(time_s);
            if full.count() > 0 {
                self.blocks.push(full.mean());
            }
            if self.blocks.len() == MOST_BLOCKS {
                self.blocks = self
                    .blocks
                    .chunks_exact(2)
                    .map(|pair| 0.5 * (pair[0] + pair[1]))
                    .collect();
                self.block_s *= 2.0;
            }
        }
        if current_a.is_finite() {
            self.present.push(current_a);
        }
    }

    /// The mean with its uncertainty. A current that wanders all through the run, as one that warms up does, has no mean
    /// that more readings would sharpen: then all it wandered over is taken as how far its level may lie from the mean.
    fn evidence(&self) -> Result<Evidence, StatisticsError> {
        match mean_under_autocorrelation(&self.blocks, 0.95) {
            Ok(mean) => Ok(Evidence::from(&mean)),
            Err(StatisticsError::TooCorrelated { .. }) => {
                let spread = moments(&self.blocks)?;
                Ok(Evidence::Level {
                    value: spread.mean,
                    standard_uncertainty: self.wandered_a() / 3.0_f64.sqrt(),
                    degrees_of_freedom: None,
                })
            }
            Err(error) => Err(error),
        }
    }

    /// How far the means of the blocks lie apart, in amperes.
    fn wandered_a(&self) -> f64 {
        moments(&self.blocks).map_or(0.0, |spread| spread.max - spread.min)
    }

    /// Whether the current wandered all through the run.
    fn wanders(&self) -> bool {
        matches!(
            mean_under_autocorrelation(&self.blocks, 0.95),
            Err(StatisticsError::TooCorrelated { .. })
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A current of 0.25 A with 10 mA of ripple at twice 50 Hz: the ripple leaves nothing in a block's mean, and a night's
    /// memory stays bounded.
    #[test]
    fn ripple_leaves_the_mean_and_memory_is_bounded() {
        let mut means = Means::default();
        for index in 0..4_000_000_u32 {
            let time_s = f64::from(index) * 1e-3;
            let ripple = 0.01 * (std::f64::consts::TAU * 100.0 * time_s).sin();
            let wander = 1e-4 * f64::from(index.wrapping_mul(2_654_435_761) >> 16) / 65_536.0;
            means.push(time_s, 0.25 + ripple + wander);
        }
        assert!(means.blocks.len() < MOST_BLOCKS);
        let Evidence::Level {
            value,
            standard_uncertainty,
            ..
        } = means.evidence().unwrap()
        else {
            panic!("not a level")
        };
        assert!((value - 0.250_05).abs() < 1e-5, "{value}");
        assert!(standard_uncertainty < 1e-5, "{standard_uncertainty}");
    }

    #[test]
    fn too_little_is_an_error_and_no_figure() {
        let mut means = Means::default();
        for index in 0..200_u32 {
            means.push(f64::from(index) * 1e-3, 0.25);
        }
        assert!(means.evidence().is_err());
    }

    /// A stage that warms up from 265 to 272 mA: its level is known to those 7 mA and no better.
    #[test]
    fn a_current_that_wanders_is_known_to_what_it_wandered_over() {
        let mut means = Means::default();
        for index in 0..60_000_u32 {
            means.push(
                f64::from(index) * 1e-3,
                0.265 + 0.007 * f64::from(index) / 60_000.0,
            );
        }
        assert!(means.wanders());
        let Evidence::Level {
            value,
            standard_uncertainty,
            ..
        } = means.evidence().unwrap()
        else {
            panic!("not a level")
        };
        assert!((value - 0.268_5).abs() < 1e-4, "{value}");
        assert!(
            (standard_uncertainty - 0.007 / 3.0_f64.sqrt()).abs() < 1e-4,
            "{standard_uncertainty}"
        );
    }
}
