//! Two things measured alternately.

use std::time::Duration;

use steadybench_tests::ratios;

/// So often each is measured; the medians are compared.
const ROUNDS: usize = 7;

/// Processor time this process has used, all its threads together.
#[cfg(unix)]
#[must_use]
pub fn processor_time() -> Duration {
    let used = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    Duration::new(
        u64::try_from(used.tv_sec).unwrap_or(0),
        u32::try_from(used.tv_nsec).unwrap_or(0),
    )
}

/// The median processor time of one call.
#[must_use]
pub fn median_of(mut work: impl FnMut()) -> Duration {
    let [time] = medians([&mut work]);
    time
}

/// The median processor times of one call of each, called in turn.
#[must_use]
pub fn medians<const N: usize>(mut works: [&mut dyn FnMut(); N]) -> [Duration; N] {
    let mut times: [Vec<Duration>; N] = std::array::from_fn(|_| Vec::new());
    for _ in 0..ROUNDS {
        for (work, times) in works.iter_mut().zip(&mut times) {
            let before = processor_time();
            work();
            times.push(processor_time() - before);
        }
    }
    times.map(|mut times| {
        times.sort();
        times[times.len() / 2]
    })
}

/// What a benchmark prints; with `--record` among its words it is kept for README too.
#[derive(Debug)]
pub struct Table {
    kept: ratios::Table,
}

impl Table {
    /// Prints the head. `command` is what is typed to have it again.
    #[must_use]
    pub fn begin(command: &str) -> Self {
        println!("| what | found | wanted |\n|---|---|---|");
        Self {
            kept: ratios::Table {
                command: command.into(),
                machine: ratios::machine(),
                rows: Vec::new(),
            },
        }
    }

    /// One line: what, how much, what was wanted.
    pub fn row(&mut self, what: &str, found: &str, wanted: &str) {
        println!("| {what} | {found} | {wanted} |");
        self.kept.rows.push(ratios::Row {
            what: what.into(),
            found: found.into(),
            wanted: wanted.into(),
        });
    }

    /// Keeps it where that was asked for.
    ///
    /// # Errors
    /// When the record cannot be written.
    pub fn end(self) -> anyhow::Result<()> {
        if std::env::args().any(|word| word == "--record") {
            ratios::keep(self.kept).map_err(anyhow::Error::msg)?;
        }
        Ok(())
    }
}
