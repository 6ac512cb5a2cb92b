//! What every request passes: who asks, how long it may take, and the headers of the answer.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::{Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::Shared;
use super::answer::Refusal;
use super::auth;

/// How long the answer to a request may take to begin. A history of years takes milliseconds; only
/// a disk that is failing takes longer than this.
const ANSWER_TIMEOUT: Duration = Duration::from_secs(10);

pub(super) async fn guard(State(shared): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    let answer = match admit(&shared, &request) {
        Err(refusal) => refusal.into_response(),
        Ok(()) => match tokio::time::timeout(ANSWER_TIMEOUT, next.run(request)).await {
            Ok(answer) => answer,
            Err(_) => {
                let hint = "ask for less, or look at /health";
                Refusal::new(StatusCode::SERVICE_UNAVAILABLE, "the answer took too long", hint)
                    .into_response()
            }
        },
    };
    dressed(plain_refusals_as_json(answer))
}

/// Who may ask. `/health` is for anybody: a service manager has no password.
fn admit(shared: &Shared, request: &Request) -> Result<(), Refusal> {
    if request.uri().path() == "/health" {
        return Ok(());
    }
    match &shared.state.password {
        Some(password) => auth::check(request.headers(), password, &shared.attempts),
        None => local_name(request),
    }
}

/// Without a password the API listens on loopback, and a page from elsewhere could still reach it
/// through a browser by a name that resolves to 127.0.0.1. Such a request names that other host.
fn local_name(request: &Request) -> Result<(), Refusal> {
    let named = request.headers().get(header::HOST).and_then(|host| host.to_str().ok());
    let Some(named) = named.or(request.uri().host()) else { return Ok(()) };
    let host = match named.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or_default(),
        None => named.split(':').next().unwrap_or_default(),
    };
    let lower = host.to_ascii_lowercase();
    if lower == "localhost" || lower.ends_with(".localhost") || host.parse::<IpAddr>().is_ok() {
        return Ok(());
    }
    let hint =
        "ask at localhost or 127.0.0.1; behind a proxy set web.password_file, or let it send Host: localhost";
    Err(Refusal::new(
        StatusCode::MISDIRECTED_REQUEST,
        "without a password this API answers to localhost only",
        hint,
    ))
}

/// Refusals of the framework itself (a path that is not UTF-8) are plain text: the API's are JSON, and
/// those of the pages are pages.
fn plain_refusals_as_json(answer: Response) -> Response {
    let status = answer.status();
    let kind = answer.headers().get(header::CONTENT_TYPE).map(HeaderValue::as_bytes).unwrap_or_default();
    let is_said = kind == b"application/json" || kind.starts_with(b"text/html");
    if is_said || !(status.is_client_error() || status.is_server_error()) {
        return answer;
    }
    let what = status.canonical_reason().unwrap_or("refused").to_lowercase();
    Refusal::new(status, what, "GET /openapi.json says how to ask").into_response()
}

/// The headers that every answer has: figures are never kept by a cache, nothing is guessed,
/// framed or loaded from elsewhere.
fn dressed(mut answer: Response) -> Response {
    let page = answer
        .headers()
        .get(header::CONTENT_TYPE)
        .is_some_and(|kind| kind.as_bytes().starts_with(b"text/html"));
    let policy = match page {
        true => {
            "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; \
             base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
        }
        false => "default-src 'none'; frame-ancestors 'none'",
    };
    let headers = answer.headers_mut();
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(policy));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    answer
}
