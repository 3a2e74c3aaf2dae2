//! An open port, whatever is behind it.

use std::io::{Read, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::sync::Arc;
use std::time::Duration;

use steadybench_virtual::VirtualBench;

use crate::exit::Exit;
use crate::fault::{Fault, plain_reason};

use super::address::PortAddress;
use super::{bench, serial};

/// A read that finds nothing returns after this, so that a thread can be told to stop.
pub(super) const READ_TIMEOUT: Duration = Duration::from_millis(50);

/// How long a network port may take to answer.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(3);

/// An open port. Reads return within 50 ms, with `TimedOut` or `WouldBlock` when nothing came.
pub struct Connection {
    pub(super) reader: Box<dyn Read + Send>,
    pub(super) writer: Box<dyn Write + Send>,
    /// The virtual bench behind it, which lives as long as anybody holds it.
    pub bench: Option<Arc<VirtualBench>>,
    /// The name the port had when it was opened.
    pub name: String,
    /// The USB serial number of the device, where it is one: when it is plugged in again its name may be another.
    pub usb_serial: Option<String>,
}

impl std::fmt::Debug for Connection {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Connection")
            .field("name", &self.name)
            .finish_non_exhaustive()
    }
}

/// Opens a port.
///
/// # Errors
/// [`Exit::NoPort`] when there is no such port, [`Exit::PortBusy`] when another program holds it,
/// [`Exit::Permission`] when this user may not open it (the remedy names the group to join).
pub fn open(address: &PortAddress) -> Result<Connection, Fault> {
    match address {
        PortAddress::Device(name) => serial::open(name),
        PortAddress::UsbSerial(number) => serial::open(&serial::device_of(number)?),
        PortAddress::Tcp(address) => open_tcp(address),
        PortAddress::Virtual(scenario) => bench::open(scenario),
    }
}

pub(super) fn open_tcp(address: &str) -> Result<Connection, Fault> {
    let fault = |error: std::io::Error| {
        Fault::new(Exit::NoPort, format!("tcp:{address}"), plain_reason(&error))
            .remedy("see that the far end is running and listens on that port")
    };
    let mut failure = std::io::Error::other("the name has no address");
    for target in address.to_socket_addrs().map_err(fault)? {
        match TcpStream::connect_timeout(&target, CONNECT_TIMEOUT) {
            Ok(stream) => {
                let set_up = || {
                    stream.set_nodelay(true)?;
                    stream.set_read_timeout(Some(READ_TIMEOUT))?;
                    stream.set_write_timeout(Some(CONNECT_TIMEOUT))?;
                    stream.try_clone()
                };
                let writer = set_up().map_err(fault)?;
                return Ok(Connection {
                    reader: Box::new(stream),
                    writer: Box::new(writer),
                    bench: None,
                    name: format!("tcp:{address}"),
                    usb_serial: None,
                });
            }
            Err(error) => failure = error,
        }
    }
    Err(fault(failure))
}
