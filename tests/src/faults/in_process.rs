//! The collector in this process, on a bench of its own, with a disk of the campaign's choice.

use std::path::{Path, PathBuf};
use std::time::Duration;

use steadybench_host::collector::{BoardSettings, GuardOptions, Plan, Session, SessionControl};
use steadybench_host::recorder::{FileLayer, FullRate, JobFolder, RunKind, RunPlan, RunSummary};
use steadybench_protocol::{Configure, ConversionTime, ShuntRange};
use tokio::runtime::Runtime;

/// How the campaigns measure: 1000 readings a second, every one in a row.
pub(super) fn run_plan(reading_period_us: u32, full_rate: FullRate, interval_us: u64) -> RunPlan {
    RunPlan {
        kind: RunKind::Soak,
        configure: Configure {
            reading_period_us,
            conversion_time: if reading_period_us < 1000 {
                ConversionTime::Us50
            } else {
                ConversionTime::Us540
            },
            shunt_range: ShuntRange::Millivolts164,
        },
        full_rate,
        interval_us,
    }
}

/// What a session runs on.
///
/// # Panics
/// When the system gives no threads.
pub(super) fn runtime() -> Runtime {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .expect("a runtime")
}

/// A recording of `run` from `ports` until it is told to stop.
///
/// # Panics
/// When a port has no name that one could type.
pub(super) fn plan(ports: &[PathBuf], run: RunPlan) -> Plan {
    Plan {
        ports: ports
            .iter()
            .map(|port| port.display().to_string().parse().expect("a port"))
            .collect(),
        settings: BoardSettings {
            configure: run.configure,
            guard: GuardOptions::default(),
        },
        run,
        duration: None,
        standby: false,
    }
}

/// Records from `ports` into `job`, while `meanwhile` runs with the run's control; closes the run when it returns.
///
/// # Panics
/// When the recording does not begin, or does not end.
pub(super) fn record<T>(
    ports: &[PathBuf],
    job: &Path,
    run: RunPlan,
    layer: impl FileLayer + 'static,
    meanwhile: impl FnOnce(&SessionControl) -> T,
) -> (RunSummary, T) {
    let (runtime, plan) = (runtime(), plan(ports, run));
    let open_job = || Ok(JobFolder::open_or_create(job)?.through(layer));
    let session = runtime
        .block_on(Session::start(&plan, open_job))
        .unwrap_or_else(|fault| panic!("the recording does not begin: {fault}"));
    let control = session.control();
    let given = meanwhile(&control);
    let mut ended = runtime
        .block_on(session.close("the campaign is over"))
        .unwrap_or_else(|fault| panic!("the recording does not end: {fault}"));
    assert_eq!(ended.len(), 1, "one run was recorded");
    (ended.remove(0).summary, given)
}

/// Waits until `ready`, at most `patience`; says whether it became so.
pub(super) fn wait(patience: Duration, mut ready: impl FnMut() -> bool) -> bool {
    let begun = std::time::Instant::now();
    while !ready() {
        if begun.elapsed() > patience {
            return false;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    true
}
