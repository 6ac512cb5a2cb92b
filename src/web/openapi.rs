//! The API's own description, made from the types that it answers with.

use std::sync::LazyLock;

use axum::response::Response;
use utoipa::OpenApi;

use super::answer::json_text;
use super::{api, exchange, live, pages, views};

/// The document.
#[derive(OpenApi)]
#[openapi(
    info(
        title = "Panelwright",
        description = "Live figures and history of the circuits of a home's electrical panel. Powers are in W, \
                       energies in kWh; what is not known is null, never 0."
    ),
    paths(
        pages::home,
        pages::sites,
        pages::preferences,
        pages::now,
        pages::history,
        pages::circuit,
        pages::findings,
        pages::panel,
        pages::schedule,
        pages::verify,
        pages::verify_form,
        pages::look,
        pages::step,
        pages::file,
        pages::sign_in_form,
        pages::sign_in,
        pages::sign_out,
        api::sites,
        api::now,
        api::history,
        api::profile,
        api::rank,
        api::audit,
        views::verify::proofs,
        views::verify::state,
        views::verify::start,
        views::verify::end,
        views::notes::list,
        views::notes::add,
        views::notes::remove,
        exchange::download,
        exchange::upload,
        live::live,
        live::channels,
        api::health,
        api::metrics,
        document
    )
)]
pub(super) struct Document;

/// It is the same for every request.
static TEXT: LazyLock<String> = LazyLock::new(|| {
    Document::openapi().to_json().expect("the document is made of text and numbers, which JSON can hold")
});

/// This document.
#[utoipa::path(get, path = "/openapi.json", responses((status = 200, content_type = "application/json")))]
pub(super) async fn document() -> Response {
    json_text(TEXT.as_str())
}
