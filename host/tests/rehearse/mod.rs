//! Runs of the virtual bench in virtual time, for the tests of what is done with runs.

#![allow(dead_code, unreachable_pub, clippy::unwrap_used)] // Each test uses its part; a test may stop at once.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use steadybench_host::collector::Rehearsal;
use steadybench_host::recorder::{FullRate, JobFolder, RunKind, RunPlan};
use steadybench_protocol::{Configure, ShuntRange};
use steadybench_virtual::{Scenario, VirtualBoard};

/// A run to be made.
pub struct Bench {
    pub kind: RunKind,
    pub rate_hz: u32,
    pub length: Duration,
    pub scenario: Scenario,
    /// The specimen of board and unit.
    pub seed: u64,
}

impl Bench {
    /// Records it into `job`; gives the run folder.
    pub fn record(&self, job: &Path) -> PathBuf {
        let reading_period_us = 1_000_000 / self.rate_hz;
        let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
        let rehearsal = Rehearsal {
            run: RunPlan {
                kind: self.kind,
                configure: Configure {
                    reading_period_us,
                    conversion_time: Configure::quietest_conversion(reading_period_us),
                    shunt_range: ShuntRange::Millivolts164,
                },
                full_rate: FullRate::Always,
                interval_us: 10_000_000,
            },
            length: self.length,
            begun_utc_ns: i64::try_from(now.as_nanos()).unwrap(),
            port: format!("virtual:{}", self.scenario.name),
            marks: Vec::new(),
        };
        let mut board = VirtualBoard::new(&self.scenario, self.seed);
        let open = || JobFolder::open_or_create(job);
        let summary = rehearsal.record(&mut board, open, |_| {}).unwrap();
        summary.folder
    }
}

/// The program, with nobody's kept files.
pub fn steady(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_steady"));
    command.args(args).stdin(Stdio::null());
    command
}

/// What it said; the code has to be 0.
pub fn done(output: &Output) -> String {
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    String::from_utf8(output.stdout.clone()).unwrap()
}

/// What it said on standard error; the code has to be `code`.
pub fn refused(output: &Output, code: steadybench_host::Exit) -> String {
    assert_eq!(output.status.code(), Some(i32::from(code.code())), "{output:?}");
    String::from_utf8(output.stderr.clone()).unwrap()
}
