//! Is it right? What the daemon, the breakers and the audit of the map say, in words.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::response::Response;
use serde::Serialize;

use super::ask::{self, Trouble};
use super::{Asked, Page, now, problem, show, words};
use crate::site::Site;
use crate::status::Part;
use crate::web::views::audit::{AuditBody, AuditFinding};
use crate::web::{HistoryQuery, Shared, View, api};

#[derive(Debug, Serialize)]
struct FindingsPage {
    wrong: Vec<now::Wrong>,
    /// What the hourly audit found, in a line.
    hourly: String,
    hourly_ok: bool,
    /// The audit of the last day, if it was asked for.
    audit: Option<Audit>,
}

#[derive(Debug, Serialize)]
struct Audit {
    summary: String,
    from: String,
    to: String,
    findings: Vec<AuditFinding>,
    silent: Vec<String>,
    channels: Vec<Channel>,
}

#[derive(Debug, Serialize)]
struct Channel {
    circuit: String,
    label: String,
    channel: String,
    state: String,
    events: f64,
}

/// Whether a site's map is true and whether anything is wrong, for a browser.
#[utoipa::path(get, path = "/sites/{site}/findings",
    params(
        ("site" = String, Path,),
        ("look" = Option<String>, Query, description = "day: holds the readings of the last day against the map"),
    ),
    responses(
        (status = 200, body = String, content_type = "text/html"),
        (status = 404, description = "no such site"),
    ))]
pub(in crate::web) async fn findings(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    Path(id): Path<String>,
    Query(given): Query<Vec<(String, String)>>,
) -> Response {
    let Some(site) = shared.site(&id) else { return problem::no_such_site(&shared, &asked, &id) };
    let look = given.iter().any(|(name, value)| name == "look" && value == "day");
    let audit = match look {
        false => None,
        true => match audit(&shared, &site).await {
            Ok(audit) => Some(audit),
            Err(trouble) => return trouble.page(&shared, &asked),
        },
    };
    let live = api::figures(&shared, &site);
    let parts = shared.state.board.snapshot().parts;
    let hourly = parts.into_iter().find(|(part, _)| matches!(part, Part::Audit(id) if *id == site.id));
    let (hourly_ok, hourly) = hourly.map_or((true, String::new()), |(_, state)| (state.ok, state.why));
    let body = FindingsPage { wrong: now::wrong(&shared, &site, live.as_ref()), hourly, hourly_ok, audit };
    let page = Page {
        template: "findings.html",
        title: "Is it right?",
        site: Some(&site),
        tab: "findings",
        again_s: 0,
    };
    show(&shared, &asked, page, &body)
}

async fn audit(shared: &Shared, site: &Arc<Site>) -> Result<Audit, Trouble> {
    let query = HistoryQuery::new(Arc::clone(site), View::Audit);
    let body: AuditBody = ask::ask(shared, move |history| ask::body(history, &query)).await?;
    Ok(Audit {
        summary: body.summary,
        from: body.start.as_deref().map(words::moment).unwrap_or_default(),
        to: body.end.as_deref().map(words::moment).unwrap_or_default(),
        findings: body.findings,
        silent: body.silent,
        channels: body
            .channels
            .into_iter()
            .map(|one| Channel {
                label: site.label_of(&one.circuit).to_owned(),
                circuit: one.circuit,
                channel: one.channel,
                state: one.state,
                events: one.events,
            })
            .collect(),
    })
}
