//! What is told to whoever watches: numbered events in a ring, made once for all watchers. Nobody who is slow holds up
//! anybody else; what left the ring before it was taken is counted.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use serde::Serialize;
use tokio::sync::watch;

/// Bytes of the events kept: some half minute of one board's states, and more than a second of sixteen boards'.
const KEPT_BYTES_MAX: usize = 2 << 20;

/// Watchers at a time.
pub const WATCHERS_MAX: usize = 32;

/// One event.
#[derive(Debug, PartialEq, Eq)]
pub struct Event {
    /// Its number: one more than the event's before.
    pub sequence: u64,
    /// What it is.
    pub name: &'static str,
    /// The event's value, as JSON on one line.
    pub json: String,
}

/// What a watcher has not had yet.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct News {
    /// Events that it was to have had and that are gone; `None` when nobody knows how many.
    pub missed: Option<u64>,
    /// The events, in order.
    pub events: Vec<Arc<Event>>,
}

/// The ring of events.
#[derive(Debug)]
pub struct Hub {
    ring: Mutex<Ring>,
    latest: watch::Sender<u64>,
    watchers: AtomicUsize,
}

#[derive(Debug)]
struct Ring {
    events: VecDeque<Arc<Event>>,
    bytes: usize,
    first: u64,
    next: u64,
}

impl Hub {
    /// An empty ring whose first event has the number `first`. Numbers are to go on over restarts of the program, so
    /// that one which a watcher has kept is never mistaken; the time of the start in milliseconds does that.
    #[must_use]
    pub fn new(first: u64) -> Self {
        Self {
            ring: Mutex::new(Ring {
                events: VecDeque::new(),
                bytes: 0,
                first,
                next: first,
            }),
            latest: watch::Sender::new(first),
            watchers: AtomicUsize::new(0),
        }
    }

    /// Publishes an event.
    pub fn publish<T: Serialize>(&self, name: &'static str, value: &T) {
        self.publish_numbered(name, |_| value);
    }

    /// Publishes an event whose value bears its number.
    pub fn publish_numbered<T: Serialize>(&self, name: &'static str, value: impl FnOnce(u64) -> T) {
        let mut ring = self.ring();
        let sequence = ring.next;
        // A value that is no JSON cannot come from types that derive it.
        let Ok(json) = serde_json::to_string(&value(sequence)) else {
            return;
        };
        ring.next += 1;
        ring.bytes += json.len();
        ring.events.push_back(Arc::new(Event { sequence, name, json }));
        while ring.bytes > KEPT_BYTES_MAX {
            let Some(oldest) = ring.events.pop_front() else {
                break;
            };
            ring.bytes -= oldest.json.len();
        }
        drop(ring);
        self.latest.send_replace(sequence + 1);
    }

    /// The number of the event that comes next.
    #[must_use]
    pub fn next(&self) -> u64 {
        self.ring().next
    }

    /// Up to `most` events from number `from` on, and the number to ask for next.
    #[must_use]
    pub fn since(&self, from: u64, most: usize) -> (News, u64) {
        let ring = self.ring();
        let oldest = ring.events.front().map_or(ring.next, |event| event.sequence);
        let missed = if from < ring.first || from > ring.next {
            None
        } else {
            Some(oldest.saturating_sub(from))
        };
        let start = if (oldest..=ring.next).contains(&from) {
            from
        } else {
            oldest
        };
        let skip = usize::try_from(start - oldest).unwrap_or(usize::MAX);
        let events: Vec<_> = ring.events.iter().skip(skip).take(most).cloned().collect();
        let next = start + events.len() as u64;
        (News { missed, events }, next)
    }

    /// Returns when event number `number` is there.
    pub async fn reached(&self, number: u64) {
        let mut latest = self.latest.subscribe();
        let _ = latest.wait_for(|next| *next > number).await;
    }

    /// Somebody begins to watch; `None` when there are too many.
    #[must_use]
    pub fn watch(self: &Arc<Self>) -> Option<Watcher> {
        self.watchers
            .fetch_update(Ordering::Relaxed, Ordering::Relaxed, |count| {
                (count < WATCHERS_MAX).then_some(count + 1)
            })
            .ok()
            .map(|_| Watcher(Arc::clone(self)))
    }

    /// How many watch.
    #[must_use]
    pub fn watchers(&self) -> usize {
        self.watchers.load(Ordering::Relaxed)
    }

    fn ring(&self) -> MutexGuard<'_, Ring> {
        self.ring.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Somebody who watches, until dropped.
#[derive(Debug)]
pub struct Watcher(Arc<Hub>);

impl Watcher {
    /// What is watched.
    #[must_use]
    pub fn hub(&self) -> &Hub {
        &self.0
    }
}

impl Drop for Watcher {
    fn drop(&mut self) {
        self.0.watchers.fetch_sub(1, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbers(news: &News) -> Vec<u64> {
        news.events.iter().map(|event| event.sequence).collect()
    }

    #[test]
    fn a_watcher_resumes_where_it_was_and_is_told_what_it_missed() {
        let hub = Hub::new(1_000);
        for value in 0..5 {
            hub.publish("mark", &value);
        }
        let (news, next) = hub.since(1_002, 100);
        assert_eq!(
            (numbers(&news), news.missed, next),
            (vec![1_002, 1_003, 1_004], Some(0), 1_005)
        );
        assert_eq!(news.events[0].json, "2");
        let (news, next) = hub.since(1_005, 100);
        assert_eq!((numbers(&news), news.missed, next), (vec![], Some(0), 1_005));

        // Two events of half the ring each leave no room for a third.
        for _ in 0..3 {
            hub.publish("state", &"x".repeat(KEPT_BYTES_MAX / 2 - 100));
        }
        let (news, next) = hub.since(1_003, 100);
        assert_eq!(
            (numbers(&news), news.missed, next),
            (vec![1_006, 1_007], Some(3), 1_008)
        );
        // A number of another start of the program, and one that nobody gave.
        for strange in [7, 5_000] {
            let (news, next) = hub.since(strange, 100);
            assert_eq!(
                (numbers(&news), news.missed, next),
                (vec![1_006, 1_007], None, 1_008)
            );
        }
    }

    #[test]
    fn watchers_are_bounded() {
        let hub = Arc::new(Hub::new(0));
        let mut watchers: Vec<_> = (0..WATCHERS_MAX).map(|_| hub.watch().unwrap()).collect();
        assert!(hub.watch().is_none());
        watchers.pop();
        assert!(hub.watch().is_some());
        drop(watchers);
        assert_eq!(hub.watchers(), 0);
    }
}
