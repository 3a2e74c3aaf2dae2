//! The board behind a network port of this computer: for systems without pseudo-terminals, and for tests.

use std::io::{self, ErrorKind, Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::thread::sleep;
use std::time::Duration;

use super::{HostLine, PortName};

/// A host that takes nothing holds the thread up for so long at most.
const WRITE_TIMEOUT: Duration = Duration::from_millis(1);

#[derive(Debug)]
pub(super) struct TcpLine {
    address: SocketAddr,
    /// None while the cable is pulled.
    listener: Option<TcpListener>,
    host: Option<TcpStream>,
    /// Whether the last answer was that a host is there: one that goes is reported gone before the next is let in.
    was_open: bool,
    came: Vec<u8>,
}

impl TcpLine {
    pub(super) fn listen(port: u16) -> io::Result<Self> {
        let mut line = Self {
            address: SocketAddr::from((Ipv4Addr::LOCALHOST, port)),
            listener: None,
            host: None,
            was_open: false,
            came: Vec::new(),
        };
        line.restore()?;
        Ok(line)
    }

    fn accept(&mut self) -> Option<TcpStream> {
        let (host, _) = self.listener.as_ref()?.accept().ok()?;
        host.set_nonblocking(false).ok()?;
        host.set_nodelay(true).ok()?;
        host.set_write_timeout(Some(WRITE_TIMEOUT)).ok()?;
        self.came.clear();
        Some(host)
    }
}

/// Whether an error only says that there was nothing to do yet.
fn is_patience(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted
    )
}

impl HostLine for TcpLine {
    fn address(&self) -> PortName {
        PortName::Tcp(self.address)
    }

    fn is_present(&self) -> bool {
        self.listener.is_some()
    }

    fn is_open(&mut self) -> bool {
        if self.host.is_none() && !self.was_open {
            self.host = self.accept();
        }
        self.was_open = self.host.is_some();
        self.was_open
    }

    fn read(&mut self, buffer: &mut [u8]) -> usize {
        let count = self.came.len().min(buffer.len());
        for (into, from) in buffer.iter_mut().zip(self.came.drain(..count)) {
            *into = from;
        }
        count
    }

    fn write(&mut self, bytes: &[u8]) -> usize {
        let Some(host) = self.host.as_mut().filter(|_| !bytes.is_empty()) else {
            return 0;
        };
        match host.write(bytes) {
            Ok(count) => count,
            Err(error) if is_patience(&error) => 0,
            Err(_) => {
                self.host = None;
                0
            }
        }
    }

    fn wait(&mut self, longest: Duration) {
        let Some(host) = self.host.as_mut().filter(|_| self.came.is_empty()) else {
            sleep(longest);
            return;
        };
        // A timeout of zero would be none at all.
        let longest = longest.max(Duration::from_micros(100));
        let mut buffer = [0; 512];
        let outcome = host
            .set_read_timeout(Some(longest))
            .and_then(|()| host.read(&mut buffer));
        match outcome {
            Ok(0) => self.host = None,
            Ok(count) => self
                .came
                .extend_from_slice(buffer.get(..count).unwrap_or_default()),
            Err(error) if is_patience(&error) => {}
            Err(_) => self.host = None,
        }
    }

    fn withdraw(&mut self) {
        self.listener = None;
        self.host = None;
        self.came.clear();
    }

    fn restore(&mut self) -> io::Result<()> {
        let listener = TcpListener::bind(self.address)?;
        listener.set_nonblocking(true)?;
        self.address = listener.local_addr()?;
        self.listener = Some(listener);
        Ok(())
    }
}
