//! How long threads that wanted a processor had to wait for one: what a campaign must know before it calls a program late.
//! The system counts it for each thread; on a quiet machine it is milliseconds, on an overloaded one seconds.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

/// The waiting of a process's threads since it was last asked for.
#[derive(Debug)]
pub(super) struct Delays {
    threads: PathBuf,
    known_ns: BTreeMap<String, u64>,
}

impl Delays {
    /// Of this process, from now on.
    pub(super) fn own() -> Self {
        let mut delays = Self::of("self");
        delays.take();
        delays
    }

    /// Of another process, from its beginning.
    pub(super) fn of(process: &str) -> Self {
        Self {
            threads: PathBuf::from(format!("/proc/{process}/task")),
            known_ns: BTreeMap::new(),
        }
    }

    /// All that the threads there are have waited since this was last asked, added up: no reading, which passes one after
    /// another, was held up for longer. Nothing where the system does not count it.
    pub(super) fn take(&mut self) -> Duration {
        let now_ns = self.waited_ns();
        let known_ns = std::mem::take(&mut self.known_ns);
        let since = now_ns.iter().map(|(thread, waited)| {
            let before = known_ns.get(thread).copied().unwrap_or(0);
            waited.saturating_sub(before)
        });
        let since = Duration::from_nanos(since.sum());
        self.known_ns = now_ns;
        since
    }

    fn waited_ns(&self) -> BTreeMap<String, u64> {
        let threads = std::fs::read_dir(&self.threads).into_iter().flatten().flatten();
        threads
            .filter_map(|thread| {
                // Time on a processor, time waiting for one, and how often; a thread may have ended since it was listed.
                let counts = std::fs::read_to_string(thread.path().join("schedstat")).ok()?;
                let waited = counts.split_whitespace().nth(1)?.parse().ok()?;
                Some((thread.file_name().to_string_lossy().into_owned(), waited))
            })
            .collect()
    }
}
