//! What is asked, and how it is described.

use axum::body::Body;
use axum::http::{Method, StatusCode, header};
use serde_json::json;

use crate::bench::{BLOCKS, Bench, TOKEN, asked};
use crate::support::PER_BLOCK;

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
