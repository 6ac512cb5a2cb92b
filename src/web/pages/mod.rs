//! The pages: what is going on in this house, on a phone and on a wall.
//!
//! Every page is made here, on the server, from the bodies that the API answers with, so a page and the
//! API never differ. A script keeps the live figures fresh and moves through the charts; without it
//! each page reads and leads on all the same.
//!
//! Links are relative to the page that holds them ([`Asked::root`]), so the pages work below any path
//! of a proxy, and nothing has to be set for it. There is no inline script and no inline style: the
//! content security policy allows neither. What is drawn is SVG with classes ([`crate::chart`]).

mod ask;
mod balance;
mod charts;
mod circuit;
mod covered;
mod doubts;
mod findings;
mod history;
mod now;
mod numbers;
mod panel;
mod period;
mod preferences;
mod problem;
mod rank;
mod said;
mod setup;
mod sheet;
mod sign_in;
mod sites;
mod stacks;
mod statics;
mod table;
mod templates;
mod typical;
mod uses;
mod verify;
mod words;

use std::convert::Infallible;

use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use minijinja::value::Serde;
use minijinja::{Value, context};
use serde::Serialize;

pub(in crate::web) use circuit::circuit;
pub(in crate::web) use findings::findings;
pub(in crate::web) use history::history;
pub(in crate::web) use now::{home, now};
pub(in crate::web) use numbers::Numbers;
pub(in crate::web) use panel::{__path_panel, __path_schedule, panel, schedule};
pub(in crate::web) use preferences::{__path_preferences, preferences};
pub(in crate::web) use problem::problem;
pub(in crate::web) use setup::{__path_look, __path_step, look, step};
pub(in crate::web) use sign_in::{MAX_BODY, sign_in, sign_in_form, sign_out};
pub(in crate::web) use sites::sites;
pub(in crate::web) use statics::file;
pub(in crate::web) use verify::{
    __path_verify, __path_verify_form, MAX_FORM as MAX_VERIFY, verify, verify_form,
};
// The API's document finds a handler's description beside the handler.
pub(in crate::web) use circuit::__path_circuit;
pub(in crate::web) use findings::__path_findings;
pub(in crate::web) use history::__path_history;
pub(in crate::web) use now::{__path_home, __path_now};
pub(in crate::web) use sign_in::{__path_sign_in, __path_sign_in_form, __path_sign_out};
pub(in crate::web) use sites::__path_sites;
pub(in crate::web) use statics::__path_file;

use super::Shared;
use super::access::{Caller, NUMBERS, find_cookie, mask};
use crate::site::Site;

/// The pages of a site: name, words of the navigation, path below the site's own.
const TABS: [(&str, &str, &str); 4] = [
    ("now", "Now", ""),
    ("history", "History", "history"),
    ("panel", "Panel", "panel"),
    ("findings", "Is it right?", "findings"),
];

/// What a page has to know of the request.
#[derive(Clone, Debug)]
pub(in crate::web) struct Asked {
    /// The way from the page up to the root of the pages: `./`, `../../`. It ends in a slash.
    pub(in crate::web) root: String,
    /// Path and query, as the page was asked for.
    pub(in crate::web) here: String,
    /// How numbers are written.
    pub(in crate::web) numbers: Numbers,
    /// How the browser's first language writes them.
    pub(in crate::web) of_language: Numbers,
    /// Whether that decides, as nobody chose another way.
    pub(in crate::web) by_language: bool,
    /// Who asks; `None` on the way to signing in.
    pub(in crate::web) caller: Option<Caller>,
}

impl Asked {
    /// From path and query, and the headers of the request.
    pub(in crate::web) fn of(here: &str, headers: &HeaderMap) -> Self {
        let path = here.split('?').next().unwrap_or_default();
        // The last segment is the page itself; each slash before it is a step.
        let steps = path.matches('/').count().saturating_sub(1);
        let root = if steps == 0 { "./".to_owned() } else { "../".repeat(steps) };
        let languages = headers.get(header::ACCEPT_LANGUAGE).and_then(|value| value.to_str().ok());
        let of_language = Numbers::of_languages(languages.unwrap_or_default());
        let chosen = find_cookie(headers, NUMBERS).and_then(Numbers::named);
        Self {
            root,
            here: here.to_owned(),
            numbers: chosen.unwrap_or(of_language),
            of_language,
            by_language: chosen.is_none(),
            caller: None,
        }
    }

    /// Whether whoever asks may change anything: a display that reads by a token may not.
    pub(in crate::web) fn may_change(&self) -> bool {
        self.caller.as_ref().is_some_and(Caller::may_change)
    }
}

impl<S: Sync> FromRequestParts<S> for Asked {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _state: &S) -> Result<Self, Infallible> {
        let caller = parts.extensions.get().cloned();
        let here = parts.uri.path_and_query().map_or("/", |whole| whole.as_str());
        Ok(Self { caller, ..Self::of(here, &parts.headers) })
    }
}

/// A page: its template and what stands around its body.
#[derive(Clone, Copy, Debug)]
pub(in crate::web) struct Page<'a> {
    /// The template's file.
    pub(in crate::web) template: &'static str,
    /// The title, in the window and as the heading of the page for those who hear it.
    pub(in crate::web) title: &'a str,
    /// The site that it is about.
    pub(in crate::web) site: Option<&'a Site>,
    /// Its place in the navigation of the site: the name of one of [`TABS`].
    pub(in crate::web) tab: &'static str,
    /// Seconds after which a browser without script asks again; 0 never.
    pub(in crate::web) again_s: u32,
}

/// What stands around the body of each page.
#[derive(Debug, Serialize)]
struct Frame<'a> {
    title: &'a str,
    version: &'static str,
    /// Changes with style and script, so that a browser keeps them until they do.
    files: &'static str,
    site: Option<FrameSite<'a>>,
    tabs: Vec<Tab>,
    /// Whether there are several sites to choose from.
    several: bool,
    again_s: u32,
    decimal: &'static str,
    group: &'static str,
    /// A number as they are written here.
    sample: String,
    /// Where the page is, for what leads back to it; as a value of a query.
    here: String,
    /// What the forms of this page hold, so that they count as the signed-in browser's own; empty where
    /// nobody signs in.
    csrf: String,
    /// Whether the browser signed in, and so can sign out.
    signed_in: bool,
    may_change: bool,
}

#[derive(Debug, Serialize)]
struct FrameSite<'a> {
    id: &'a str,
    name: &'a str,
}

#[derive(Debug, Serialize)]
struct Tab {
    words: &'static str,
    path: &'static str,
    here: bool,
}

/// Answers with a page. The template sees `frame`, and `body` as `page`.
pub(in crate::web) fn show(
    shared: &Shared,
    asked: &Asked,
    page: Page<'_>,
    body: &impl Serialize,
) -> Response {
    show_as(StatusCode::OK, shared, asked, page, body)
}

/// The same with a status.
pub(in crate::web) fn show_as(
    status: StatusCode,
    shared: &Shared,
    asked: &Asked,
    page: Page<'_>,
    body: &impl Serialize,
) -> Response {
    let secret = asked.caller.as_ref().and_then(|caller| caller.csrf.as_deref());
    let frame = Frame {
        title: page.title,
        version: env!("CARGO_PKG_VERSION"),
        files: statics::mark(),
        site: page.site.map(|site| FrameSite { id: &site.id, name: &site.name }),
        tabs: TABS.iter().map(|&(name, words, path)| Tab { words, path, here: name == page.tab }).collect(),
        several: shared.state.sites.borrow().len() > 1,
        again_s: page.again_s,
        decimal: asked.numbers.decimal(),
        group: asked.numbers.group(),
        sample: asked.numbers.number(1_234.5, 1),
        here: form_urlencoded::byte_serialize(asked.here.as_bytes()).collect(),
        csrf: secret.map(mask::masked).unwrap_or_default(),
        signed_in: asked.caller.as_ref().is_some_and(|caller| caller.by_cookie),
        may_change: asked.may_change(),
    };
    // Dots and slashes only, so that it needs no escaping.
    let root = Value::from_safe_string(asked.root.clone());
    let numbers = asked.numbers.name();
    let values = context! { frame => Serde(&frame), page => Serde(body), root, numbers };
    html(status, page.template, values)
}

fn html(status: StatusCode, template: &str, values: Value) -> Response {
    match templates::render(template, values) {
        Ok(text) => (status, [(header::CONTENT_TYPE, "text/html; charset=utf-8")], text).into_response(),
        Err(error) => {
            // A fault of the program: what the page would have said is told to whoever runs it.
            tracing::error!(template, "the page could not be made: {error:#}");
            let text = "This page could not be made; the log says why.";
            (StatusCode::INTERNAL_SERVER_ERROR, [(header::CONTENT_TYPE, "text/html; charset=utf-8")], text)
                .into_response()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_up_is_as_long_as_the_path() {
        let check = |path: &str, expected: &str| {
            assert_eq!(Asked::of(path, &HeaderMap::new()).root, expected, "{path}");
        };
        check("/", "./");
        check("/sites", "./");
        check("/sites/heron-lane", "../");
        check("/sites/heron-lane/history", "../../");
        check("/sites/heron-lane/circuits/range", "../../../");
        check("/sites/heron-lane/history?span=day&x=/a/b", "../../");
    }

    #[test]
    fn a_choice_of_numbers_goes_before_the_language() {
        let check = |language: &'static str, cookie: &'static str, expected: Numbers, by_language: bool| {
            let mut headers = HeaderMap::new();
            headers.insert(header::ACCEPT_LANGUAGE, language.parse().expect("a header"));
            headers.insert(header::COOKIE, cookie.parse().expect("a header"));
            let asked = Asked::of("/", &headers);
            assert_eq!((asked.numbers, asked.by_language), (expected, by_language), "{language} {cookie}");
        };
        check("de", "", Numbers::Comma, true);
        check("de", "panelwright-numbers=space", Numbers::Space, false);
        check("en-US", "a=b; panelwright-numbers=comma", Numbers::Comma, false);
        check("de", "panelwright-numbers=roman", Numbers::Comma, true);
    }
}
