//! The level a run settled at, with its uncertainty and the instrument's.

use steadybench_analysis::calibration::CodeReading;
use steadybench_analysis::sample::Sample;
use steadybench_analysis::soak::SoakStanding;
use steadybench_analysis::statistics::RunningMoments;
use steadybench_analysis::steady::{SteadyLevel, SteadyRun};
use steadybench_protocol::Hello;

use crate::calibrations::{self, store};
use crate::examine::{Findings, RunFolder};
use crate::fault::Fault;
use crate::levels::Means;
use crate::recorder::serial_digits;
use crate::stream::Output;
use crate::units::Units;

/// Half a 95 % interval in standard uncertainties.
const HALF_WIDTH_95: f64 = 1.96;

/// What a pass through a run collects for its level.
#[derive(Debug, Default)]
pub struct SteadyWatch {
    current_a: [Means; 2],
    rail_v: [RunningMoments; 2],
}

impl SteadyWatch {
    /// Takes the next sample.
    pub fn push(&mut self, sample: &Sample) {
        for channel in 0..2 {
            self.current_a[channel].push(sample.time_s, sample.current_a[channel]);
            if sample.rail_v[channel].is_finite() {
                self.rail_v[channel].push(sample.rail_v[channel]);
            }
        }
    }

    /// The levels. A soak's is what its settling led to; any other run's is its mean, and where it wandered all through the
    /// run, as one that warms up does, it is known to no better than it wandered.
    #[must_use]
    pub fn finish(&self, findings: &Findings, instrument: &Instrument) -> SteadyRun {
        let channels = [0, 1].into_iter().filter_map(|channel| {
            let (mean_a, standard_uncertainty_a, degrees_of_freedom) =
                settled(findings, channel).or_else(|| self.mean(channel))?;
            Some(SteadyLevel {
                channel: channel as u8 + 1,
                mean_a,
                standard_uncertainty_a,
                degrees_of_freedom,
                instrument_uncertainty_a: instrument.uncertainty_a(channel, mean_a),
                rail_v: (self.rail_v[channel].count() > 0).then(|| self.rail_v[channel].mean()),
            })
        });
        SteadyRun {
            channels: channels.collect(),
            instrument: instrument.name.clone(),
        }
    }

    fn mean(&self, channel: usize) -> Option<(f64, f64, Option<f64>)> {
        let level = self.current_a[channel].level().ok()?;
        Some((level.value, level.standard_uncertainty, level.degrees_of_freedom))
    }
}

fn settled(findings: &Findings, channel: usize) -> Option<(f64, f64, Option<f64>)> {
    let Findings::Soak(soak) = findings else {
        return None;
    };
    let entry = soak
        .course
        .drift
        .iter()
        .find(|entry| usize::from(entry.channel) == channel + 1)?;
    if entry.standing != SoakStanding::Settled {
        return None;
    }
    let [low, high] = entry.settled_ci_a?;
    Some((entry.settled_a?, (high - low) / 2.0 / HALF_WIDTH_95, None))
}

/// By what a run was measured.
#[derive(Debug)]
pub struct Instrument {
    name: String,
    hello: Option<Box<Hello>>,
}

impl Instrument {
    /// A meter of which nothing is known but its table.
    #[must_use]
    pub fn unknown(table: String) -> Self {
        Self {
            name: table,
            hello: None,
        }
    }

    /// The board of a run with the calibration in use.
    ///
    /// # Errors
    /// When the recording cannot be read.
    pub fn of_run(run: &RunFolder) -> Result<Self, Fault> {
        let mut replay = run.replay()?;
        let mut hello = None;
        while let Some(output) = replay.next_output()? {
            match output {
                Output::Board { hello: found, .. } => hello = Some(found),
                // What the run measures with is said before its first reading.
                Output::Reading(_) => break,
                _ => {}
            }
        }
        let name = hello.as_ref().map_or("no board".into(), |hello| {
            let serial = serial_digits(hello);
            let by = calibrations::of(&serial).map_or("as built".to_owned(), |by| by.made_on.to_string());
            format!("board {serial}, {by}")
        });
        Ok(Self { name, hello })
    }

    /// The serial number of the board.
    #[must_use]
    pub fn serial(&self) -> String {
        self.hello
            .as_ref()
            .map_or_else(String::new, |hello| serial_digits(hello))
    }

    /// What the figures do not hold, in words.
    #[must_use]
    pub fn remarks(&self) -> Vec<String> {
        if self.hello.is_some() {
            return Vec::new();
        }
        vec![
            "how far this meter may be off is not known to the program and not in the interval: compare with its data sheet"
                .into(),
        ]
    }

    /// Standard uncertainty at a current, the scatter of the readings left out; at the temperature it was calibrated at.
    fn uncertainty_a(&self, channel: usize, current_a: f64) -> Option<f64> {
        let hello = self.hello.as_ref()?;
        let calibration = match calibrations::of(&serial_digits(hello)) {
            Some(kept) => kept.clone(),
            None => store::as_built(hello, jiff::ZonedDateTime::now().date()),
        };
        let reading = CodeReading {
            code: Units::of(hello).channels[channel].current_code(current_a),
            standard_error: Some((0.0, f64::INFINITY)),
        };
        let corrected = &calibration.channels[channel];
        let budget = corrected
            .current_budget(
                &calibrations::setting_of(&hello.channels[channel]),
                reading,
                corrected.temperature_c,
            )
            .ok()?;
        Some(budget.combined_standard_uncertainty())
    }
}
