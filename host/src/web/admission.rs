//! Who may ask what.
//!
//! 1. **Rate**: so many requests a second from one address, with a burst for the page's parts.
//! 2. **Host**: a page from elsewhere may give a name of its own to this computer's address (DNS rebinding); such a
//!    request names that host. On loopback only this computer's own names are answered; elsewhere only addresses and the
//!    computer's name are.
//! 3. **Origin**: what a page of another origin has a browser send bears that origin, or the browser says `cross-site`.
//! 4. **Token**: for every change; and for everything under `/v1` and `/metrics` when it listens elsewhere than on
//!    loopback. The page's own files hold no data and are open.
//! 5. **Body**: whole within ten seconds, or the request is over.

use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use axum::body::{Body, to_bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::app::{App, BODY_BYTES_MAX};
use super::refusal::Refusal;
use super::token;

/// Requests a second that one address may go on with.
const REQUESTS_PER_S: f64 = 50.0;

/// And so many at once: the page's parts, several times over.
const BURST: f64 = 400.0;

/// Addresses whose rate is kept.
const ADDRESSES_MAX: usize = 1_024;

/// A request's body is whole by then.
const BODY_PATIENCE: Duration = Duration::from_secs(10);

/// Whose connection a request came on.
#[derive(Clone, Copy, Debug)]
pub(super) struct Peer(pub(super) IpAddr);

/// What is known of who may ask.
#[derive(Debug)]
pub(super) struct Admission {
    token: String,
    address: SocketAddr,
    own_name: Option<String>,
    buckets: Mutex<HashMap<IpAddr, (f64, Instant)>>,
}

impl Admission {
    pub(super) fn new(token: String, address: SocketAddr) -> Self {
        // Where the system says it otherwise, the link's address serves.
        let own_name = std::fs::read_to_string("/proc/sys/kernel/hostname").ok();
        Self {
            token,
            address,
            own_name: own_name
                .map(|name| name.trim().to_lowercase())
                .filter(|name| !name.is_empty()),
            buckets: Mutex::default(),
        }
    }

    fn within_rate(&self, peer: IpAddr, now: Instant) -> bool {
        let mut buckets = self
            .buckets
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        if buckets.len() >= ADDRESSES_MAX && !buckets.contains_key(&peer) {
            // Who has been silent for long enough is a newcomer again.
            buckets.retain(|_, (_, last)| now.duration_since(*last).as_secs_f64() < BURST / REQUESTS_PER_S);
            if buckets.len() >= ADDRESSES_MAX {
                return false;
            }
        }
        let (left, last) = buckets.entry(peer).or_insert((BURST, now));
        *left = (*left + now.duration_since(*last).as_secs_f64() * REQUESTS_PER_S).min(BURST);
        *last = now;
        let within = *left >= 1.0;
        if within {
            *left -= 1.0;
        }
        within
    }

    fn knows_host(&self, host: &str) -> bool {
        let name = match host.strip_prefix('[') {
            Some(rest) => rest.split(']').next().unwrap_or_default(),
            None => host.split(':').next().unwrap_or_default(),
        };
        let address: Option<IpAddr> = name.parse().ok();
        if self.address.ip().is_loopback() {
            return name.eq_ignore_ascii_case("localhost")
                || address.is_some_and(|address| address.is_loopback());
        }
        let own = self.own_name.as_deref().is_some_and(|own| {
            let name = name.to_lowercase();
            name == own || name.strip_suffix(".local") == Some(own)
        });
        address.is_some() || own || name.eq_ignore_ascii_case("localhost")
    }

    fn admits(&self, request: &Request) -> Result<(), Refusal> {
        let headers = request.headers();
        let host = text(headers, header::HOST).unwrap_or_default();
        if !self.knows_host(host) {
            return Err(Refusal::new(
                StatusCode::FORBIDDEN,
                format!(
                    "this collector does not answer under the name {host:?}: open the link that `steady collect` printed"
                ),
            ));
        }
        let foreign = headers.contains_key(header::ORIGIN)
            && text(headers, header::ORIGIN).and_then(|origin| origin.strip_prefix("http://")) != Some(host);
        // A link on another page may open the page, and may have no part of it.
        let opens_page = request.method() == Method::GET
            && text(headers, "sec-fetch-mode") == Some("navigate")
            && is_page(request.uri().path());
        if foreign || text(headers, "sec-fetch-site") == Some("cross-site") && !opens_page {
            return Err(Refusal::new(
                StatusCode::FORBIDDEN,
                "a page from elsewhere may not ask this collector anything",
            ));
        }
        let changes = !matches!(*request.method(), Method::GET | Method::HEAD);
        let elsewhere = !self.address.ip().is_loopback() && !is_page(request.uri().path());
        if (changes || elsewhere) && !self.shows_token(headers) {
            return Err(Refusal::new(
                StatusCode::UNAUTHORIZED,
                "this needs the collector's token: open the link that `steady collect` printed, or read \
                 .steady-collector.json in the job folder",
            ));
        }
        Ok(())
    }

    fn shows_token(&self, headers: &HeaderMap) -> bool {
        text(headers, header::AUTHORIZATION)
            .and_then(|value| value.strip_prefix("Bearer "))
            .is_some_and(|shown| token::same(shown, &self.token))
    }
}

/// The page's own files hold no data.
fn is_page(path: &str) -> bool {
    path == "/" || path.starts_with("/page/")
}

fn text(headers: &HeaderMap, name: impl header::AsHeaderName) -> Option<&str> {
    headers.get(name).and_then(|value| value.to_str().ok())
}

/// Lets a request in, or says why not.
pub(super) async fn admit(State(app): State<App>, request: Request, next: Next) -> Response {
    let peer = request.extensions().get::<Peer>().copied();
    if let Some(Peer(peer)) = peer
        && !app.admission.within_rate(peer, Instant::now())
    {
        let refusal = Refusal::new(
            StatusCode::TOO_MANY_REQUESTS,
            format!("more than {REQUESTS_PER_S} requests a second came from this address: ask less often"),
        );
        return ([(header::RETRY_AFTER, "1")], refusal).into_response();
    }
    if let Err(refusal) = app.admission.admits(&request) {
        return refusal.into_response();
    }
    if matches!(*request.method(), Method::GET | Method::HEAD) {
        return next.run(request).await;
    }
    let (head, body) = request.into_parts();
    match tokio::time::timeout(BODY_PATIENCE, to_bytes(body, BODY_BYTES_MAX)).await {
        Ok(Ok(bytes)) => next.run(Request::from_parts(head, Body::from(bytes))).await,
        Ok(Err(_)) => Refusal::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!("the request's body is cut off or longer than {BODY_BYTES_MAX} bytes"),
        )
        .into_response(),
        Err(_) => {
            Refusal::new(StatusCode::REQUEST_TIMEOUT, "the request's body did not come").into_response()
        }
    }
}

/// What every answer says to a browser, unless the page's own files say it more closely.
pub(super) async fn guard_answer(mut answer: Response) -> Response {
    const HEADERS: [(header::HeaderName, &str); 6] = [
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'none'; frame-ancestors 'none'",
        ),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::CACHE_CONTROL, "no-store"),
        (
            header::HeaderName::from_static("cross-origin-resource-policy"),
            "same-origin",
        ),
    ];
    for (name, value) in HEADERS {
        answer
            .headers_mut()
            .entry(name)
            .or_insert(HeaderValue::from_static(value));
    }
    answer
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_address_has_its_rate_and_the_table_its_bound() {
        let admission = Admission::new("token".into(), ([127, 0, 0, 1], 80).into());
        let (one, other): (IpAddr, IpAddr) = ([127, 0, 0, 1].into(), [127, 0, 0, 2].into());
        let now = Instant::now();
        let burst = (0..1_000).filter(|_| admission.within_rate(one, now)).count();
        assert_eq!(burst, BURST as usize);
        assert!(admission.within_rate(other, now));
        let later = now + Duration::from_secs(1);
        let second = (0..1_000).filter(|_| admission.within_rate(one, later)).count();
        assert_eq!(second, REQUESTS_PER_S as usize);
        // An address for each of very many requests is refused rather than remembered.
        let many =
            (0..100_000_u32).filter(|number| admission.within_rate(IpAddr::V4((*number).into()), later));
        assert!(many.count() < ADDRESSES_MAX);
        let much_later = later + Duration::from_secs(60);
        assert!(admission.within_rate(IpAddr::V4(0xFFFF_0000.into()), much_later));
    }

    #[test]
    fn hosts_by_where_it_listens() {
        let here = Admission::new(String::new(), ([127, 0, 0, 1], 80).into());
        for host in [
            "localhost",
            "localhost:8000",
            "127.0.0.1:8000",
            "[::1]:8000",
            "[::1]",
        ] {
            assert!(here.knows_host(host), "{host}");
        }
        for host in [
            "",
            "elsewhere.example",
            "localhost.elsewhere.example:80",
            "192.0.2.1",
            "127.0.0.1.example",
        ] {
            assert!(!here.knows_host(host), "{host}");
        }
        let mut everywhere = Admission::new(String::new(), ([0, 0, 0, 0], 80).into());
        everywhere.own_name = Some("bench".into());
        for host in [
            "192.0.2.1:8000",
            "bench:8000",
            "Bench.local:8000",
            "[2001:db8::1]:8000",
        ] {
            assert!(everywhere.knows_host(host), "{host}");
        }
        for host in ["", "elsewhere.example", "bench.elsewhere.example"] {
            assert!(!everywhere.knows_host(host), "{host}");
        }
    }
}
