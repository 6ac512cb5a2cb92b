//! Questions to the history, answered as the API answers them, and what a page says when they cannot be.

use std::sync::Arc;

use axum::http::StatusCode;
use axum::response::Response;
use serde::de::DeserializeOwned;

use super::{Asked, problem};
use crate::site::Site;
use crate::web::{History, HistoryError, HistoryQuery, Shared, View, api};

/// Why there is no page.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Trouble {
    status: StatusCode,
    what: String,
    hint: String,
}

impl Trouble {
    /// The address is wrong.
    pub(super) fn asked(what: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { status: StatusCode::BAD_REQUEST, what: what.into(), hint: hint.into() }
    }

    /// There is no such thing.
    pub(super) fn missing(what: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { status: StatusCode::NOT_FOUND, what: what.into(), hint: hint.into() }
    }

    /// The store could not answer.
    pub(super) fn failed(why: &str) -> Self {
        Self {
            status: StatusCode::SERVICE_UNAVAILABLE,
            what: format!("The store could not answer: {why}."),
            hint: "Try again; if it stays so, health says more.".to_owned(),
        }
    }

    /// As a page.
    pub(super) fn page(&self, shared: &Shared, asked: &Asked) -> Response {
        problem(shared, asked, self.status, &self.what, &self.hint)
    }
}

impl From<HistoryError> for Trouble {
    fn from(error: HistoryError) -> Self {
        match error {
            HistoryError::Asked { what, hint } => Self::asked(format!("{what}."), hint),
            HistoryError::Failed(why) => Self::failed(&why),
        }
    }
}

/// Does work that asks the history, on a thread for it.
pub(super) async fn ask<T: Send + 'static>(
    shared: &Shared,
    work: impl FnOnce(&History) -> Result<T, Trouble> + Send + 'static,
) -> Result<T, Trouble> {
    let history = Arc::clone(&shared.state.history);
    let done = api::blocking(shared, move || work(&history)).await;
    done.unwrap_or_else(|refusal| Err(Trouble::failed(refusal.error())))
}

/// A question of a range of local dates.
pub(super) fn of(site: &Arc<Site>, view: View, from: &str, to: &str, by: Option<&str>) -> HistoryQuery {
    HistoryQuery {
        from: Some(from.to_owned()),
        to: Some(to.to_owned()),
        by: by.map(str::to_owned),
        ..HistoryQuery::new(Arc::clone(site), view)
    }
}

/// The body of an answer, in the shape that the API describes.
pub(super) fn body<T: DeserializeOwned>(history: &History, query: &HistoryQuery) -> Result<T, Trouble> {
    let text = history(query)?;
    serde_json::from_str(&text).map_err(|error| Trouble::failed(&error.to_string()))
}
