//! Asks a collector that is running.

use std::net::{IpAddr, SocketAddr, UdpSocket};
use std::time::Duration;

use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

use crate::exit::Exit;
use crate::fault::Fault;
use crate::recorder::Announcement;

/// Beginning a run sets every board up anew; a board that does not answer is waited for.
const PATIENCE: Duration = Duration::from_secs(30);

/// The page's link. The token stands behind the `#`, which a browser keeps to itself: it is in no request and no log.
#[must_use]
pub fn link(address: SocketAddr, token: &str) -> String {
    let mut address = address;
    if address.ip().is_unspecified() {
        address.set_ip(own_address().unwrap_or(IpAddr::from([127, 0, 0, 1])));
    }
    format!("http://{address}/#token={token}")
}

/// The address by which others reach this computer: the one it would itself use. No packet is sent: connecting a
/// datagram socket only asks the system for a route (the far end is of RFC 5737, for documentation).
fn own_address() -> Option<IpAddr> {
    let socket = UdpSocket::bind(("0.0.0.0", 0)).ok()?;
    socket.connect(("192.0.2.1", 9)).ok()?;
    Some(socket.local_addr().ok()?.ip())
}

/// A collector that is running.
#[derive(Debug)]
pub struct Client {
    agent: ureq::Agent,
    collector: Announcement,
}

impl Client {
    /// Of a collector that was found.
    #[must_use]
    pub fn new(collector: Announcement) -> Self {
        let agent = ureq::Agent::config_builder()
            .timeout_global(Some(PATIENCE))
            .http_status_as_error(false)
            .build()
            .into();
        Self { agent, collector }
    }

    /// Has the collector do something; gives what it answers.
    ///
    /// # Errors
    /// [`Exit::NoCollector`] when nobody answers there; otherwise what the collector says.
    pub fn change<T: DeserializeOwned>(&self, path: &str, what: &impl Serialize) -> Result<T, Fault> {
        // One that listens everywhere listens on loopback, too.
        let mut address = self.collector.address;
        if address.ip().is_unspecified() {
            address.set_ip(IpAddr::from([127, 0, 0, 1]));
        }
        let name = || format!("the collector at {address}");
        let mut response = self
            .agent
            .post(format!("http://{address}{path}"))
            .header("Authorization", format!("Bearer {}", self.collector.token))
            .send_json(what)
            .map_err(|error| Fault::new(Exit::NoCollector, name(), error.to_string()))?;
        let status = response.status();
        let text = response.body_mut().read_to_string().unwrap_or_default();
        if !status.is_success() {
            let told: Option<Value> = serde_json::from_str(&text).ok();
            let words = told
                .as_ref()
                .and_then(|told| told["fault"].as_str())
                .unwrap_or(&text);
            let exit = if status == 400 { Exit::Usage } else { Exit::Failed };
            return Err(Fault::new(exit, name(), words));
        }
        let text = if text.is_empty() { "null" } else { &text };
        serde_json::from_str(text).map_err(|error| Fault::new(Exit::Failed, name(), error.to_string()))
    }
}
