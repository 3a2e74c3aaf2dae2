//! The live stream on a socket.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use steadybench_host::web::{App, Limits, serve};
use tokio::net::TcpListener;

use crate::bench::{Bench, TOKEN};

/// A session behind a real listener.
pub(crate) async fn served(limits: Limits) -> (Bench, SocketAddr) {
    let bench = Bench::start().await;
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let state = App::new(bench.session.control(), TOKEN.into(), address);
    tokio::spawn(serve(listener, state, limits));
    (bench, address)
}

/// A client of `/v1/live` on a socket of its own.
pub(crate) struct Watcher {
    stream: TcpStream,
    text: String,
}

impl Watcher {
    pub(crate) fn connect(address: SocketAddr, last: Option<u64>) -> Self {
        let mut stream = TcpStream::connect(address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
        let last = last.map_or(String::new(), |last| format!("Last-Event-ID: {last}\r\n"));
        write!(stream, "GET /v1/live HTTP/1.1\r\nHost: {address}\r\n{last}\r\n").unwrap();
        Self {
            stream,
            text: String::new(),
        }
    }

    /// The next event: its number, name and data.
    pub(crate) fn next(&mut self) -> (Option<u64>, String, Value) {
        let mut bytes = [0; 16_384];
        loop {
            if let Some(end) = self.text.find("\n\n") {
                let event: String = self.text.drain(..end + 2).collect();
                let field = |name: &str| {
                    let lines = event.lines();
                    lines
                        .filter_map(|line| line.split_once(name))
                        .map(|(_, rest)| rest.to_owned())
                        .next()
                };
                if let (Some(name), Some(data)) = (field("event: "), field("data: ")) {
                    let number = field("id: ").map(|number| number.parse().unwrap());
                    return (number, name, serde_json::from_str(&data).unwrap());
                }
                continue;
            }
            let count = self.stream.read(&mut bytes).unwrap();
            assert!(count > 0, "the stream ended");
            self.text.push_str(&String::from_utf8_lossy(&bytes[..count]));
        }
    }
}

pub(crate) async fn off_runtime<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> T {
    tokio::task::spawn_blocking(work).await.unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn the_stream_is_numbered_and_resumes() {
    let (bench, address) = served(Limits::default()).await;
    let (last, rate) = off_runtime(move || {
        let mut watcher = Watcher::connect(address, None);
        let begun = Instant::now();
        let mut before = None;
        let mut states = 0;
        while states < 40 {
            let (number, name, data) = watcher.next();
            let number = number.unwrap();
            assert!(
                before.is_none_or(|before| number == before + 1),
                "{before:?} then {number}"
            );
            before = Some(number);
            if name == "state" {
                states += 1;
                assert_eq!(data["sequence"], number);
            }
        }
        (before.unwrap(), 40.0 / begun.elapsed().as_secs_f64())
    })
    .await;
    assert!(rate < 25.0, "{rate} states a second");
    tokio::time::sleep(Duration::from_millis(300)).await;
    let (resumed, restarted, next) = off_runtime(move || {
        let resumed = Watcher::connect(address, Some(last)).next();
        // A number of another program's stream: nobody knows what was missed.
        let mut strange = Watcher::connect(address, Some(7));
        (resumed, strange.next(), strange.next())
    })
    .await;
    assert_eq!(resumed.0, Some(last + 1));
    assert_eq!(
        (restarted.1.as_str(), restarted.2),
        ("missed", json!({ "missed": null }))
    );
    assert!(next.0.unwrap() <= last + 1);
    bench.session.close("test").await.unwrap();
}
