//! Runs and their windows.

use std::time::{Duration, Instant};

use axum::http::StatusCode;
use serde_json::{Value, json};
use steadybench_host::recorder::{run_folders, survey_run};

use crate::bench::{BLOCKS, Bench};
use crate::support::PER_BLOCK;

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
