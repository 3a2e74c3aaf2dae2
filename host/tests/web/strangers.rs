//! Who is let in, and what browsers are told.

use axum::body::Body;
use axum::http::{Method, Request, StatusCode, header};
use serde_json::json;
use tower::ServiceExt;

use crate::bench::{Bench, TOKEN, asked};

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
