//! Clients that are slow, greedy or hostile: they harm nobody but themselves.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::http::{Method, StatusCode};
use steadybench_host::web::Limits;
use tower::ServiceExt;

use crate::bench::{Bench, TOKEN, asked};
use crate::stream::{Watcher, off_runtime, served};

#[tokio::test(flavor = "multi_thread")]
async fn watchers_and_rates_are_bounded() {
    let bench = Bench::start().await;
    let live = || asked(Method::GET, "/v1/live").body(Body::empty()).unwrap();
    let mut watching = Vec::new();
    for _ in 0..steadybench_host::live::WATCHERS_MAX {
        let answer = bench.router.clone().oneshot(live()).await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK);
        watching.push(answer);
    }
    let refused = bench.router.clone().oneshot(live()).await.unwrap();
    assert_eq!(refused.status(), StatusCode::SERVICE_UNAVAILABLE);
    // Who leaves makes room.
    watching.pop();
    let admitted = bench.router.clone().oneshot(live()).await.unwrap();
    assert_eq!(admitted.status(), StatusCode::OK);
    bench.session.close("test").await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn who_does_not_read_harms_nobody_and_is_dropped() {
    let limits = Limits {
        write_patience: Duration::from_millis(500),
        ..Limits::default()
    };
    let (bench, address) = served(limits).await;
    // It reads nothing, and the system's buffers for it are soon full of what is published beside the states.
    let lazy = off_runtime(move || Watcher::connect(address, None)).await;
    tokio::time::sleep(Duration::from_millis(100)).await;
    let hub = bench.session.control().hub().clone();
    assert_eq!(hub.watchers(), 1);
    let filling = "x".repeat(100_000);
    for _ in 0..150 {
        hub.publish("job", &filling);
        tokio::time::sleep(Duration::from_millis(2)).await;
    }
    // Another goes on being told meanwhile.
    let state = off_runtime(move || {
        let mut watcher = Watcher::connect(address, None);
        loop {
            let event = watcher.next();
            if event.1 == "state" {
                return event.2;
            }
        }
    })
    .await;
    assert_eq!(state["recording"], true);
    let patience = Instant::now() + Duration::from_secs(20);
    while hub.watchers() > 0 {
        assert!(Instant::now() < patience, "{} watch still", hub.watchers());
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    drop(lazy);
    bench.every_reading().await;
    let ended = bench.session.close("test").await.unwrap();
    assert_eq!(ended[0].summary.closed.board[0].lost_readings, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn slow_and_large_heads_and_too_many_connections_are_cut_off() {
    let limits = Limits {
        connections: 4,
        head_patience: Duration::from_millis(400),
        ..Limits::default()
    };
    let (bench, address) = served(limits).await;
    off_runtime(move || {
        let ends = |mut stream: TcpStream| {
            stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
            let mut text = Vec::new();
            // Closed, with or without words; a time-out would be an error of another kind.
            match stream.read_to_end(&mut text) {
                Ok(_) => String::from_utf8_lossy(&text).into_owned(),
                Err(error) if error.kind() == std::io::ErrorKind::ConnectionReset => String::new(),
                Err(error) => panic!("it was not closed: {error}"),
            }
        };
        // A head that never ends.
        let mut slow = TcpStream::connect(address).unwrap();
        write!(slow, "GET /v1/status HTTP/1.1\r\nHost: {address}\r\nX-Slow: ").unwrap();
        let words = ends(slow);
        assert!(!words.contains("200 OK"), "{words}");
        // One that is too long, and one of too many lines.
        let mut large = TcpStream::connect(address).unwrap();
        let _ = write!(
            large,
            "GET / HTTP/1.1\r\nHost: {address}\r\nX-Large: {}\r\n\r\n",
            "x".repeat(100_000)
        );
        let words = ends(large);
        assert!(words.is_empty() || words.contains("431"), "{words}");
        let mut many = TcpStream::connect(address).unwrap();
        let _ = write!(
            many,
            "GET / HTTP/1.1\r\nHost: {address}\r\n{}\r\n",
            "X: y\r\n".repeat(100)
        );
        let words = ends(many);
        assert!(words.is_empty() || words.contains("431"), "{words}");
        // No more connections than there is room for.
        let held: Vec<Watcher> = (0..4).map(|_| Watcher::connect(address, None)).collect();
        std::thread::sleep(Duration::from_millis(100));
        let one_more = TcpStream::connect(address).unwrap();
        assert_eq!(ends(one_more), "");
        drop(held);
    })
    .await;
    bench.session.close("test").await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn one_address_asks_no_faster_than_it_may() {
    let (bench, address) = served(Limits::default()).await;
    let refused = off_runtime(move || {
        let mut stream = TcpStream::connect(address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
        let one = format!("GET /v1/nothing HTTP/1.1\r\nHost: {address}\r\n\r\n");
        let mut refused = 0;
        let mut text = String::new();
        let mut bytes = [0; 65_536];
        for _ in 0..600 {
            stream.write_all(one.as_bytes()).unwrap();
            while !text.contains("\r\n\r\n") {
                let count = stream.read(&mut bytes).unwrap();
                assert!(count > 0);
                text.push_str(&String::from_utf8_lossy(&bytes[..count]));
            }
            refused += usize::from(text.starts_with("HTTP/1.1 429"));
            let head = text.find("\r\n\r\n").unwrap() + 4;
            let length: usize = text[..head]
                .lines()
                .filter_map(|line| line.strip_prefix("content-length: "))
                .map(|length| length.parse().unwrap())
                .next()
                .unwrap();
            while text.len() < head + length {
                let count = stream.read(&mut bytes).unwrap();
                text.push_str(&String::from_utf8_lossy(&bytes[..count]));
            }
            text.drain(..head + length);
        }
        refused
    })
    .await;
    assert!((1..600).contains(&refused), "{refused}");
    bench.session.close("test").await.unwrap();
}

/// A body that does not come holds up nobody, and is not waited for for ever; one that says it is endless is refused.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn bodies_that_do_not_come_or_do_not_end_are_refused() {
    let (bench, address) = served(Limits::default()).await;
    let head = format!(
        "POST /v1/notes HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {TOKEN}\r\nContent-Type: application/json\r\n"
    );
    let (slow, endless) = off_runtime(move || {
        let answered = |rest: &[u8]| {
            let mut stream = TcpStream::connect(address).unwrap();
            stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
            let _ = stream.write_all(&[head.as_bytes(), rest].concat());
            let mut answer = [0; 1024];
            let count = stream.read(&mut answer).unwrap_or(0);
            String::from_utf8_lossy(&answer[..count]).into_owned()
        };
        let begun = Instant::now();
        let endless = [
            &b"Transfer-Encoding: chunked\r\n\r\n"[..],
            &b"4000\r\n"[..],
            &[b' '; 0x4000][..],
            b"\r\n4000\r\n",
        ]
        .concat();
        let endless = answered(&[&endless[..], &[b' '; 0x4000][..]].concat());
        let slow = answered(b"Content-Length: 100\r\n\r\n{");
        assert!(begun.elapsed() < Duration::from_secs(30));
        (slow, endless)
    })
    .await;
    assert!(slow.starts_with("HTTP/1.1 408"), "{slow}");
    assert!(endless.starts_with("HTTP/1.1 413"), "{endless}");
    assert!(std::fs::metadata(bench.job.path().join("notes.csv")).is_err());
    bench.session.close("test").await.unwrap();
}

/// The widest windows, many times at once, from a client that does not wait for the answers: every reading is recorded,
/// and another is answered.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn many_wide_windows_at_once_cost_no_reading() {
    let (bench, address) = served(Limits::default()).await;
    let status = off_runtime(move || {
        let greedy: Vec<TcpStream> = (0..60)
            .map(|_| {
                let mut stream = TcpStream::connect(address).unwrap();
                let one = format!("GET /v1/window?run=1&columns=4096 HTTP/1.1\r\nHost: {address}\r\n\r\n");
                stream.write_all(one.repeat(4).as_bytes()).unwrap();
                stream
            })
            .collect();
        let mut other = TcpStream::connect(address).unwrap();
        other.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
        write!(
            other,
            "GET /v1/job HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n"
        )
        .unwrap();
        let mut answer = String::new();
        other.read_to_string(&mut answer).unwrap();
        drop(greedy);
        answer
    })
    .await;
    assert!(status.starts_with("HTTP/1.1 200"), "{status}");
    bench.every_reading().await;
    let ended = bench.session.close("test").await.unwrap();
    assert_eq!(ended[0].summary.closed.board[0].lost_readings, 0);
}
