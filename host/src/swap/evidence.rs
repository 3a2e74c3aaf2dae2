//! What a run shows of each channel: a mean current with its uncertainty, or a count of events.

use std::path::Path;

use indicatif::ProgressBar;
use steadybench_analysis::sample::MarkKind;
use steadybench_analysis::swap::Evidence;
use steadybench_analysis::tap::TapExamination;
use steadybench_analysis::uncertainty::engineering;

use crate::examine::{RunFolder, Settings};
use crate::exit::Exit;
use crate::fault::Fault;
use crate::levels::{Level, Means};

/// What is compared.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Measure {
    /// The mean current.
    #[default]
    Current,
    /// Events an hour, or a tap where places were tapped.
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
            Self::Levels(means) => means[channel].level().map(evidence).map_err(|error| {
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
                    engineering(means.wandered(), "A", 2)
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

fn evidence(level: Level) -> Evidence {
    Evidence::Level {
        value: level.value,
        standard_uncertainty: level.standard_uncertainty,
        degrees_of_freedom: level.degrees_of_freedom,
    }
}
