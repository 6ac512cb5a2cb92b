//! A refusal as a page, for whoever follows a link that leads nowhere.

use axum::http::StatusCode;
use axum::response::Response;
use serde::Serialize;

use super::{Asked, Page, show_as};
use crate::web::Shared;

#[derive(Serialize)]
struct Problem<'a> {
    what: &'a str,
    hint: &'a str,
}

/// What is wrong, and what to do.
pub(in crate::web) fn problem(
    shared: &Shared,
    asked: &Asked,
    status: StatusCode,
    what: &str,
    hint: &str,
) -> Response {
    let page = Page { template: "problem.html", title: "That did not work", site: None, tab: "", again_s: 0 };
    show_as(status, shared, asked, page, &Problem { what, hint })
}

/// There is no such site.
pub(in crate::web) fn no_such_site(shared: &Shared, asked: &Asked, id: &str) -> Response {
    // The id is the visitor's: it is shown as text, cut to a site id's greatest length.
    let id: String = id.chars().take(64).collect();
    let what = format!("There is no site “{id}”.");
    problem(shared, asked, StatusCode::NOT_FOUND, &what, "The list of sites names them all.")
}

/// There is no map yet.
pub(in crate::web) fn no_site(shared: &Shared, asked: &Asked) -> Response {
    let hint =
        "Put a map into the directory of sites: docs/map.md says how, and config/sites has one to copy.";
    problem(shared, asked, StatusCode::OK, "There is no site yet.", hint)
}
