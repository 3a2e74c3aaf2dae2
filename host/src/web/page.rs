//! The live page: files of `host/page`, carried in the program, and the headers they are sent with.
//!
//! Nothing is built: what stands in `host/page` is what the browser gets. The Content-Security-Policy admits scripts,
//! styles and connections from this program only, and none written into the page's text.

use std::sync::LazyLock;

use axum::Json;
use axum::Router;
use axum::extract::Path;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use crate::cautions;

/// What the page may do in the browser.
const CONTENT_SECURITY_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; \
     connect-src 'self'; img-src 'self' data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

const HTML: &str = "text/html; charset=utf-8";
const CSS: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";
const PICTURE: &str = "image/svg+xml";

struct File {
    name: &'static str,
    kind: &'static str,
    bytes: &'static [u8],
    etag: String,
}

macro_rules! files {
    ($($name:literal: $kind:expr),+ $(,)?) => {
        vec![$(File::new($name, $kind, include_bytes!(concat!("../../page/", $name)))),+]
    };
}

static FILES: LazyLock<Vec<File>> = LazyLock::new(|| {
    files! {
        "index.html": HTML,
        "icon.svg": PICTURE,
        "figures.css": CSS,
        "page.css": CSS,
        "trace.css": CSS,
        "work.css": CSS,
        "activities.js": SCRIPT,
        "connection.js": SCRIPT,
        "dom.js": SCRIPT,
        "draw.js": SCRIPT,
        "figure.js": SCRIPT,
        "figures.js": SCRIPT,
        "glyphs.js": SCRIPT,
        "hand.js": SCRIPT,
        "happenings.js": SCRIPT,
        "job.js": SCRIPT,
        "lanes.js": SCRIPT,
        "main.js": SCRIPT,
        "recent.js": SCRIPT,
        "signal.js": SCRIPT,
        "store.js": SCRIPT,
        "tap.js": SCRIPT,
        "trace.js": SCRIPT,
    }
});

impl File {
    fn new(name: &'static str, kind: &'static str, bytes: &'static [u8]) -> Self {
        let digest = Sha256::digest(bytes);
        let etag = digest[..12]
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect::<String>();
        Self {
            name,
            kind,
            bytes,
            etag: format!("\"{etag}\""),
        }
    }

    /// The file, or word that the copy the browser has is this one.
    fn answer(&self, asked: &HeaderMap) -> Response {
        let known = asked
            .get(header::IF_NONE_MATCH)
            .and_then(|value| value.to_str().ok())
            .is_some_and(|value| {
                value
                    .split(',')
                    .any(|known| known.trim().trim_start_matches("W/") == self.etag)
            });
        let mut response = if known {
            StatusCode::NOT_MODIFIED.into_response()
        } else {
            ([(header::CONTENT_TYPE, self.kind)], self.bytes).into_response()
        };
        if let Ok(etag) = HeaderValue::from_str(&self.etag) {
            response.headers_mut().insert(header::ETAG, etag);
        }
        guarded(response)
    }
}

/// `GET /` and `GET /page/NAME`.
pub(super) fn routes<S: Clone + Send + Sync + 'static>() -> Router<S> {
    Router::new()
        .route(
            "/",
            get(|asked: HeaderMap| async move { find("index.html", &asked) }),
        )
        .route(
            "/page/cautions.json",
            get(|| async { guarded(Json(cautions_shown()).into_response()) }),
        )
        .route(
            "/page/{name}",
            get(|Path(name): Path<String>, asked: HeaderMap| async move { find(&name, &asked) }),
        )
}

/// Only names in the list are answered, so that no path leads anywhere.
fn find(name: &str, asked: &HeaderMap) -> Response {
    match FILES.iter().find(|file| file.name == name) {
        Some(file) => file.answer(asked),
        None => guarded((StatusCode::NOT_FOUND, "the page has no such part").into_response()),
    }
}

/// The cautions as the page shows them, each where it matters.
fn cautions_shown() -> Value {
    json!({
        "always": cautions::ALWAYS,
        "power_up": cautions::POWER_UP,
        "limiter": cautions::LIMITER,
        "unattended_soak": cautions::UNATTENDED_SOAK,
        "fuse": cautions::FUSE,
    })
}

/// Asked for anew each time, so that a newer program's page is never mixed with an older one's parts; an unchanged part
/// costs only the question.
fn guarded(mut response: Response) -> Response {
    for (name, value) in [
        (header::CONTENT_SECURITY_POLICY, CONTENT_SECURITY_POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::CACHE_CONTROL, "no-cache"),
    ] {
        response
            .headers_mut()
            .insert(name, HeaderValue::from_static(value));
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every part that a part names is carried, and every file of the folder is a part.
    #[test]
    fn page_and_folder_agree() {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("page");
        let mut stands: Vec<String> = std::fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        stands.sort();
        let mut carried: Vec<String> = FILES.iter().map(|file| file.name.to_owned()).collect();
        carried.sort();
        assert_eq!(carried, stands);
    }

    #[test]
    fn no_part_holds_what_the_policy_forbids_or_reaches_elsewhere() {
        for file in FILES.iter() {
            let text = std::str::from_utf8(file.bytes).unwrap();
            let forbidden = [
                "eval(",
                "new Function",
                "style=\"",
                "onclick=",
                "<style",
                "javascript:",
                "innerHTML",
            ];
            for word in forbidden {
                assert!(!text.contains(word), "{} holds {word}", file.name);
            }
            let elsewhere = text.replace("http://www.w3.org/2000/svg", "");
            assert!(!elsewhere.contains("://"), "{} reaches elsewhere", file.name);
        }
    }

    #[test]
    fn known_copy_is_not_sent_again() {
        let mut asked = HeaderMap::new();
        let first = find("index.html", &asked);
        assert_eq!(first.status(), StatusCode::OK);
        assert_eq!(
            first.headers()[header::CONTENT_SECURITY_POLICY],
            CONTENT_SECURITY_POLICY
        );
        asked.insert(header::IF_NONE_MATCH, first.headers()[header::ETAG].clone());
        assert_eq!(find("index.html", &asked).status(), StatusCode::NOT_MODIFIED);
        assert_eq!(find("../Cargo.toml", &asked).status(), StatusCode::NOT_FOUND);
    }
}
