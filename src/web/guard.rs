//! What every request passes: who asks, how long it may take, and the headers of the answer.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, to_bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::Shared;
use super::access::{self, Caller, mask};
use super::answer::Refusal;

/// How long the answer to a request may take to begin. A history of years takes milliseconds; only
/// a disk that is failing takes longer than this.
const ANSWER_TIMEOUT: Duration = Duration::from_secs(10);
/// The same for an audit that somebody asks for: it reads every reading of a day, or of as many days as the
/// question says, which takes a second or two a day on a large machine and many times that on a small one.
const AUDIT_TIMEOUT: Duration = Duration::from_secs(120);
/// Bytes of a form: the largest is a map of the largest house under construction, some 100 kB.
pub(super) const MAX_FORM: usize = 512 << 10;
/// The header that says that a script's request is the signed-in browser's own.
const CSRF_HEADER: HeaderName = HeaderName::from_static("x-csrf-token");
/// The field of a form that says the same.
pub(super) const CSRF_FIELD: &str = "csrf";
/// Longest path that signing in leads back to.
const MAX_NEXT: usize = 1024;

pub(super) async fn guard(State(shared): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    let from_browser = request.headers().contains_key("sec-fetch-site");
    let patience = if is_audit(request.uri()) { AUDIT_TIMEOUT } else { ANSWER_TIMEOUT };
    let mut answer = match admit(&shared, request).await {
        Err(refused) => refused,
        Ok(request) => match tokio::time::timeout(patience, next.run(request)).await {
            Ok(answer) => answer,
            Err(_) => {
                let hint = "ask for less, or look at /health";
                Refusal::new(StatusCode::SERVICE_UNAVAILABLE, "the answer took too long", hint)
                    .into_response()
            }
        },
    };
    if from_browser {
        // It would open a box of the browser's own in place of the sign-in page.
        answer.headers_mut().remove(header::WWW_AUTHENTICATE);
    }
    dressed(plain_refusals_as_json(answer))
}

/// Whether readings have to be read for it.
fn is_audit(uri: &Uri) -> bool {
    let path = uri.path();
    path.starts_with("/api/sites/") && path.ends_with("/audit")
        || path.ends_with("/findings") && uri.query().is_some_and(|query| query.contains("look=day"))
}

/// What nobody is asked a password for: a service manager has none, and the sign-in page needs its
/// style.
fn is_for_anybody(path: &str) -> bool {
    matches!(path, "/health" | "/sign-in" | "/sign-out") || super::is_static(path)
}

/// Lets a request in, with its [`Caller`] beside it if one is known.
async fn admit(shared: &Shared, mut request: Request) -> Result<Request, Response> {
    let door = &shared.door;
    let path = request.uri().path();
    let for_anybody = is_for_anybody(path);
    if door.is_open() && path != "/health" {
        local_name(shared, &request).map_err(IntoResponse::into_response)?;
    }
    let changes = !matches!(*request.method(), Method::GET | Method::HEAD | Method::OPTIONS);
    if changes {
        same_origin(shared, request.headers()).map_err(IntoResponse::into_response)?;
    }
    let caller = match door.identify(request.headers()).await {
        Err(_) if for_anybody => None,
        found => found.map_err(IntoResponse::into_response)?,
    };
    let Some(caller) = caller else {
        return if for_anybody { Ok(request) } else { Err(stranger(&request)) };
    };
    if changes && !for_anybody && !caller.may_change() {
        let hint = "sign in with the password";
        return Err(
            Refusal::new(StatusCode::FORBIDDEN, "a token reads and changes nothing", hint).into_response()
        );
    }
    if changes && caller.csrf.is_some() {
        request = own_form(request, &caller).await.map_err(IntoResponse::into_response)?;
    }
    request.extensions_mut().insert(caller);
    Ok(request)
}

/// A browser on its way to a page is shown where to sign in; a program is told how.
fn stranger(request: &Request) -> Response {
    let accepts = request.headers().get(header::ACCEPT).and_then(|kinds| kinds.to_str().ok());
    let wants_page =
        request.method() == Method::GET && accepts.is_some_and(|kinds| kinds.contains("text/html"));
    if !wants_page {
        return access::wrong("a password is needed").into_response();
    }
    // Relative, so that it holds below any path of a proxy.
    let up = "../".repeat(request.uri().path().matches('/').count().saturating_sub(1));
    let wanted = request.uri().path_and_query().map_or("/", |whole| whole.as_str());
    let next: String = form_urlencoded::byte_serialize(safe_next(wanted).as_bytes()).collect();
    let place = format!("./{up}sign-in?next={next}");
    // What was encoded is plain text.
    let place = HeaderValue::from_str(&place).unwrap_or(HeaderValue::from_static("./sign-in"));
    (StatusCode::SEE_OTHER, [(header::LOCATION, place)]).into_response()
}

/// Where signing in leads to: a path of this program, never another site.
pub(super) fn safe_next(wanted: &str) -> &str {
    let plain = |c: char| c.is_ascii_graphic() && c != '\\';
    let fits = wanted.starts_with('/')
        && !wanted.starts_with("//")
        && wanted.len() <= MAX_NEXT
        && wanted.chars().all(plain)
        && !wanted.starts_with("/sign-");
    if fits { wanted } else { "/" }
}

/// A browser sends its cookie with whatever form it is given, from wherever. A form of our own pages
/// holds what only they were told.
async fn own_form(request: Request, caller: &Caller) -> Result<Request, Refusal> {
    let Some(expected) = caller.csrf.as_deref() else { return Ok(request) };
    let refused = || {
        let hint = "load the page again, and send its form again";
        Refusal::new(
            StatusCode::FORBIDDEN,
            "this form is not of a page of yours, or of one that is too old",
            hint,
        )
    };
    let fits = |given: &[u8]| mask::fits(given, expected);
    if let Some(given) = request.headers().get(CSRF_HEADER) {
        return if fits(given.as_bytes()) { Ok(request) } else { Err(refused()) };
    }
    if !is_form(request.headers()) {
        return Err(refused());
    }
    let (parts, body) = request.into_parts();
    let body = to_bytes(body, MAX_FORM).await.map_err(|_| {
        let error = format!("this form is longer than {MAX_FORM} bytes, or broke off");
        Refusal::new(StatusCode::PAYLOAD_TOO_LARGE, error, "send less at a time")
    })?;
    let given = form_urlencoded::parse(&body).find(|(name, _)| name == CSRF_FIELD);
    if !given.is_some_and(|(_, given)| fits(given.as_bytes())) {
        return Err(refused());
    }
    Ok(Request::from_parts(parts, Body::from(body)))
}

fn is_form(headers: &HeaderMap) -> bool {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
    kind.split(';').next().is_some_and(|kind| kind.trim() == "application/x-www-form-urlencoded")
}

/// A page from elsewhere must not change anything through a visitor's browser, whatever lets the visitor
/// in. Browsers say where a request comes from (`Origin`, `Sec-Fetch-Site`); programs send neither.
fn same_origin(shared: &Shared, headers: &HeaderMap) -> Result<(), Refusal> {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    let options = shared.door.options();
    let public = options.public_url.as_ref();
    let fits = match headers.get(header::ORIGIN) {
        Some(origin) => {
            let named =
                origin.to_str().ok().and_then(|origin| origin.split_once("://")).map(|(_, rest)| rest);
            named.is_some_and(|named| {
                text("host").is_some_and(|host| host.eq_ignore_ascii_case(named))
                    || public.is_some_and(|url| url.authority.eq_ignore_ascii_case(named))
            })
        }
        None => text("sec-fetch-site").is_none_or(|site| matches!(site, "same-origin" | "none")),
    };
    if fits {
        return Ok(());
    }
    let hint = "behind a proxy set web.public_url, or let it pass the Host header on";
    Err(Refusal::new(StatusCode::FORBIDDEN, "a page of another origin changes nothing here", hint))
}

/// Without a password the API listens on loopback, and a page from elsewhere could still reach it
/// through a browser by a name that resolves to 127.0.0.1. Such a request names that other host.
fn local_name(shared: &Shared, request: &Request) -> Result<(), Refusal> {
    let named = request.headers().get(header::HOST).and_then(|host| host.to_str().ok());
    let Some(named) = named.or(request.uri().host()) else { return Ok(()) };
    let options = shared.door.options();
    let public = options.public_url.as_ref();
    let host = match named.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or_default(),
        None => named.split(':').next().unwrap_or_default(),
    };
    let lower = host.to_ascii_lowercase();
    let is_local = lower == "localhost" || lower.ends_with(".localhost") || host.parse::<IpAddr>().is_ok();
    if is_local || public.is_some_and(|url| url.authority.eq_ignore_ascii_case(named)) {
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

fn has_kind(answer: &Response, kind: &str) -> bool {
    let found = answer.headers().get(header::CONTENT_TYPE);
    found.is_some_and(|found| found.as_bytes().starts_with(kind.as_bytes()))
}

/// Refusals of the framework itself (a path that is not UTF-8) are plain text: the API's are JSON, the
/// pages' HTML.
fn plain_refusals_as_json(answer: Response) -> Response {
    let status = answer.status();
    let is_ours = has_kind(&answer, "application/json") || has_kind(&answer, "text/html");
    if is_ours || !(status.is_client_error() || status.is_server_error()) {
        return answer;
    }
    let what = status.canonical_reason().unwrap_or("refused").to_lowercase();
    Refusal::new(status, what, "GET /openapi.json says how to ask").into_response()
}

/// The headers that every answer has: figures are never kept by a cache, nothing is guessed,
/// framed or loaded from elsewhere, and no script or style runs that is not a file of ours.
fn dressed(mut answer: Response) -> Response {
    const PAGE: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
                        connect-src 'self'; font-src 'self'; manifest-src 'self'; base-uri 'none'; \
                        form-action 'self'; frame-ancestors 'none'";
    const OTHER: &str = "default-src 'none'; frame-ancestors 'none'";
    let policy = if has_kind(&answer, "text/html") { PAGE } else { OTHER };
    let headers = answer.headers_mut();
    // A page with a style of its own says which.
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(HeaderValue::from_static(policy));
    let mut set = |name: HeaderName, value| drop(headers.insert(name, HeaderValue::from_static(value)));
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    // Not `no-referrer`: with that browsers send `Origin: null` with the forms of our own pages.
    set(header::REFERRER_POLICY, "same-origin");
    set(HeaderName::from_static("cross-origin-opener-policy"), "same-origin");
    set(HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    answer
}

#[cfg(test)]
mod tests {
    use super::safe_next;

    #[test]
    fn signing_in_leads_to_no_other_site() {
        for (wanted, expected) in [
            ("/", "/"),
            ("/panel?site=heron-lane&x=%20", "/panel?site=heron-lane&x=%20"),
            ("//elsewhere.example", "/"),
            ("https://elsewhere.example", "/"),
            ("/\\elsewhere.example", "/"),
            ("/a\nb", "/"),
            ("/sign-out", "/"),
            ("", "/"),
        ] {
            assert_eq!(safe_next(wanted), expected, "{wanted}");
        }
        assert_eq!(safe_next(&format!("/{}", "x".repeat(2000))), "/");
    }
}
