//! Bodies of requests that change something, at the collector's own router: any bytes, with the token and from the
//! right place, as the page or a program of the operator's would send them.

use std::sync::{Mutex, PoisonError};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Request, StatusCode, header};
use steadybench_host::collector::Session;
use steadybench_host::recorder::{FullRate, JobFolder, read_alterations, read_notes};
use steadybench_host::web::{App, app};
use tokio::runtime::Runtime;
use tower::ServiceExt;

use super::in_process::{plan, run_plan, runtime};

/// Every request that takes a body; a test holds them against `/v1/openapi.json`.
pub const PATHS: [&str; 9] = [
    "/v1/marks",
    "/v1/place",
    "/v1/runs",
    "/v1/notes",
    "/v1/alterations",
    "/v1/alterations/{number}/restored",
    "/v1/alterations/{number}/kept",
    "/v1/close",
    "/v1/job",
];

const TOKEN: &str = "0123456789abcdef0123456789abcdef";

/// Requests after which a job is begun anew, so that none grows for ever.
const CHANGES_MAX: u32 = 200;

/// A session without boards, and what answers for it.
struct Page {
    runtime: Runtime,
    session: Option<Session>,
    router: Router,
    job: tempfile::TempDir,
    changes: u32,
}

/// The one that is asked at present.
static PAGE: Mutex<Option<Page>> = Mutex::new(None);

impl Page {
    fn start() -> Self {
        let runtime = runtime();
        let job = tempfile::tempdir().expect("a temporary folder");
        let plan = plan(&[], run_plan(1000, FullRate::Never, 1_000_000));
        let open_job = || JobFolder::open_or_create(job.path());
        let session = runtime
            .block_on(Session::start(&plan, open_job))
            .unwrap_or_else(|fault| panic!("a session without boards begins: {fault}"));
        let router = app(App::new(
            session.control(),
            TOKEN.into(),
            ([127, 0, 0, 1], 8000).into(),
        ));
        Self {
            runtime,
            session: Some(session),
            router,
            job,
            changes: 0,
        }
    }

    fn ask(&self, request: Request<Body>) -> (StatusCode, Vec<u8>) {
        self.runtime.block_on(async {
            let answer = self.router.clone().oneshot(request).await;
            let answer = answer.expect("a router answers everything");
            let status = answer.status();
            let body = to_bytes(answer.into_body(), 1 << 24).await;
            (status, body.expect("an answer has an end").to_vec())
        })
    }

    fn post(&mut self, path: &str, body: &[u8]) {
        let request = asked("POST", path)
            .header(header::AUTHORIZATION, format!("Bearer {TOKEN}"))
            .header(header::CONTENT_TYPE, "application/json")
            .body(Body::from(body.to_vec()))
            .expect("a request");
        let (status, answer) = self.ask(request);
        assert!(
            !status.is_server_error(),
            "{path}: {status}: {}",
            String::from_utf8_lossy(&answer)
        );
        if status.is_success() {
            self.changes += 1;
            // What was taken must be read again, by the next life of the program too.
            let job = self.job.path();
            let alterations = read_alterations(job).expect("the alterations are read");
            let notes = read_notes(job).expect("the notes are read");
            assert_eq!(
                (alterations.mistakes.len(), notes.mistakes.len()),
                (0, 0),
                "{path}"
            );
        }
    }
}

impl Drop for Page {
    fn drop(&mut self) {
        if let Some(session) = self.session.take() {
            // What the last body left of the session is not what is asked here.
            let _ = self.runtime.block_on(session.close("the job is begun anew"));
        }
    }
}

fn asked(method: &str, path: &str) -> axum::http::request::Builder {
    Request::builder()
        .method(method)
        .uri(path)
        .header(header::HOST, "127.0.0.1:8000")
}

/// A body: the first byte says which request, and the number of the alteration where it has one.
///
/// # Panics
/// When it is answered as a fault of the collector's, or taken and not read again.
pub fn body(bytes: &[u8]) {
    let Some((choice, body)) = bytes.split_first() else {
        return;
    };
    let (number, path) = (
        usize::from(*choice) / PATHS.len(),
        usize::from(*choice) % PATHS.len(),
    );
    let path = PATHS[path].replace("{number}", &number.to_string());
    let mut page = PAGE.lock().unwrap_or_else(PoisonError::into_inner);
    page.take_if(|page| page.changes >= CHANGES_MAX);
    page.get_or_insert_with(Page::start).post(&path, body);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_request_that_takes_a_body_is_among_them() {
        let page = Page::start();
        let request = asked("GET", "/v1/openapi.json")
            .body(Body::empty())
            .expect("a request");
        let (status, document) = page.ask(request);
        assert_eq!(status, StatusCode::OK);
        let document: serde_json::Value = serde_json::from_slice(&document).expect("JSON");
        let mut described: Vec<&str> = document["paths"]
            .as_object()
            .expect("paths")
            .iter()
            .filter(|(_, operations)| !operations["post"]["requestBody"].is_null())
            .map(|(path, _)| path.as_str())
            .collect();
        let mut known = PATHS.to_vec();
        described.sort_unstable();
        known.sort_unstable();
        assert_eq!(described, known);
    }
}
