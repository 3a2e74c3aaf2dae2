//! What is shown and examined of a board while its records come.

use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::live::{Analyst, Detected, Detection, Hub, LiveBoard};
use crate::recorder::{Record, RecordSink};
use crate::stream::Stream;

/// The way of a record to the page: stream, detector, present state, examination.
#[derive(Debug)]
pub(super) struct Showing {
    stream: Stream,
    detection: Detection,
    live: Arc<Mutex<LiveBoard>>,
    hub: Arc<Hub>,
    analyst: Option<Box<Analyst>>,
    /// The zero of the records' monotonic stamps; `None` in virtual time, where nothing is told before it is decided.
    start: Option<Instant>,
}

impl Showing {
    /// Of a board on a port of this name; `start` is the zero of its records' stamps, where they are of this computer's
    /// clock.
    pub(super) fn new(port: String, start: Option<Instant>, hub: Arc<Hub>) -> Self {
        Self {
            stream: Stream::new(),
            detection: Detection::default(),
            live: Arc::new(Mutex::new(LiveBoard::new(port))),
            hub,
            analyst: None,
            start,
        }
    }

    /// The board's present state.
    pub(super) fn live(&self) -> Arc<Mutex<LiveBoard>> {
        Arc::clone(&self.live)
    }

    pub(super) fn lock_live(&self) -> std::sync::MutexGuard<'_, LiveBoard> {
        self.live.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The examination that readings go to from now on.
    pub(super) fn examine_by(&mut self, analyst: Option<Box<Analyst>>) {
        self.analyst = analyst;
    }

    /// Takes a record, and gives what the detector finds in it, to be told once the record is on its way.
    pub(super) fn take(&mut self, record: &Record) -> Vec<Detected> {
        let live = &mut *self.live.lock().unwrap_or_else(PoisonError::into_inner);
        let (detection, hub, analyst) = (&mut self.detection, &self.hub, &mut self.analyst);
        let mut found = Vec::new();
        self.stream.take(record, &mut |output| {
            live.take(&output, hub);
            if let Some(analyst) = analyst.as_mut() {
                analyst.take(&output);
            }
            detection.take(&output, &mut |detected| found.push(detected));
        });
        if let (Record::Received { at_ns, .. }, Some(start)) = (record, self.start) {
            detection.arrived(start + Duration::from_nanos(*at_ns));
        }
        detection.settle(&mut |detected| found.push(detected));
        live.count(&self.stream);
        found
    }

    /// Tells everyone of the events that were found, and gives the examination its readings.
    pub(super) fn tell(&mut self, found: Vec<Detected>, mut sink: Option<&mut RecordSink>) {
        let live = &mut *self.live.lock().unwrap_or_else(PoisonError::into_inner);
        for detected in found {
            live.take_event(&detected, &self.hub);
            if let Some(analyst) = &mut self.analyst {
                analyst.take_event(&detected);
            }
            if let Some(sink) = &mut sink {
                sink.push_event(detected);
            }
        }
        while let Some(glimpsed) = self.detection.glimpse() {
            live.take_glimpse(&glimpsed, &self.hub);
        }
        if let Some(analyst) = &mut self.analyst {
            analyst.give();
        }
    }

    /// The run is over: what the detector has under way is told as it stands.
    pub(super) fn finish(&mut self, sink: &mut RecordSink) {
        let mut found = Vec::new();
        self.detection.finish(&mut |detected| found.push(detected));
        self.tell(found, Some(sink));
    }

    /// Forgets the run before: its stream, its events.
    pub(super) fn forget(&mut self) {
        self.stream = Stream::new();
        self.detection = Detection::default();
        self.lock_live().begin_anew();
    }

    /// Brings the counts of the present state up to date.
    pub(super) fn publish(&self) {
        self.lock_live().count(&self.stream);
    }
}
