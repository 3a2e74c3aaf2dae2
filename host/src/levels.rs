//! The level of a value over a run, in bounded memory: its mean with an uncertainty that heeds ripple, memory and wandering.

use steadybench_analysis::statistics::{
    RunningMoments, StatisticsError, mean_under_autocorrelation, moments,
};

/// A mean with its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// The mean.
    pub value: f64,
    /// Its standard uncertainty within the run.
    pub standard_uncertainty: f64,
    /// Degrees of freedom of that; none when it is taken as known.
    pub degrees_of_freedom: Option<f64>,
}

/// Length of the first blocks, in seconds: whole periods of the ripple of 50 Hz and of 60 Hz mains.
const BLOCK_S: f64 = 0.1;

/// Most blocks kept; beyond, two are made one, so that a night fits.
const MOST_BLOCKS: usize = 8192;

/// Means of a value over blocks of equal length.
#[derive(Debug)]
pub struct Means {
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
    /// Takes the next reading; one that is missing is NaN.
    pub fn push(&mut self, time_s: f64, current_a: f64) {
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
    ///
    /// # Errors
    /// When there are too few readings for either.
    pub fn level(&self) -> Result<Level, StatisticsError> {
        match mean_under_autocorrelation(&self.blocks, 0.95) {
            Ok(mean) => Ok(Level {
                value: mean.mean.value,
                standard_uncertainty: mean.standard_error,
                degrees_of_freedom: Some(mean.degrees_of_freedom),
            }),
            Err(StatisticsError::TooCorrelated { .. }) => {
                let spread = moments(&self.blocks)?;
                Ok(Level {
                    value: spread.mean,
                    standard_uncertainty: self.wandered() / 3.0_f64.sqrt(),
                    degrees_of_freedom: None,
                })
            }
            Err(error) => Err(error),
        }
    }

    /// How far the means of the blocks lie apart.
    #[must_use]
    pub fn wandered(&self) -> f64 {
        moments(&self.blocks).map_or(0.0, |spread| spread.max - spread.min)
    }

    /// Whether the value wandered all through the run.
    #[must_use]
    pub fn wanders(&self) -> bool {
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
        let Level {
            value,
            standard_uncertainty,
            ..
        } = means.level().unwrap();
        assert!((value - 0.250_05).abs() < 1e-5, "{value}");
        assert!(standard_uncertainty < 1e-5, "{standard_uncertainty}");
    }

    #[test]
    fn too_little_is_an_error_and_no_figure() {
        let mut means = Means::default();
        for index in 0..200_u32 {
            means.push(f64::from(index) * 1e-3, 0.25);
        }
        assert!(means.level().is_err());
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
        let Level {
            value,
            standard_uncertainty,
            ..
        } = means.level().unwrap();
        assert!((value - 0.268_5).abs() < 1e-4, "{value}");
        assert!(
            (standard_uncertainty - 0.007 / 3.0_f64.sqrt()).abs() < 1e-4,
            "{standard_uncertainty}"
        );
    }
}
