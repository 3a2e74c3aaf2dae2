//! A page being served, and somebody who watches it: the stream that never ends, and the trace at several zooms.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use steadybench_host::collector::SessionControl;
use steadybench_host::web::{App, Limits, serve};
use tokio::net::TcpListener;
use tokio::runtime::Runtime;

use super::in_process::runtime;

/// The server, and a watcher of its stream.
#[derive(Debug)]
pub(super) struct Watched {
    address: SocketAddr,
    received: Arc<AtomicU64>,
    /// Ends what is served when it goes.
    _runtime: Runtime,
}

impl Watched {
    /// Serves the page of a session and begins to watch it.
    ///
    /// # Panics
    /// When there is no port to serve it on.
    pub(super) fn serve(control: SessionControl) -> Self {
        let runtime = runtime();
        let listener = runtime
            .block_on(TcpListener::bind(("127.0.0.1", 0)))
            .expect("a port of this computer");
        let address = listener.local_addr().expect("a port has an address");
        let app = App::new(control, "0".repeat(32), address);
        runtime.spawn(serve(listener, app, Limits::default()));
        let received = Arc::new(AtomicU64::new(0));
        let count = Arc::clone(&received);
        std::thread::spawn(move || {
            let mut stream = asked(address, "/v1/live");
            let mut piece = vec![0; 64 * 1024];
            while let Ok(taken @ 1..) = stream.read(&mut piece) {
                count.fetch_add(taken as u64, Ordering::Relaxed);
            }
        });
        Self {
            address,
            received,
            _runtime: runtime,
        }
    }

    /// Bytes that the watcher of the stream has had.
    pub(super) fn received(&self) -> u64 {
        self.received.load(Ordering::Relaxed)
    }

    /// Looks at the state and at the trace, whole and near. Gives how many of the answers were what was asked for.
    pub(super) fn look(&self, until_s: u64) -> u64 {
        let windows = [
            (0, until_s),
            (until_s.saturating_sub(600), until_s),
            (until_s / 2, until_s / 2 + 1),
        ];
        let paths = windows.map(|(from, to)| format!("/v1/window?run=1&from_s={from}&to_s={to}&columns=600"));
        let mut right = 0;
        for path in paths.iter().map(String::as_str).chain(["/v1/state", "/metrics"]) {
            right += u64::from(is_answered(&mut asked(self.address, path)).unwrap_or(false));
        }
        right
    }
}

/// Whether an answer comes, whole, and is the one asked for. It is not kept: what the watcher takes is no business of the
/// program's.
fn is_answered(stream: &mut TcpStream) -> std::io::Result<bool> {
    let mut piece = [0; 16 * 1024];
    let mut status = [0; 12];
    stream.read_exact(&mut status)?;
    while stream.read(&mut piece)? > 0 {}
    Ok(status == *b"HTTP/1.1 200")
}

/// What [`Watched::look`] asks for.
pub(super) const LOOKS: u64 = 5;

fn asked(address: SocketAddr, path: &str) -> TcpStream {
    let mut stream = TcpStream::connect(address).expect("the page answers");
    stream
        .set_read_timeout(Some(Duration::from_secs(60)))
        .expect("a socket has a time-out");
    let request = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
    stream
        .write_all(request.as_bytes())
        .expect("the page takes a request");
    stream
}
