//! A session on fake boards, and who asks it.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Method, Request, StatusCode, header};
use serde_json::Value;
use steadybench_host::collector::{BoardSettings, GuardOptions, Plan, Session};
use steadybench_host::recorder::{FullRate, JobFolder, RunKind, RunPlan};
use steadybench_host::web::{App, app};
use steadybench_protocol::{Configure, ShuntRange};
use tower::ServiceExt;

use crate::support::{FakeBoard, PER_BLOCK, Script};

pub(crate) const TOKEN: &str = "0123456789abcdef0123456789abcdef";

/// Blocks that each board sends in all.
pub(crate) const BLOCKS: u64 = 100;

/// A session on fake boards, and its router.
pub(crate) struct Bench {
    pub(crate) session: Session,
    pub(crate) router: Router,
    pub(crate) job: tempfile::TempDir,
    _boards: Vec<FakeBoard>,
}

impl Bench {
    pub(crate) async fn start() -> Self {
        Self::with(1, ([127, 0, 0, 1], 8000).into()).await
    }

    pub(crate) async fn with(boards: u8, address: SocketAddr) -> Self {
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

    pub(crate) async fn send(&self, request: Request<Body>) -> (StatusCode, Value) {
        let answer = self.router.clone().oneshot(request).await.unwrap();
        let status = answer.status();
        let bytes = to_bytes(answer.into_body(), 1 << 24).await.unwrap();
        let value = serde_json::from_slice(&bytes)
            .unwrap_or_else(|_| Value::String(String::from_utf8_lossy(&bytes).into_owned()));
        (status, value)
    }

    pub(crate) async fn get(&self, path: &str) -> (StatusCode, Value) {
        self.send(asked(Method::GET, path).body(Body::empty()).unwrap())
            .await
    }

    pub(crate) async fn post(&self, path: &str, what: Value) -> (StatusCode, Value) {
        let request = asked(Method::POST, path)
            .header(header::AUTHORIZATION, format!("Bearer {TOKEN}"))
            .header(header::CONTENT_TYPE, "application/json");
        self.send(request.body(Body::from(what.to_string())).unwrap())
            .await
    }

    pub(crate) async fn every_reading(&self) {
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

/// A request from this computer.
pub(crate) fn asked(method: Method, path: &str) -> axum::http::request::Builder {
    Request::builder()
        .method(method)
        .uri(path)
        .header(header::HOST, "127.0.0.1:8000")
}
