//! The job.

use axum::http::StatusCode;
use serde_json::json;

use crate::bench::Bench;

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
async fn empty_fields_of_the_job_are_filled_in_once() {
    let bench = Bench::start().await;
    let fields =
        json!({ "unit": "vent controller", "channels": ["stage 1", ""], "marked_fuse": "T630mAL250V" });
    assert_eq!(bench.post("/v1/job", fields).await.0, StatusCode::NO_CONTENT);
    let (_, job) = bench.get("/v1/job").await;
    assert_eq!(
        (&job["unit"], &job["channels"]),
        (&json!("vent controller"), &json!(["stage 1", ""]))
    );
    for refused in [
        json!({ "unit": "another" }),
        json!({ "channels": ["another", "stage 2"] }),
        json!({ "marked_fuse": "no fuse at all" }),
        json!({ "unit": "x".repeat(5_000) }),
        json!({ "thermistors": ["on Q1\u{7}", ""] }),
        json!({ "rails": vec!["24 V"; 100] }),
        json!({ "path": "/etc" }),
        json!({}),
    ] {
        let (status, answer) = bench.post("/v1/job", refused.clone()).await;
        assert!(status.is_client_error(), "{refused}: {status} {answer}");
    }
    assert_eq!(bench.get("/v1/job").await.1, job);
    bench.session.close("test").await.unwrap();
}
