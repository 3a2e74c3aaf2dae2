//! The collector's HTTP interface: on the router without a socket, and on a real one where sockets matter.

#![allow(clippy::unwrap_used)] // A test may stop at once.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::{Duration, Instant};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Method, Request, StatusCode, header};
use serde_json::{Value, json};
use steadybench_host::collector::{BoardSettings, GuardOptions, Plan, Session};
use steadybench_host::recorder::{FullRate, JobFolder, RunKind, RunPlan, run_folders, survey_run};
use steadybench_host::web::{App, Limits, app, serve};
use steadybench_protocol::{Configure, ShuntRange};
use tokio::net::TcpListener;
use tower::ServiceExt;

mod support;
use support::{FakeBoard, PER_BLOCK, Script};

const TOKEN: &str = "0123456789abcdef0123456789abcdef";

/// Blocks that each board sends in all.
const BLOCKS: u64 = 100;

/// A session on fake boards, and its router.
struct Bench {
    session: Session,
    router: Router,
    job: tempfile::TempDir,
    _boards: Vec<FakeBoard>,
}

impl Bench {
    async fn start() -> Self {
        Self::with(1, ([127, 0, 0, 1], 8000).into()).await
    }

    async fn with(boards: u8, address: SocketAddr) -> Self {
        let boards: Vec<FakeBoard> = (1..=boards)
            .map(|serial| {
                FakeBoard::start(Script {
                    blocks: BLOCKS,
                    serial,
                    ..Script::default()
                })
            })
            .collect();
        let configure = Configure {
            reading_period_us: 1000,
            conversion_time: Configure::quietest_conversion(1000),
            shunt_range: ShuntRange::Millivolts164,
        };
        let plan = Plan {
            ports: boards.iter().map(|board| board.port().parse().unwrap()).collect(),
            run: RunPlan {
                kind: RunKind::Free,
                configure,
                full_rate: FullRate::Auto,
                interval_us: 60_000_000,
            },
            settings: BoardSettings {
                configure,
                guard: GuardOptions::default(),
            },
            duration: None,
            standby: false,
        };
        let job = tempfile::tempdir().unwrap();
        let session = Session::start(&plan, || JobFolder::open_or_create(job.path()))
            .await
            .unwrap();
        let router = app(App::new(session.control(), TOKEN.into(), address));
        Self {
            session,
            router,
            job,
            _boards: boards,
        }
    }

    async fn send(&self, request: Request<Body>) -> (StatusCode, Value) {
        let answer = self.router.clone().oneshot(request).await.unwrap();
        let status = answer.status();
        let bytes = to_bytes(answer.into_body(), 1 << 24).await.unwrap();
        let value = serde_json::from_slice(&bytes)
            .unwrap_or_else(|_| Value::String(String::from_utf8_lossy(&bytes).into_owned()));
        (status, value)
    }

    async fn get(&self, path: &str) -> (StatusCode, Value) {
        self.send(asked(Method::GET, path).body(Body::empty()).unwrap())
            .await
    }

    async fn post(&self, path: &str, what: Value) -> (StatusCode, Value) {
        let request = asked(Method::POST, path)
            .header(header::AUTHORIZATION, format!("Bearer {TOKEN}"))
            .header(header::CONTENT_TYPE, "application/json");
        self.send(request.body(Body::from(what.to_string())).unwrap())
            .await
    }

    async fn every_reading(&self) {
        let patience = Instant::now() + Duration::from_secs(60);
        loop {
            let (_, status) = self.get("/v1/status").await;
            let boards = status["boards"].as_array().unwrap();
            if boards.iter().all(|board| board["readings"] == BLOCKS * PER_BLOCK) {
                return;
            }
            assert!(Instant::now() < patience, "{status}");
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }
}

fn asked(method: Method, path: &str) -> axum::http::request::Builder {
    Request::builder()
        .method(method)
        .uri(path)
        .header(header::HOST, "127.0.0.1:8000")
}

#[tokio::test(flavor = "multi_thread")]
async fn every_route_is_described_and_every_description_answers() {
    let bench = Bench::start().await;
    bench.every_reading().await;
    let (status, document) = bench.get("/v1/openapi.json").await;
    assert_eq!((status, &document["openapi"]), (StatusCode::OK, &json!("3.1.0")));
    let paths = document["paths"].as_object().unwrap();
    assert!(paths.len() >= 20, "{:?}", paths.keys().collect::<Vec<_>>());
    for (path, operations) in paths {
        let path = path.replace("{number}", "1");
        for (method, operation) in operations.as_object().unwrap() {
            assert!(
                operation["summary"]
                    .as_str()
                    .is_some_and(|summary| !summary.is_empty()),
                "{path}"
            );
            let answered = match method.as_str() {
                // The stream does not end; its own tests read it.
                "get" if path == "/v1/live" => continue,
                "get" => {
                    assert!(
                        operation["responses"]["200"]["content"].is_object(),
                        "{path} gives something"
                    );
                    bench.get(&path).await.0
                }
                // Without the token nothing is done, and the route is there all the same.
                _ => {
                    let request = asked(Method::POST, &path).body(Body::empty()).unwrap();
                    assert_eq!(bench.send(request).await.0, StatusCode::UNAUTHORIZED, "{path}");
                    // And what it takes is JSON: nothing at all is refused where something is needed.
                    let needs = operation["requestBody"].is_object();
                    let request = asked(Method::POST, &path)
                        .header(header::AUTHORIZATION, format!("Bearer {TOKEN}"))
                        .body(Body::empty())
                        .unwrap();
                    if !needs {
                        continue;
                    }
                    let refused = bench.send(request).await.0;
                    assert_eq!(refused, StatusCode::UNSUPPORTED_MEDIA_TYPE, "{path}");
                    continue;
                }
            };
            assert_eq!(answered, StatusCode::OK, "{path}");
        }
    }
    // Every reference leads somewhere.
    let text = document.to_string();
    for part in text.split("\"$ref\":\"#/components/schemas/").skip(1) {
        let name = part.split('"').next().unwrap();
        assert!(document["components"]["schemas"][name].is_object(), "{name}");
    }
    let (_, events) = bench.get("/v1/events.json").await;
    assert!(events["properties"]["state"].is_object());
    bench.session.close("test").await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn runs_are_begun_and_ended_without_letting_the_port_go() {
    let bench = Bench::start().await;
    bench.every_reading().await;
    let (status, begun) = bench.post("/v1/runs", json!({ "kind": "tap" })).await;
    assert_eq!(
        (status, &begun["number"], &begun["kind"]),
        (StatusCode::OK, &json!(2), &json!("tap"))
    );
    // A tap without a place is refused with what to do; then the chosen one stands.
    let (status, fault) = bench.post("/v1/marks", json!({})).await;
    assert_eq!(status, StatusCode::BAD_REQUEST);
    assert!(
        fault["fault"].as_str().unwrap().contains("choose the place"),
        "{fault}"
    );
    assert_eq!(
        bench.post("/v1/place", json!({ "place": "J4" })).await.0,
        StatusCode::NO_CONTENT
    );
    assert_eq!(bench.post("/v1/marks", json!({})).await.0, StatusCode::OK);
    assert_eq!(
        bench
            .post("/v1/marks", json!({ "kind": "note", "label": "lid off" }))
            .await
            .0,
        StatusCode::OK
    );
    let (_, job) = bench.get("/v1/job").await;
    assert_eq!(job["places"], json!(["J4"]));

    // Standby: values go on, nothing is recorded, and a mark has nowhere to stand.
    assert_eq!(bench.post("/v1/stop", json!({})).await.0, StatusCode::NO_CONTENT);
    let (_, state) = bench.get("/v1/state").await;
    assert_eq!(
        (&state["recording"], &state["run"]),
        (&json!(false), &Value::Null)
    );
    assert_eq!(bench.post("/v1/stop", json!({})).await.0, StatusCode::BAD_REQUEST);
    assert_eq!(
        bench.post("/v1/marks", json!({ "label": "J4" })).await.0,
        StatusCode::BAD_REQUEST
    );

    // What the board cannot do is refused before anything ends; a run with a length ends by itself.
    let wrong = [
        json!({ "kind": "soak", "rate_hz": 9 }),
        json!({ "kind": "soak", "duration_s": -1.0 }),
    ];
    for wrong in wrong {
        assert_eq!(bench.post("/v1/runs", wrong).await.0, StatusCode::BAD_REQUEST);
    }
    let (_, begun) = bench
        .post("/v1/runs", json!({ "kind": "soak", "duration_s": 0.3 }))
        .await;
    assert_eq!(begun["number"], 3);
    let patience = Instant::now() + Duration::from_secs(30);
    while bench.get("/v1/status").await.1["recording"] == true {
        assert!(Instant::now() < patience);
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    let (_, runs) = bench.get("/v1/runs").await;
    let ended: Vec<&str> = runs
        .as_array()
        .unwrap()
        .iter()
        .map(|run| run["ended"].as_str().unwrap())
        .collect();
    assert_eq!(
        ended,
        [
            "the next run begins",
            "somebody asked for it",
            "the time given is over"
        ]
    );
    let (_, run) = bench.get("/v1/runs/1").await;
    assert_eq!(
        (&run["readings"], &run["lost"], &run["missing"]),
        (&json!(BLOCKS * PER_BLOCK), &json!(0), &json!([]))
    );

    let ended = bench.session.close("test").await.unwrap();
    assert_eq!(ended.len(), 3);
    let folders = run_folders(bench.job.path()).unwrap();
    let names: Vec<_> = folders
        .iter()
        .map(|run| run.file_name().unwrap().to_str().unwrap())
        .collect();
    assert_eq!(names, ["0001-free", "0002-tap", "0003-soak"]);
    let marks = std::fs::read_to_string(folders[1].join("marks.csv")).unwrap();
    assert!(
        marks.contains(",place,,,J4") && marks.contains(",tap,,,J4") && marks.contains(",note,,,lid off"),
        "{marks}"
    );
    // The place chosen goes on in the next run.
    let marks = std::fs::read_to_string(folders[2].join("marks.csv")).unwrap();
    assert!(marks.contains(",place,,,J4"), "{marks}");
    for folder in folders {
        assert!(survey_run(&folder).unwrap().closed.is_some());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_window_holds_what_was_recorded() {
    let bench = Bench::start().await;
    bench.every_reading().await;
    bench.post("/v1/stop", json!({})).await;
    let (status, window) = bench.get("/v1/window?run=1&columns=20").await;
    assert_eq!(status, StatusCode::OK, "{window}");
    // The fake board's codes go from 800 to 999 in steps of 31.25 µA.
    let extreme = |name: &str, of: fn(f64, f64) -> f64| {
        let all = window["channels"][0]["current"][name].as_array().unwrap();
        all.iter().filter_map(Value::as_f64).reduce(of).unwrap()
    };
    assert!((extreme("min", f64::min) - 0.025).abs() < 1e-6);
    assert!((extreme("max", f64::max) - 999.0 * 31.25e-6).abs() < 1e-6);
    for wrong in [
        "/v1/window?run=9",
        "/v1/window?run=1&from_s=-1",
        "/v1/window?run=1&from_s=NaN",
        "/v1/window?run=1&columns=-5",
        "/v1/window?run=1&board=..%2F..%2Fetc",
        "/v1/window",
    ] {
        assert_eq!(bench.get(wrong).await.0, StatusCode::BAD_REQUEST, "{wrong}");
    }
    bench.session.close("test").await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn the_job_is_changed_as_by_its_command() {
    let bench = Bench::start().await;
    assert_eq!(
        bench
            .post("/v1/notes", json!({ "text": "lid off", "kind": "step" }))
            .await
            .0,
        StatusCode::NO_CONTENT
    );
    let alteration = json!({ "kind": "cut-track", "what": "at R12", "why": "for the shunt" });
    let (_, altered) = bench.post("/v1/alterations", alteration).await;
    assert_eq!(altered["number"], 1);
    bench
        .post("/v1/alterations", json!({ "kind": "link", "what": "over F1" }))
        .await;
    assert_eq!(
        bench.post("/v1/close", json!({})).await.0,
        StatusCode::BAD_REQUEST,
        "a run is recorded"
    );
    bench.post("/v1/stop", json!({})).await;
    let (_, closing) = bench.post("/v1/close", json!({})).await;
    assert_eq!(
        (
            &closing["closed"],
            closing["still_altered"].as_array().unwrap().len()
        ),
        (&json!(false), 2)
    );
    assert_eq!(
        bench
            .post("/v1/alterations/1/restored", json!({ "note": "bridged" }))
            .await
            .0,
        StatusCode::NO_CONTENT
    );
    assert_eq!(
        bench.post("/v1/alterations/1/restored", json!({})).await.0,
        StatusCode::BAD_REQUEST
    );
    assert_eq!(
        bench.post("/v1/alterations/9/restored", json!({})).await.0,
        StatusCode::BAD_REQUEST
    );
    assert_eq!(
        bench
            .post("/v1/alterations/2/kept", json!({ "reason": " " }))
            .await
            .0,
        StatusCode::BAD_REQUEST
    );
    assert_eq!(
        bench
            .post("/v1/alterations/2/kept", json!({ "reason": "ordered" }))
            .await
            .0,
        StatusCode::NO_CONTENT
    );
    let (_, job) = bench.get("/v1/job").await;
    assert_eq!(
        (&job["alterations"][0]["state"], &job["alterations"][1]["state"]),
        (&json!("restored"), &json!("kept"))
    );
    assert_eq!(
        (&job["still_altered"], &job["notes"][0]["text"]),
        (&json!(0), &json!("lid off"))
    );
    let (_, closing) = bench.post("/v1/close", json!({ "note": "mended" })).await;
    assert_eq!(closing["closed"], true);
    for wrong in [
        json!({ "text": "" }),
        json!({ "text": "x".repeat(4_001) }),
        json!({ "text": "a\u{7}" }),
        json!({ "text": "it", "kind": "closed" }),
    ] {
        assert_eq!(bench.post("/v1/notes", wrong).await.0, StatusCode::BAD_REQUEST);
    }
    let unknown = json!({ "text": "it", "file": "/etc/passwd" });
    assert_eq!(
        bench.post("/v1/notes", unknown).await.0,
        StatusCode::UNPROCESSABLE_ENTITY
    );
    bench.session.close("test").await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn strangers_are_refused() {
    let bench = Bench::start().await;
    let get = |name: &'static str, value: &'static str| {
        let mut request = asked(Method::GET, "/v1/status").body(Body::empty()).unwrap();
        let name = header::HeaderName::from_static(name);
        request.headers_mut().insert(name, value.parse().unwrap());
        request
    };
    for (name, value, status) in [
        // DNS rebinding: another name for this computer's address.
        ("host", "elsewhere.example", StatusCode::FORBIDDEN),
        ("host", "elsewhere.example:8000", StatusCode::FORBIDDEN),
        ("host", "127.0.0.1.elsewhere.example", StatusCode::FORBIDDEN),
        ("host", "localhost:9", StatusCode::OK),
        ("host", "[::1]:8000", StatusCode::OK),
        // A page of another origin.
        ("origin", "http://elsewhere.example", StatusCode::FORBIDDEN),
        ("origin", "http://127.0.0.1:9000", StatusCode::FORBIDDEN),
        ("origin", "null", StatusCode::FORBIDDEN),
        ("origin", "http://127.0.0.1:8000", StatusCode::OK),
        ("sec-fetch-site", "cross-site", StatusCode::FORBIDDEN),
        ("sec-fetch-site", "same-origin", StatusCode::OK),
    ] {
        assert_eq!(bench.send(get(name, value)).await.0, status, "{name}: {value}");
    }
    let nameless = Request::builder().uri("/v1/status").body(Body::empty()).unwrap();
    assert_eq!(bench.send(nameless).await.0, StatusCode::FORBIDDEN);
    // A link on another page may open the page, and nothing else.
    let opened = |path: &str| {
        asked(Method::GET, path)
            .header("sec-fetch-site", "cross-site")
            .header("sec-fetch-mode", "navigate")
            .body(Body::empty())
            .unwrap()
    };
    assert_eq!(bench.send(opened("/")).await.0, StatusCode::OK);
    assert_eq!(bench.send(opened("/v1/job")).await.0, StatusCode::FORBIDDEN);

    let change = |authorization: Option<&str>| {
        let mut request = asked(Method::POST, "/v1/notes").header(header::CONTENT_TYPE, "application/json");
        if let Some(authorization) = authorization {
            request = request.header(header::AUTHORIZATION, authorization);
        }
        request.body(Body::from(r#"{"text":"it"}"#)).unwrap()
    };
    let nearly = format!("Bearer {}", TOKEN.replace("cdef", "cdee"));
    let short = format!("Bearer {}", &TOKEN[..31]);
    for shown in [
        None,
        Some(""),
        Some("Bearer "),
        Some(TOKEN),
        Some(nearly.as_str()),
        Some(short.as_str()),
    ] {
        assert_eq!(
            bench.send(change(shown)).await.0,
            StatusCode::UNAUTHORIZED,
            "{shown:?}"
        );
    }
    // The token in the address is no token.
    let request = asked(Method::POST, &format!("/v1/notes?token={TOKEN}"))
        .body(Body::empty())
        .unwrap();
    assert_eq!(bench.send(request).await.0, StatusCode::UNAUTHORIZED);
    for method in [Method::PUT, Method::DELETE, Method::PATCH] {
        let request = asked(method, "/v1/notes")
            .header(header::AUTHORIZATION, format!("Bearer {TOKEN}"))
            .body(Body::empty())
            .unwrap();
        assert_eq!(bench.send(request).await.0, StatusCode::METHOD_NOT_ALLOWED);
    }
    let large = json!({ "text": "x".repeat(20_000) });
    assert_eq!(
        bench.post("/v1/notes", large).await.0,
        StatusCode::PAYLOAD_TOO_LARGE
    );
    for path in [
        "/v1/runs/..%2F..%2Fjob.toml",
        "/v1/runs/0001-free",
        "/v1/runs/-1",
        "/v1/runs/99",
        "/page/..%2F..%2FCargo.toml",
        "/page/%2e%2e/%2e%2e/etc/passwd",
        "/job.toml",
        "/.steady-collector.json",
    ] {
        let (status, answer) = bench.get(path).await;
        assert!(
            status == StatusCode::NOT_FOUND || status == StatusCode::BAD_REQUEST,
            "{path}: {status} {answer}"
        );
    }
    let notes = std::fs::read_to_string(bench.job.path().join("notes.csv"));
    assert!(notes.is_err(), "nothing was written: {notes:?}");
    bench.session.close("test").await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn elsewhere_than_on_loopback_everything_needs_the_token() {
    let bench = Bench::with(1, ([192, 0, 2, 1], 8000).into()).await;
    for path in [
        "/v1/status",
        "/v1/live",
        "/v1/window?run=1",
        "/v1/job",
        "/v1/openapi.json",
        "/metrics",
    ] {
        let request = |shown: Option<&str>, host: &str| {
            let mut request = Request::builder().uri(path).header(header::HOST, host);
            if let Some(shown) = shown {
                request = request.header(header::AUTHORIZATION, format!("Bearer {shown}"));
            }
            request.body(Body::empty()).unwrap()
        };
        let refused = bench.send(request(None, "192.0.2.1:8000")).await.0;
        assert_eq!(refused, StatusCode::UNAUTHORIZED, "{path}");
        let rebound = bench.send(request(Some(TOKEN), "elsewhere.example")).await.0;
        assert_eq!(rebound, StatusCode::FORBIDDEN, "{path}");
        if path != "/v1/live" {
            let shown = bench.send(request(Some(TOKEN), "192.0.2.1:8000")).await.0;
            assert_eq!(shown, StatusCode::OK, "{path}");
        }
    }
    // The page's files hold no data; without the token it shows nothing else.
    let page = Request::builder()
        .uri("/")
        .header(header::HOST, "192.0.2.1:8000")
        .body(Body::empty())
        .unwrap();
    assert_eq!(bench.send(page).await.0, StatusCode::OK);
    bench.session.close("test").await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn browsers_are_told_to_be_careful() {
    let bench = Bench::start().await;
    for path in ["/", "/v1/status", "/v1/nothing", "/metrics"] {
        let request = asked(Method::GET, path).body(Body::empty()).unwrap();
        let answer = bench.router.clone().oneshot(request).await.unwrap();
        let header = |name: &str| answer.headers()[name].to_str().unwrap().to_owned();
        let policy = header("content-security-policy");
        assert!(
            policy.contains("default-src 'none'") && policy.contains("frame-ancestors 'none'"),
            "{path}: {policy}"
        );
        assert!(!policy.contains("unsafe"), "{path}: {policy}");
        assert_eq!(
            (header("x-content-type-options"), header("referrer-policy")),
            ("nosniff".into(), "no-referrer".into())
        );
        assert!(!answer.headers().contains_key("access-control-allow-origin"));
    }
    bench.session.close("test").await.unwrap();
}

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

#[tokio::test(flavor = "multi_thread")]
async fn metrics_are_read_by_a_parser() {
    let bench = Bench::start().await;
    bench.every_reading().await;
    let (status, text) = bench.get("/metrics").await;
    assert_eq!(status, StatusCode::OK);
    let text = text.as_str().unwrap();
    assert!(text.ends_with("# EOF\n"), "OpenMetrics ends so");
    let scrape = prometheus_parse::Scrape::parse(text.lines().map(|line| Ok(line.to_owned()))).unwrap();
    let value = |name: &str| -> f64 {
        let sample = scrape
            .samples
            .iter()
            .find(|sample| sample.metric == name)
            .unwrap();
        match sample.value {
            prometheus_parse::Value::Gauge(value)
            | prometheus_parse::Value::Counter(value)
            | prometheus_parse::Value::Untyped(value) => value,
            ref other => panic!("{name}: {other:?}"),
        }
    };
    assert_eq!(value("steadybench_readings_total"), (BLOCKS * PER_BLOCK) as f64);
    assert_eq!(value("steadybench_lost_readings_total"), 0.0);
    assert_eq!(value("steadybench_run"), 1.0);
    assert_eq!(value("steadybench_guard_tripped"), 0.0);
    assert!((value("steadybench_rail_volts") - 24.0).abs() < 0.01);
    assert!(value("steadybench_clock_bound_seconds") > 0.0);
    let of_channel = |sample: &&prometheus_parse::Sample| {
        sample.metric == "steadybench_current_amperes" && sample.labels.get("channel") == Some("2")
    };
    assert_eq!(scrape.samples.iter().filter(of_channel).count(), 1);
    bench.session.close("test").await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn sixteen_boards_each_have_their_own() {
    let bench = Bench::with(16, ([127, 0, 0, 1], 8000).into()).await;
    bench.every_reading().await;
    let (status, answer) = bench.post("/v1/stop", json!({})).await;
    assert_eq!(status, StatusCode::NO_CONTENT, "{answer}");
    let (_, runs) = bench.get("/v1/runs").await;
    let serials: Vec<String> = serde_json::from_value(runs[0]["boards"].clone()).unwrap();
    assert_eq!((serials.len(), &runs[0]["lost"]), (16, &json!(0)), "{runs}");
    assert_eq!(runs[0]["readings"], 16 * BLOCKS * PER_BLOCK);
    for serial in &serials {
        let (status, window) = bench
            .get(&format!("/v1/window?run=1&board={serial}&columns=5"))
            .await;
        assert_eq!(
            (status, window["board"].as_str().unwrap()),
            (StatusCode::OK, serial.as_str())
        );
    }
    let (_, state) = bench.get("/v1/state").await;
    let shown: Vec<&str> = state["boards"]
        .as_array()
        .unwrap()
        .iter()
        .map(|b| b["serial"].as_str().unwrap())
        .collect();
    assert_eq!(shown, serials);
    bench.session.close("test").await.unwrap();
}

/// A session behind a real listener.
async fn served(limits: Limits) -> (Bench, SocketAddr) {
    let bench = Bench::start().await;
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let state = App::new(bench.session.control(), TOKEN.into(), address);
    tokio::spawn(serve(listener, state, limits));
    (bench, address)
}

/// A client of `/v1/live` on a socket of its own.
struct Watcher {
    stream: TcpStream,
    text: String,
}

impl Watcher {
    fn connect(address: SocketAddr, last: Option<u64>) -> Self {
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
    fn next(&mut self) -> (Option<u64>, String, Value) {
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

async fn off_runtime<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> T {
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
