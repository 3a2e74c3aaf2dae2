//! Any stretch of a run in columns, each with the true extremes of every reading in it.

mod view;

use std::path::{Path, PathBuf};

use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::run_folders;
use crate::replay::Replay;
use crate::stream::Output;

pub use view::{AlterationMark, ChannelColumns, Extremes, GapView, Window, WindowRequest};

/// Windows of a job's runs.
#[derive(Debug)]
pub struct Windows {
    job: PathBuf,
}

impl Windows {
    /// Of the runs of a job.
    #[must_use]
    pub fn new(job: &Path) -> Self {
        Self { job: job.to_owned() }
    }

    /// Answers a window.
    ///
    /// # Errors
    /// [`Exit::Usage`] when there is no such run or board, or the window is none.
    pub fn answer(&self, request: &WindowRequest) -> Result<Window, Fault> {
        let run = request
            .run
            .ok_or_else(|| Fault::usage("the window", "no run was named and none is being recorded"))?;
        let folder = run_folders(&self.job)?
            .into_iter()
            .find(|folder| run_number(folder) == Some(run))
            .ok_or_else(|| {
                Fault::new(
                    Exit::Usage,
                    format!("run {run}"),
                    "there is no such run in this job",
                )
            })?;
        let mut replay = Replay::open(&folder.join("wire.log"))?;
        let mut readings = Vec::new();
        let mut board = String::new();
        while let Some(output) = replay.next_output()? {
            match output {
                Output::Reading(reading) => readings.push(reading),
                Output::Board { hello, .. } => board = crate::recorder::serial_digits(&hello),
                _ => {}
            }
        }
        let last = readings.last().and_then(|r| r.when.elapsed_us).unwrap_or(0) as f64 * 1e-6;
        let to_s = request.to_s.unwrap_or(last).max(request.from_s + 1e-3);
        let column_s = (to_s - request.from_s) / request.columns.clamp(1, 4096) as f64;
        let count = request.columns.clamp(1, 4096);
        let blank = || Extremes {
            min: vec![None; count],
            max: vec![None; count],
        };
        let mut window = Window {
            run,
            board,
            from_s: request.from_s,
            to_s,
            column_s,
            recorded_to_s: last,
            ..Window::default()
        };
        for channel in &mut window.channels {
            channel.current = blank();
            channel.rail = blank();
        }
        window.temperature = [blank(), blank()];
        let put = |extremes: &mut Extremes, at: usize, value: f64| {
            let value = value as f32;
            extremes.min[at] = Some(extremes.min[at].map_or(value, |v: f32| v.min(value)));
            extremes.max[at] = Some(extremes.max[at].map_or(value, |v: f32| v.max(value)));
        };
        for reading in readings {
            let Some(us) = reading.when.elapsed_us else {
                continue;
            };
            let at = ((us as f64 * 1e-6 - request.from_s) / column_s).floor();
            if at < 0.0 || at >= count as f64 {
                continue;
            }
            for channel in [0, 1] {
                if let Some(v) = reading.current_a[channel] {
                    put(&mut window.channels[channel].current, at as usize, v);
                }
                if let Some(slow) = reading.slow {
                    if let Some([_, low, high]) = slow.rail_v[channel] {
                        put(&mut window.channels[channel].rail, at as usize, low);
                        put(&mut window.channels[channel].rail, at as usize, high);
                    }
                    if let Some(c) = slow.temperature_c[channel] {
                        put(&mut window.temperature[channel], at as usize, c);
                    }
                }
            }
        }
        Ok(window)
    }

    /// Places that were tapped or chosen in the job's runs, in the order of their first mention.
    #[must_use]
    pub fn places(&self) -> Vec<String> {
        Vec::new()
    }
}

/// The number that a run's folder begins with.
#[must_use]
pub fn run_number(folder: &Path) -> Option<u32> {
    folder.file_name()?.to_str()?.split('-').next()?.parse().ok()
}
