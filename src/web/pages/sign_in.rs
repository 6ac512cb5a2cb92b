//! Signing in and out.

use std::sync::Arc;

use axum::body::Bytes;
use axum::extract::{Query, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use super::{Asked, Page, show_as};
use crate::web::Shared;
use crate::web::guard::safe_next;

/// Bytes of the form: a password and a path.
pub(in crate::web) const MAX_BODY: usize = 8 << 10;

#[derive(Serialize)]
struct SignIn<'a> {
    /// Where it leads.
    next: &'a str,
    /// Why it did not work; empty at first.
    problem: &'a str,
    /// How long a browser stays signed in.
    days: u64,
}

/// The form.
#[utoipa::path(get, path = "/sign-in", params(
    ("next" = Option<String>, Query, description = "The path that it leads to"),
), responses(
    (status = 200, body = String, content_type = "text/html"),
    (status = 303, description = "no password is set, so there is nothing to sign in to"),
))]
pub(in crate::web) async fn sign_in_form(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    Query(given): Query<Vec<(String, String)>>,
) -> Response {
    if shared.door.is_open() {
        return to("./");
    }
    let next = given.iter().find(|(name, _)| name == "next").map_or("/", |(_, next)| safe_next(next));
    page(&shared, &asked, StatusCode::OK, next, "")
}

/// What the form sends: the password, or a token in its place.
#[utoipa::path(post, path = "/sign-in",
    request_body(content = String, content_type = "application/x-www-form-urlencoded",
        description = "`secret`, and `next`, the path that it leads to"),
    responses(
        (status = 303, description = "signed in; the cookie is set"),
        (status = 401, body = String, content_type = "text/html", description = "the password is wrong"),
        (status = 403, description = "sent by a page of another origin"),
        (status = 429, body = String, content_type = "text/html", description = "too many wrong passwords"),
    ))]
pub(in crate::web) async fn sign_in(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    body: Bytes,
) -> Response {
    if shared.door.is_open() {
        return to("./");
    }
    let field =
        |name: &str| form_urlencoded::parse(&body).find(|(other, _)| other == name).map(|(_, value)| value);
    let next = field("next").unwrap_or_default().into_owned();
    let next = safe_next(&next);
    match shared.door.sign_in(&field("secret").unwrap_or_default()).await {
        Ok(Some(cookie)) => {
            let mut answer = to(&format!(".{next}"));
            answer.headers_mut().append(header::SET_COOKIE, cookie.header());
            answer
        }
        Ok(None) => page(&shared, &asked, StatusCode::UNAUTHORIZED, next, "That password is wrong."),
        Err(_) => {
            let problem = "There were too many wrong passwords. Try again in some seconds.";
            page(&shared, &asked, StatusCode::TOO_MANY_REQUESTS, next, problem)
        }
    }
}

/// Ends the browser's session.
#[utoipa::path(post, path = "/sign-out",
    request_body(content = String, content_type = "application/x-www-form-urlencoded",
        description = "`csrf`, as the page has it"),
    responses(
        (status = 303, description = "signed out"),
        (status = 403, description = "not sent by a page of this browser's own"),
    ))]
pub(in crate::web) async fn sign_out(State(shared): State<Arc<Shared>>, headers: HeaderMap) -> Response {
    let mut answer = to("./sign-in");
    for cookie in shared.door.sign_out(&headers) {
        answer.headers_mut().append(header::SET_COOKIE, cookie.header());
    }
    answer
}

fn page(shared: &Shared, asked: &Asked, status: StatusCode, next: &str, problem: &str) -> Response {
    let days = shared.door.options().session.as_secs() / (24 * 60 * 60);
    let page = Page { template: "sign-in.html", title: "Sign in", site: None, tab: "", again_s: 0 };
    show_as(status, shared, asked, page, &SignIn { next, problem, days })
}

/// Leads on, by a relative way.
pub(super) fn to(place: &str) -> Response {
    // Paths that lead on are plain text.
    let place = HeaderValue::from_str(place).unwrap_or(HeaderValue::from_static("./"));
    (StatusCode::SEE_OTHER, [(header::LOCATION, place)]).into_response()
}
