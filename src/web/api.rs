//! Sites, live figures, history, health, metrics.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;

use super::answer::{Refusal, json, json_text};
use super::shapes::{Health, HistoryBody, Now, PartHealth, Refused, SiteInfo, Sites};
use super::{HistoryError, HistoryQuery, Shared};
use crate::site::Site;
use crate::status::{OPENMETRICS, Overall};
use crate::units::Stamp;

/// The sites.
#[utoipa::path(get, path = "/api/sites", responses(
    (status = 200, body = Sites),
))]
pub(super) async fn sites(State(shared): State<Arc<Shared>>) -> Response {
    let sites = Arc::clone(&shared.state.sites.borrow());
    json(&Sites { sites: sites.iter().map(|site| SiteInfo::from(site.as_ref())).collect() })
}

/// The live figures of a site.
#[utoipa::path(get, path = "/api/sites/{site}/now", params(("site" = String, Path,)), responses(
    (status = 200, body = Now),
    (status = 404, body = Refused, description = "no such site"),
    (status = 503, body = Refused, description = "no figures yet"),
))]
pub(super) async fn now(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    let body = newest(&shared, &id);
    if body.is_empty() {
        let hint =
            "the first figures come some seconds after the first readings; /health says what is missing";
        return Err(Refusal::new(StatusCode::SERVICE_UNAVAILABLE, "there are no figures yet", hint)
            .with(header::RETRY_AFTER, "2"));
    }
    Ok(json_text(body))
}

/// The newest `now` body of a site; empty if there is none yet.
pub(super) fn newest(shared: &Shared, id: &str) -> Bytes {
    let table = Arc::clone(&shared.state.now.borrow());
    table.get(id).map(|newest| newest.borrow().clone()).unwrap_or_default()
}

/// Energy of a site by interval.
#[utoipa::path(get, path = "/api/sites/{site}/history",
    params(
        ("site" = String, Path,),
        ("from" = Option<String>, Query, description = "Local date, local date and time, or RFC 3339"),
        ("to" = Option<String>, Query, description = "Likewise; not included"),
        ("by" = Option<String>, Query,
            description = "minute, quarter, hour, day, week, month, year or billing"),
    ),
    responses(
        (status = 200, body = HistoryBody),
        (status = 400, body = Refused, description = "a parameter is wrong"),
        (status = 404, body = Refused, description = "no such site"),
        (status = 503, body = Refused, description = "the store could not answer"),
    ))]
pub(super) async fn history(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    Query(given): Query<Vec<(String, String)>>,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    let query = query(site, given)?;
    let permit = Arc::clone(&shared.queries).acquire_owned().await.expect("the semaphore is never closed");
    let history = Arc::clone(&shared.state.history);
    let answer = tokio::task::spawn_blocking(move || {
        // The permit goes with the work: a client that stops waiting does not make room for more.
        let _permit = permit;
        history(&query)
    });
    match answer.await {
        Ok(Ok(body)) => Ok(json_text(body)),
        Ok(Err(HistoryError::Asked { what, hint })) => Err(Refusal::new(StatusCode::BAD_REQUEST, what, hint)),
        Ok(Err(HistoryError::Failed(why))) => {
            tracing::warn!(why, site = id, "the store could not answer a history query");
            Err(failed(&why))
        }
        Err(panic) => {
            tracing::error!(%panic, site = id, "a history query ended early");
            Err(failed("the query ended early"))
        }
    }
}

fn failed(why: &str) -> Refusal {
    let error = format!("the store could not answer: {why}");
    Refusal::new(
        StatusCode::SERVICE_UNAVAILABLE,
        error,
        "look at /health; `panelwright store check` tells more",
    )
}

/// Sorts out the parameters: each once, none unknown.
fn query(site: Arc<Site>, given: Vec<(String, String)>) -> Result<HistoryQuery, Refusal> {
    let mut query = HistoryQuery { site, from: None, to: None, by: None };
    for (name, value) in given {
        let place = match name.as_str() {
            "from" => &mut query.from,
            "to" => &mut query.to,
            "by" => &mut query.by,
            _ => {
                let name: String = name.chars().take(40).collect();
                let error = format!("{name:?} is no parameter of history");
                return Err(Refusal::new(StatusCode::BAD_REQUEST, error, "parameters are from, to and by"));
            }
        };
        if place.replace(value).is_some() {
            let error = format!("{name:?} is given twice");
            return Err(Refusal::new(StatusCode::BAD_REQUEST, error, "give each parameter once"));
        }
    }
    Ok(query)
}

/// Whether the daemon does its job, and why not, part by part.
#[utoipa::path(get, path = "/health", responses(
    (status = 200, body = Health, description = "healthy, or degraded"),
    (status = 503, body = Health, description = "failing"),
))]
pub(super) async fn health(State(shared): State<Arc<Shared>>) -> Response {
    let snapshot = shared.state.board.snapshot();
    let parts = snapshot.parts.into_iter().map(|(part, state)| {
        let health = PartHealth { ok: state.ok, why: state.why, since: utc(state.since) };
        (part.to_string(), health)
    });
    let body = Health {
        status: snapshot.overall.as_str(),
        at: utc(shared.state.clock.now()),
        version: env!("CARGO_PKG_VERSION"),
        parts: parts.collect(),
    };
    let status = match snapshot.overall {
        Overall::Healthy | Overall::Degraded => StatusCode::OK,
        Overall::Failing => StatusCode::SERVICE_UNAVAILABLE,
    };
    (status, json(&body)).into_response()
}

/// A moment in UTC as RFC 3339 has it.
fn utc(stamp: Stamp) -> String {
    jiff::Timestamp::from_millisecond(stamp.0.saturating_mul(100))
        .map(|at| at.to_string())
        .unwrap_or_default()
}

/// Every metric, as OpenMetrics text.
#[utoipa::path(get, path = "/metrics", responses(
    (status = 200, body = String, content_type = "application/openmetrics-text"),
))]
pub(super) async fn metrics(State(shared): State<Arc<Shared>>) -> Response {
    ([(header::CONTENT_TYPE, OPENMETRICS)], shared.state.board.metrics()).into_response()
}
