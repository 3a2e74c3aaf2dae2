//! A record on its way to everyone: the live view, the detector, the analyst, the recorder.

use std::sync::PoisonError;
use std::time::Duration;

use crate::live::{Analyst, Detected, Hub, LiveBoard};
use crate::recorder::{Record, RecordSink};

use super::Station;

impl Station {
    pub(super) fn commit(&mut self, record: Record) {
        let live = &mut *self.live.lock().unwrap_or_else(PoisonError::into_inner);
        let (detection, hub, analyst) = (&mut self.detection, &self.hub, &mut self.analyst);
        let mut found = Vec::new();
        self.stream.take(&record, &mut |output| {
            live.take(&output, hub);
            if let Some(analyst) = analyst.as_mut() {
                analyst.take(&output);
            }
            detection.take(&output, &mut |detected| found.push(detected));
        });
        if let Record::Received { at_ns, .. } = &record {
            detection.arrived(self.start + Duration::from_nanos(*at_ns));
        }
        detection.settle(&mut |detected| found.push(detected));
        live.count(&self.stream);
        if let Some(sink) = &mut self.sink {
            sink.push(record);
        }
        tell(found, live, hub, analyst.as_deref_mut(), self.sink.as_mut());
        while let Some(glimpsed) = detection.glimpse() {
            live.take_glimpse(&glimpsed, hub);
        }
        if let Some(analyst) = analyst {
            analyst.give();
        }
    }

    /// The run is over: what the detector has under way is told as it stands, and the recorder has all there is.
    pub(super) fn finish_recording(&mut self) {
        let Some(sink) = &mut self.sink else { return };
        let mut found = Vec::new();
        self.detection.finish(&mut |detected| found.push(detected));
        let live = &mut *self.live.lock().unwrap_or_else(PoisonError::into_inner);
        tell(found, live, &self.hub, self.analyst.as_deref_mut(), Some(sink));
        // The recorder may have to wait for its disk.
        tokio::task::block_in_place(|| sink.finish());
    }
}

/// Tells everyone of the events that were found.
fn tell(
    found: Vec<Detected>,
    live: &mut LiveBoard,
    hub: &Hub,
    mut analyst: Option<&mut Analyst>,
    mut sink: Option<&mut RecordSink>,
) {
    for detected in found {
        live.take_event(&detected, hub);
        if let Some(analyst) = &mut analyst {
            analyst.take_event(&detected);
        }
        if let Some(sink) = &mut sink {
            sink.push_event(detected);
        }
    }
}
