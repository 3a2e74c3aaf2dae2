//! The raw codes of a run, as a calibration needs them.

use std::path::Path;
use std::time::Duration;

use steadybench_analysis::statistics::RunningMoments;
use steadybench_protocol::Hello;

use crate::examine::RunFolder;
use crate::exit::Exit;
use crate::fault::Fault;
use crate::quantity::parse_duration;
use crate::stream::{Output, When};

/// Readings taken at most: two minutes at 1000 a second, twice what a zero needs.
const MOST_READINGS: usize = 120_000;

/// The part of a run that is used.
#[derive(Clone, Copy, Debug, Default, clap::Args)]
pub(super) struct Part {
    /// Leave out what was recorded before: 20s.
    #[arg(long, value_parser = parse_duration)]
    from: Option<Duration>,
    /// Leave out what was recorded after: 90s.
    #[arg(long, value_parser = parse_duration)]
    until: Option<Duration>,
    /// Which board of runs with several, from 1.
    #[arg(long)]
    board: Option<usize>,
}

impl Part {
    /// This part, as far as it comes after `from`.
    pub(super) fn beginning_at(self, from: Duration) -> Self {
        if from.is_zero() {
            return self;
        }
        Self {
            from: Some(self.from.map_or(from, |own| own.max(from))),
            ..self
        }
    }

    /// Whether an instant belongs to it; one whose time nobody knows does not, unless all of the run is used.
    fn holds(&self, when: &When) -> bool {
        let Some(elapsed_us) = when.elapsed_us else {
            return self.from.is_none() && self.until.is_none();
        };
        let elapsed_s = elapsed_us as f64 * 1e-6;
        self.from.is_none_or(|from| elapsed_s >= from.as_secs_f64())
            && self.until.is_none_or(|until| elapsed_s <= until.as_secs_f64())
    }
}

/// Raw codes of one board.
#[derive(Debug)]
pub(super) struct Recorded {
    pub(super) hello: Box<Hello>,
    pub(super) codes: [Vec<f64>; 2],
    pub(super) rail_codes: [Vec<f64>; 2],
    thermistors: [RunningMoments; 2],
    chip_c: [RunningMoments; 2],
}

impl Recorded {
    pub(super) fn read(folder: &Path, part: &Part) -> Result<Self, Fault> {
        let mut replay = RunFolder::open(folder, part.board)?.replay()?;
        let mut recorded: Option<Self> = None;
        let mut rail_step_v = [1.0; 2];
        while let Some(output) = replay.next_output()? {
            match (output, recorded.as_mut()) {
                (Output::Board { hello, units }, None) => {
                    rail_step_v = units.channels.map(|channel| channel.rail_v(1));
                    recorded = Some(Self::begin(hello));
                }
                (Output::Reading(reading), Some(recorded)) if part.holds(&reading.when) => {
                    for (codes, code) in recorded.codes.iter_mut().zip(reading.codes) {
                        codes.extend(code.map(f64::from));
                    }
                    if recorded.codes.iter().any(|codes| codes.len() >= MOST_READINGS) {
                        break;
                    }
                }
                (Output::Slow { slow, when }, Some(recorded)) if part.holds(&when) => {
                    for (at, step_v) in rail_step_v.iter().enumerate() {
                        if let Some([latest_v, ..]) = slow.rail_v[at] {
                            recorded.rail_codes[at].push((latest_v / step_v).round());
                        }
                        if let Some(code) = slow.thermistor_code[at] {
                            recorded.thermistors[at].push(f64::from(code));
                        }
                        if let Some(chip_c) = slow.chip_c[at] {
                            recorded.chip_c[at].push(chip_c);
                        }
                    }
                }
                _ => {}
            }
        }
        recorded.ok_or_else(|| {
            Fault::new(
                Exit::BadInput,
                folder.display().to_string(),
                "no board introduced itself in it",
            )
            .remedy("record a minute with `steady collect --for 60s` and name that run")
        })
    }

    fn begin(hello: Box<Hello>) -> Self {
        Self {
            hello,
            codes: Default::default(),
            rail_codes: Default::default(),
            thermistors: [RunningMoments::new(), RunningMoments::new()],
            chip_c: [RunningMoments::new(), RunningMoments::new()],
        }
    }

    /// Mean temperature of a channel's chip, which stands for the board's.
    pub(super) fn chip_c(&self, at: usize) -> Option<f64> {
        (self.chip_c[at].count() > 0).then(|| self.chip_c[at].mean())
    }

    /// Mean code of a thermistor.
    pub(super) fn thermistor_code(&self, at: usize, run: &Path) -> Result<f64, Fault> {
        if self.thermistors[at].count() > 0 {
            return Ok(self.thermistors[at].mean());
        }
        Err(Fault::new(
            Exit::BadInput,
            run.display().to_string(),
            format!(
                "thermistor {} was open, shorted or did not answer all along",
                at + 1
            ),
        )
        .remedy("look to its plug, and record again"))
    }
}
