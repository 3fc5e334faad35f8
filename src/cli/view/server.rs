//! The pages, and who may ask for them.
//!
//! hyper reads the requests, on one thread that does nothing else, and bounds their heads
//! and their time; a body is never read, a connection gives one answer. However many
//! connections are opened, a new one is always heard: the oldest goes.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::net::TcpListener;
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;

use http_body_util::Full;
use hyper::body::Bytes;
use hyper::header::{HOST, HeaderMap, HeaderName, HeaderValue, ORIGIN};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::task::JoinHandle;

/// The longest head of a request, in bytes and in headers: a browser sends about 1,000 bytes.
const MOST_HEAD_BYTES: usize = 16 << 10;
const MOST_HEADERS: usize = 64;

/// Time for the head of a request, and for all of it with its answer.
const HEAD_TIME: Duration = Duration::from_secs(5);
const WHOLE_TIME: Duration = Duration::from_secs(30);

/// Connections at a time, well under what a process may open.
const MOST_CONNECTIONS: usize = 200;

/// What is served at the moment.
#[derive(Debug, Default)]
pub(super) struct Shown {
    /// Counts the changes.
    pub(super) version: u64,
    /// The last good page.
    pub(super) page: Bytes,
    /// The study as it is now, where that is less than the last good page shows.
    pub(super) now: Option<Bytes>,
}

/// The pages under their address on this machine.
#[derive(Debug)]
pub(super) struct Site {
    port: u16,
    token: String,
    shown: RwLock<Shown>,
}

impl Site {
    pub(super) fn new(port: u16, token: String) -> Self {
        Self {
            port,
            token,
            shown: RwLock::default(),
        }
    }

    /// The address for the reader's browser.
    pub(super) fn address(&self) -> String {
        format!("http://127.0.0.1:{}/{}/", self.port, self.token)
    }

    /// Path at which a page requests the newest version.
    pub(super) fn version_path(&self) -> String {
        format!("/{}/version", self.token)
    }

    /// Serves other pages from now on.
    pub(super) fn show(&self, shown: Shown) {
        *self.shown.write().unwrap_or_else(PoisonError::into_inner) = shown;
    }

    fn answer<B>(&self, request: &Request<B>) -> Response<Full<Bytes>> {
        let text =
            |status, words: &'static str| (status, TEXT, Bytes::from_static(words.as_bytes()));
        let (status, kind, body) = if !self.is_ours(request) {
            text(
                StatusCode::FORBIDDEN,
                "refused: this page is for this machine's own browser\n",
            )
        } else if request.method() != Method::GET && request.method() != Method::HEAD {
            text(StatusCode::METHOD_NOT_ALLOWED, "only GET and HEAD\n")
        } else if let Some((kind, body)) = self.found(request.uri().path()) {
            (StatusCode::OK, kind, body)
        } else {
            text(
                StatusCode::NOT_FOUND,
                "not here: open the address that the program printed\n",
            )
        };
        let mut response = Response::new(Full::new(body));
        *response.status_mut() = status;
        let headers = [
            ("content-type", kind),
            ("cache-control", "no-store"),
            ("x-content-type-options", "nosniff"),
            ("x-frame-options", "DENY"),
            ("referrer-policy", "no-referrer"),
            ("cross-origin-resource-policy", "same-origin"),
        ];
        for (name, value) in headers {
            response.headers_mut().insert(
                HeaderName::from_static(name),
                HeaderValue::from_static(value),
            );
        }
        response
    }

    fn found(&self, path: &str) -> Option<(&'static str, Bytes)> {
        let name = path.strip_prefix('/')?.strip_prefix(&self.token)?;
        let shown = self.shown.read().unwrap_or_else(PoisonError::into_inner);
        match name {
            "/" => Some((HTML, shown.page.clone())),
            "/now/" => Some((HTML, shown.now.as_ref().unwrap_or(&shown.page).clone())),
            "/version" => Some((TEXT, shown.version.to_string().into())),
            _ => None,
        }
    }

    /// Whether the request comes from a browser on this machine, for this page.
    fn is_ours<B>(&self, request: &Request<B>) -> bool {
        let headers = request.headers();
        let hosts = [
            format!("127.0.0.1:{}", self.port),
            format!("localhost:{}", self.port),
        ];
        let is_host = |value: &str| hosts.iter().any(|host| host == value);
        let host = matches!(only(headers, &HOST), Header::One(host) if is_host(host));
        let origin = match only(headers, &ORIGIN) {
            Header::None => true,
            Header::One(origin) => origin.strip_prefix("http://").is_some_and(is_host),
            Header::Unclear => false,
        };
        let site = match only(headers, &HeaderName::from_static("sec-fetch-site")) {
            Header::None => true,
            Header::One(site) => site == "same-origin" || site == "none",
            Header::Unclear => false,
        };
        // A whole address in the first line is what a proxy receives.
        host && origin && site && request.uri().authority().is_none()
    }
}

const TEXT: &str = "text/plain; charset=utf-8";
const HTML: &str = "text/html; charset=utf-8";

/// A header that may be given once.
enum Header<'a> {
    None,
    One(&'a str),
    /// Given twice, or no text.
    Unclear,
}

fn only<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Header<'a> {
    let mut values = headers.get_all(name).iter();
    match (values.next(), values.next()) {
        (None, _) => Header::None,
        (Some(value), None) => value.to_str().map_or(Header::Unclear, Header::One),
        (Some(_), Some(_)) => Header::Unclear,
    }
}

/// Answers on a separate thread from now on.
pub(super) fn start(listener: TcpListener, site: Arc<Site>) -> std::io::Result<()> {
    listener.set_nonblocking(true)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    let listener = {
        let _inside = runtime.enter();
        tokio::net::TcpListener::from_std(listener)?
    };
    std::thread::Builder::new()
        .name("page".to_owned())
        .spawn(move || runtime.block_on(serve(&listener, &site)))
        .map(drop)
}

async fn serve(listener: &tokio::net::TcpListener, site: &Arc<Site>) {
    let mut open: VecDeque<JoinHandle<()>> = VecDeque::new();
    loop {
        let Ok((stream, _)) = listener.accept().await else {
            // Too many open files, or a caller that has gone: neither ends the page.
            tokio::time::sleep(Duration::from_millis(50)).await;
            continue;
        };
        open.retain(|connection| !connection.is_finished());
        if open.len() >= MOST_CONNECTIONS
            && let Some(oldest) = open.pop_front()
        {
            oldest.abort();
        }
        open.push_back(tokio::spawn(one_answer(stream, Arc::clone(site))));
    }
}

async fn one_answer(stream: tokio::net::TcpStream, site: Arc<Site>) {
    let service = service_fn(|request| {
        let answer = site.answer(&request);
        async move { Ok::<_, Infallible>(answer) }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_TIME)
        .max_buf_size(MOST_HEAD_BYTES)
        .max_headers(MOST_HEADERS)
        .keep_alive(false)
        // A client that has sent its whole request still waits for the answer.
        .half_close(true)
        .serve_connection(TokioIo::new(stream), service);
    // A caller that went away or wrote no request has no use for an answer.
    let _ = tokio::time::timeout(WHOLE_TIME, connection).await;
}

#[cfg(test)]
mod tests {
    use super::*;

    fn status(method: &str, path: &str, headers: &[(&str, &str)]) -> u16 {
        let site = Site::new(4000, "abc".to_owned());
        let mut request = Request::builder().method(method).uri(path);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        site.answer(&request.body(()).unwrap()).status().as_u16()
    }

    #[test]
    fn only_this_machines_own_browser_is_answered() {
        let ours = ("Host", "127.0.0.1:4000");
        assert_eq!(status("GET", "/abc/", &[ours]), 200);
        assert_eq!(status("GET", "/abc/", &[("Host", "localhost:4000")]), 200);
        assert_eq!(status("HEAD", "/abc/now/", &[ours]), 200);
        assert_eq!(status("POST", "/abc/", &[ours]), 405);
        for path in [
            "/",
            "/abc",
            "/abc/x",
            "/ab/",
            "/abc/../abc/",
            "/abc/%2e/",
            "//abc/",
        ] {
            assert_eq!(status("GET", path, &[ours]), 404, "{path}");
        }
        let refused: [&[(&str, &str)]; 8] = [
            &[],
            &[("Host", "example.org:4000")],
            &[("Host", "127.0.0.1:4001")],
            &[("Host", "127.0.0.1:4000.example.org")],
            &[ours, ours],
            &[ours, ("Host", "example.org")],
            &[ours, ("Origin", "http://example.org")],
            &[ours, ("Sec-Fetch-Site", "same-site")],
        ];
        for headers in refused {
            assert_eq!(status("GET", "/abc/", headers), 403, "{headers:?}");
        }
        assert_eq!(status("GET", "http://127.0.0.1:4000/abc/", &[ours]), 403);
    }
}
