//! Sites, live figures, history, health, metrics.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;

use super::answer::{Refusal, json, json_text};
use super::shapes::{Health, HistoryAnswer, Now, PartHealth, Refused, SiteInfo, Sites};
use super::views::{audit::AuditBody, profile::ProfileBody, rank::RankBody, verify::in_short};
use super::{HistoryError, HistoryQuery, Shared, View, views};
use crate::calendar::Zone;
use crate::site::Site;
use crate::status::{OPENMETRICS, Overall};
use crate::units::Stamp;

/// The sites.
#[utoipa::path(get, path = "/api/sites", responses(
    (status = 200, body = Sites),
))]
pub(super) async fn sites(State(shared): State<Arc<Shared>>) -> Response {
    let sites = Arc::clone(&shared.state.sites.borrow());
    let now = shared.state.clock.now();
    let infos = sites.iter().map(|site| {
        let mut info = SiteInfo::from(site.as_ref());
        for (circuit, proven) in in_short(site, &shared.state.steps.proofs(&site.id), now) {
            if let Some(info) = info.circuits.iter_mut().find(|info| info.id == circuit) {
                info.proven = Some(proven);
            }
        }
        info
    });
    json(&Sites { sites: infos.collect() })
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

/// A site's time zone.
pub(super) fn zone(site: &Site) -> Result<Zone, Refusal> {
    Zone::new(&site.time_zone).map_err(|error| failed(&error.to_string()))
}

/// The newest figures of a site; `None` if there are none yet.
pub(super) fn figures(shared: &Shared, site: &Site) -> Option<Now> {
    serde_json::from_slice(&newest(shared, &site.id)).ok()
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
        ("compare" = Option<String>, Query, description = "previous, week, month or year"),
        ("channel" = Option<String>, Query,
            description = "A CT by its name (device/channel): what it measured, and whose it was when"),
    ),
    responses(
        (status = 200, body = HistoryAnswer, description = "of a CT where `channel` is given"),
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
    let names = ["from", "to", "by", "compare", "channel"];
    let [from, to, by, compare, channel] = parameters("history", names, given)?;
    let view = match (&channel, &compare) {
        (None, _) => View::Energy,
        (Some(name), None) => match views::channel::named(&site, name) {
            Ok(channel) => View::Channel(channel),
            Err(error) => return Err(refused(error)),
        },
        (Some(_), Some(_)) => {
            let error = "channel and compare do not go together";
            return Err(Refusal::new(StatusCode::BAD_REQUEST, error, "leave one of them out"));
        }
    };
    ask(&shared, HistoryQuery { from, to, by, compare, ..HistoryQuery::new(site, view) }).await
}

/// The typical day of a site: mean power by quarter-hour of the local clock and weekday.
#[utoipa::path(get, path = "/api/sites/{site}/profile",
    params(
        ("site" = String, Path,),
        ("from" = Option<String>, Query, description = "As for history; 28 days if it is not given"),
        ("to" = Option<String>, Query, description = "Likewise; not included"),
    ),
    responses(
        (status = 200, body = ProfileBody),
        (status = 400, body = Refused, description = "a parameter is wrong"),
        (status = 404, body = Refused, description = "no such site"),
        (status = 503, body = Refused, description = "the store could not answer"),
    ))]
pub(super) async fn profile(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    Query(given): Query<Vec<(String, String)>>,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    let [from, to] = parameters("profile", ["from", "to"], given)?;
    ask(&shared, HistoryQuery { from, to, ..HistoryQuery::new(site, View::Profile) }).await
}

/// Circuits and untracked load by their share of the whole: what is worth a CT.
#[utoipa::path(get, path = "/api/sites/{site}/rank",
    params(
        ("site" = String, Path,),
        ("from" = Option<String>, Query, description = "As for history; 365 days if it is not given"),
        ("to" = Option<String>, Query, description = "Likewise; not included"),
    ),
    responses(
        (status = 200, body = RankBody),
        (status = 400, body = Refused, description = "a parameter is wrong"),
        (status = 404, body = Refused, description = "no such site"),
        (status = 503, body = Refused, description = "the store could not answer"),
    ))]
pub(super) async fn rank(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    Query(given): Query<Vec<(String, String)>>,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    let [from, to] = parameters("rank", ["from", "to"], given)?;
    ask(&shared, HistoryQuery { from, to, ..HistoryQuery::new(site, View::Rank) }).await
}

/// Whether the map of a site is true: readings held against it, and the lines to change.
#[utoipa::path(get, path = "/api/sites/{site}/audit",
    params(
        ("site" = String, Path,),
        ("from" = Option<String>, Query, description = "As for history; a day before the end if it is not given"),
        ("to" = Option<String>, Query, description = "Likewise; not included"),
        ("fresh" = Option<bool>, Query, description = "true: looks now. Without it, and without a range, what the \
            daemon found when it last looked, which `made` tells"),
    ),
    responses(
        (status = 200, body = AuditBody),
        (status = 400, body = Refused, description = "a parameter is wrong"),
        (status = 404, body = Refused, description = "no such site"),
        (status = 503, body = Refused, description = "the store could not answer"),
    ))]
pub(super) async fn audit(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    Query(given): Query<Vec<(String, String)>>,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    let [from, to, fresh] = parameters("audit", ["from", "to", "fresh"], given)?;
    let anew = match fresh.as_deref() {
        None | Some("false") => from.is_some() || to.is_some(),
        Some("true") => true,
        Some(other) => {
            let error = format!("fresh: {other:?} is neither true nor false");
            return Err(Refusal::new(StatusCode::BAD_REQUEST, error, "fresh=true looks anew"));
        }
    };
    if !anew && let Some(newest) = shared.audit(&id) {
        return Ok(axum::Json(&*newest).into_response());
    }
    ask(&shared, HistoryQuery { from, to, ..HistoryQuery::new(site, View::Audit) }).await
}

async fn ask(shared: &Shared, query: HistoryQuery) -> Result<Response, Refusal> {
    let history = Arc::clone(&shared.state.history);
    let id = query.site.id.clone();
    match blocking(shared, move || history(&query)).await? {
        Ok(body) => Ok(json_text(body)),
        Err(error) => {
            if let HistoryError::Failed(why) = &error {
                tracing::warn!(why, site = id, "the store could not answer a history query");
            }
            Err(refused(error))
        }
    }
}

fn refused(error: HistoryError) -> Refusal {
    match error {
        HistoryError::Asked { what, hint } => Refusal::new(StatusCode::BAD_REQUEST, what, hint),
        HistoryError::Failed(why) => failed(&why),
    }
}

/// Does work that blocks on a thread for it, no more than so much at a time.
pub(super) async fn blocking<T: Send + 'static>(
    shared: &Shared,
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Refusal> {
    let permit = Arc::clone(&shared.queries).acquire_owned().await.expect("the semaphore is never closed");
    let answer = tokio::task::spawn_blocking(move || {
        // The permit goes with the work: a client that stops waiting does not make room for more.
        let _permit = permit;
        work()
    });
    answer.await.map_err(|panic| {
        tracing::error!(%panic, "a query ended early");
        failed("the query ended early")
    })
}

pub(super) fn failed(why: &str) -> Refusal {
    let error = format!("the store could not answer: {why}");
    Refusal::new(
        StatusCode::SERVICE_UNAVAILABLE,
        error,
        "look at /health; `panelwright store check` tells more",
    )
}

/// Sorts out the parameters of a path: each once, none unknown.
pub(super) fn parameters<const N: usize>(
    path: &str,
    names: [&str; N],
    given: Vec<(String, String)>,
) -> Result<[Option<String>; N], Refusal> {
    let mut found = std::array::from_fn(|_| None);
    for (name, value) in given {
        let Some(place) = names.iter().position(|other| *other == name) else {
            let name: String = name.chars().take(40).collect();
            let error = format!("{name:?} is no parameter of {path}");
            let hint = format!("parameters are {}", names.join(", "));
            return Err(Refusal::new(StatusCode::BAD_REQUEST, error, hint));
        };
        if found[place].replace(value).is_some() {
            let error = format!("{name:?} is given twice");
            return Err(Refusal::new(StatusCode::BAD_REQUEST, error, "give each parameter once"));
        }
    }
    Ok(found)
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
pub(super) fn utc(stamp: Stamp) -> String {
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
