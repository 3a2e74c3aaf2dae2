//! Asks a collector that is running.

use std::time::Duration;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::{Announcement, Stamp};

use super::routes::MarkRequest;

/// Has the collector mark this instant.
///
/// # Errors
/// [`Exit::NoCollector`] when nobody answers there; otherwise what the collector says.
pub fn post_mark(collector: &Announcement, mark: &MarkRequest) -> Result<Stamp, Fault> {
    let agent: ureq::Agent = ureq::Agent::config_builder()
        .timeout_global(Some(Duration::from_secs(5)))
        .http_status_as_error(false)
        .build()
        .into();
    let what = || format!("the collector at {}", collector.address);
    let mut response = agent
        .post(format!("http://{}/v1/marks", collector.address))
        .header("Authorization", format!("Bearer {}", collector.token))
        .send_json(mark)
        .map_err(|error| Fault::new(Exit::NoCollector, what(), error.to_string()))?;
    if response.status().is_success() {
        response
            .body_mut()
            .read_json()
            .map_err(|error| Fault::new(Exit::Failed, what(), error.to_string()))
    } else {
        let words = response.body_mut().read_to_string().unwrap_or_default();
        Err(Fault::new(Exit::Failed, what(), words))
    }
}
