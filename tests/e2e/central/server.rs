//! A server of the write API that answers as it is told.

use std::collections::BTreeMap;
use std::io::Read as _;
use std::net::Ipv4Addr;
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use flate2::read::GzDecoder;

/// What the server does with a request.
#[derive(Clone, Debug)]
pub enum Reply {
    /// Stores the lines and says so.
    Take,
    /// Stores nothing; status, `Retry-After` if any, body.
    No(u16, Option<String>, String),
    /// Stores the lines, and breaks the connection in the middle of the answer.
    CutOff,
    /// Stores nothing and answers too late.
    Sleep(Duration),
}

/// One request, as the server saw it.
#[derive(Clone, Debug)]
pub struct Request {
    pub uri: String,
    pub token: Option<String>,
    pub encoding: Option<String>,
    pub lines: Vec<String>,
    pub bytes: usize,
}

type Rule = dyn FnMut(&Request) -> Reply + Send;

/// The server; it ends with the test's runtime.
pub struct Server {
    pub url: String,
    seen: Arc<Mutex<Seen>>,
}

struct Seen {
    rule: Box<Rule>,
    requests: Vec<Request>,
    /// Fields by key (measurement, tags and time), as the last write left them.
    points: BTreeMap<String, String>,
    /// Keys in the order of their first arrival.
    order: Vec<String>,
}

impl Server {
    pub async fn start(rule: impl FnMut(&Request) -> Reply + Send + 'static) -> Self {
        let listener =
            tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.expect("a loopback port");
        let url = format!("http://{}", listener.local_addr().expect("an address"));
        let seen = Arc::new(Mutex::new(Seen {
            rule: Box::new(rule),
            requests: Vec::new(),
            points: BTreeMap::new(),
            order: Vec::new(),
        }));
        // Every address is the write address: what was asked for is in the request.
        let app = Router::new().fallback(answer).with_state(seen.clone());
        tokio::spawn(async move { axum::serve(listener, app).await });
        Self { url, seen }
    }

    fn seen(&self) -> MutexGuard<'_, Seen> {
        self.seen.lock().expect("no handler panics")
    }

    pub fn requests(&self) -> Vec<Request> {
        self.seen().requests.clone()
    }

    pub fn points(&self) -> BTreeMap<String, String> {
        self.seen().points.clone()
    }

    pub fn order(&self) -> Vec<String> {
        self.seen().order.clone()
    }

    /// Answers differently from now on.
    pub fn rule(&self, rule: impl FnMut(&Request) -> Reply + Send + 'static) {
        self.seen().rule = Box::new(rule);
    }
}

/// Splits a line into its key (measurement, tags and time) and its fields. None of the lines of these
/// tests has an escaped space.
pub fn split(line: &str) -> (String, String) {
    let parts: Vec<&str> = line.split(' ').collect();
    assert_eq!(parts.len(), 3, "{line}");
    (format!("{} {}", parts[0], parts[2]), parts[1].to_owned())
}

async fn answer(State(seen): State<Arc<Mutex<Seen>>>, uri: Uri, headers: HeaderMap, body: Bytes) -> Response {
    let text = |name| headers.get(name).and_then(|value| value.to_str().ok()).map(str::to_owned);
    let encoding = text(header::CONTENT_ENCODING);
    let mut plain = String::new();
    if encoding.as_deref() == Some("gzip") {
        GzDecoder::new(&body[..]).read_to_string(&mut plain).expect("gzip of text");
    } else {
        plain = String::from_utf8(body.to_vec()).expect("text");
    }
    let request = Request {
        uri: uri.to_string(),
        token: text(header::AUTHORIZATION),
        encoding,
        bytes: plain.len(),
        lines: plain.lines().map(str::to_owned).collect(),
    };
    let reply = {
        let mut seen = seen.lock().expect("no handler panics");
        let reply = (seen.rule)(&request);
        if matches!(reply, Reply::Take | Reply::CutOff) {
            for line in &request.lines {
                let (key, fields) = split(line);
                if seen.points.insert(key.clone(), fields).is_none() {
                    seen.order.push(key);
                }
            }
        }
        seen.requests.push(request);
        reply
    };
    match reply {
        Reply::Take => StatusCode::NO_CONTENT.into_response(),
        Reply::No(status, retry_after, body) => {
            let status = StatusCode::from_u16(status).expect("a status");
            let mut response = (status, body).into_response();
            if let Some(value) = retry_after {
                response.headers_mut().insert(header::RETRY_AFTER, value.parse().expect("a header"));
            }
            response
        }
        Reply::CutOff => {
            let parts = [Ok(Bytes::from("{\"code\":")), Err(std::io::Error::other("cut off"))];
            let body = Body::from_stream(futures_util::stream::iter(parts));
            ([(header::CONTENT_LENGTH, "1000")], body).into_response()
        }
        Reply::Sleep(time) => {
            tokio::time::sleep(time).await;
            StatusCode::NO_CONTENT.into_response()
        }
    }
}
