//! How long a thread that wants a processor has to wait for one on this computer: what a campaign must know before it
//! calls a program late.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// From one look to the next.
const PERIOD: Duration = Duration::from_millis(5);

/// A thread that does nothing but sleep, and notes how late it was woken.
#[derive(Debug)]
pub(super) struct Delays {
    longest_us: Arc<AtomicU64>,
    over: Arc<AtomicBool>,
}

impl Delays {
    /// Begins to watch.
    pub(super) fn watch() -> Self {
        let (longest_us, over) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicBool::new(false)));
        let (longest, stop) = (Arc::clone(&longest_us), Arc::clone(&over));
        std::thread::spawn(move || {
            while !stop.load(Ordering::Relaxed) {
                let begun = Instant::now();
                std::thread::sleep(PERIOD);
                let late = begun.elapsed().saturating_sub(PERIOD);
                longest.fetch_max(
                    u64::try_from(late.as_micros()).unwrap_or(u64::MAX),
                    Ordering::Relaxed,
                );
            }
        });
        Self { longest_us, over }
    }

    /// The longest since this was last asked.
    pub(super) fn take(&self) -> Duration {
        Duration::from_micros(self.longest_us.swap(0, Ordering::Relaxed))
    }
}

impl Drop for Delays {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
    }
}
