//! How whoever reads likes numbers: a choice that the browser keeps, so that no account and no script is
//! needed, and a display that reads by a token has one too.

use std::sync::Arc;

use axum::extract::{Query, State};
use axum::http::header;
use axum::response::Response;
use serde::Serialize;

use super::sign_in::to;
use super::{Asked, Numbers, Page, show};
use crate::web::Shared;
use crate::web::guard::safe_next;

/// What the form shows of each way to write.
const SAMPLE: f64 = 1_234.5;

#[derive(Serialize)]
struct Preferences<'a> {
    /// Where it leads back to.
    next: &'a str,
    /// Whether the browser's language decides.
    by_language: bool,
    /// How numbers then look.
    of_language: String,
    ways: Vec<Way>,
}

#[derive(Serialize)]
struct Way {
    name: &'static str,
    sample: String,
    here: bool,
}

/// The form; with `numbers` the browser is told to keep the choice, and led back.
#[utoipa::path(get, path = "/preferences", params(
    ("numbers" = Option<String>, Query, description = "point, comma, space, apostrophe; language leaves it to the browser's"),
    ("next" = Option<String>, Query, description = "The path that it leads back to"),
), responses(
    (status = 200, body = String, content_type = "text/html"),
    (status = 303, description = "the cookie is set"),
))]
pub(in crate::web) async fn preferences(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    Query(given): Query<Vec<(String, String)>>,
) -> Response {
    let get = |name: &str| given.iter().find(|(key, _)| key == name).map(|(_, value)| value.as_str());
    let next = safe_next(get("next").unwrap_or("/"));
    // What is none of the known ways is the browser's language again.
    if let Some(chosen) = get("numbers") {
        let mut answer = to(&format!(".{next}"));
        let cookie = shared.door.keep_numbers(Numbers::named(chosen).map_or("", Numbers::name));
        answer.headers_mut().append(header::SET_COOKIE, cookie.header());
        return answer;
    }
    let way = |numbers: Numbers| Way {
        name: numbers.name(),
        sample: numbers.number(SAMPLE, 1),
        here: !asked.by_language && numbers == asked.numbers,
    };
    let page = Preferences {
        next,
        by_language: asked.by_language,
        of_language: asked.of_language.number(SAMPLE, 1),
        ways: Numbers::ALL.into_iter().map(way).collect(),
    };
    let frame = Page { template: "preferences.html", title: "Numbers", site: None, tab: "", again_s: 0 };
    show(&shared, &asked, frame, &page)
}
