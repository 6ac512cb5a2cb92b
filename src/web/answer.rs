//! How answers and refusals look: JSON, each refusal with what is wrong and what to do.

use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use super::shapes::Refused;

/// A refusal: a status, what is wrong, what to do.
#[derive(Debug)]
pub(super) struct Refusal {
    status: StatusCode,
    error: String,
    hint: String,
    header: Option<(header::HeaderName, &'static str)>,
}

impl Refusal {
    pub(super) fn new(status: StatusCode, error: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { status, error: error.into(), hint: hint.into(), header: None }
    }

    /// What is wrong.
    pub(super) fn error(&self) -> &str {
        &self.error
    }

    /// The same, with a header.
    pub(super) fn with(mut self, name: header::HeaderName, value: &'static str) -> Self {
        self.header = Some((name, value));
        self
    }

    /// There is no site of that id.
    pub(super) fn no_such_site(id: &str) -> Self {
        // The id is the client's: it goes back as JSON text, cut to a site id's greatest length.
        let id: String = id.chars().take(64).collect();
        Self::new(StatusCode::NOT_FOUND, format!("there is no site {id:?}"), "GET /api/sites names them")
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let body = Refused { error: self.error, hint: self.hint };
        let header = self.header.map(|(name, value)| (name, HeaderValue::from_static(value)));
        (self.status, HeaderMap::from_iter(header), json(&body)).into_response()
    }
}

/// A JSON answer.
pub(super) fn json(body: &impl Serialize) -> Response {
    // Shapes have text keys and numbers only: there is nothing in them that JSON cannot hold.
    json_text(serde_json::to_string(body).expect("answers are always JSON"))
}

/// A JSON answer that is text already.
pub(super) fn json_text(body: impl Into<axum::body::Body>) -> Response {
    ([(header::CONTENT_TYPE, "application/json")], body.into()).into_response()
}

pub(super) async fn no_such_path() -> Refusal {
    Refusal::new(StatusCode::NOT_FOUND, "there is nothing at this path", "GET /openapi.json lists every path")
}

pub(super) async fn no_such_method() -> Refusal {
    Refusal::new(
        StatusCode::METHOD_NOT_ALLOWED,
        "this path does not take that method",
        "GET /openapi.json says which it takes",
    )
}
