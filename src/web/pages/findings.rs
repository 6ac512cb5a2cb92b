//! Is it right? What the daemon, the breakers and the audit of the map say, in words.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::response::Response;
use serde::Serialize;

use super::ask::{self, Trouble};
use super::{Asked, Numbers, Page, doubts, now, problem, show};
use crate::site::Site;
use crate::web::views::audit::{AuditBody, AuditFinding};
use crate::web::{HistoryQuery, Shared, View, api};

#[derive(Debug, Serialize)]
struct FindingsPage {
    wrong: Vec<now::Wrong>,
    /// The last hourly audit, or one of the last day if that was asked for; absent before the first.
    audit: Option<Audit>,
    /// Whether it was asked for.
    is_fresh: bool,
}

#[derive(Debug, Serialize)]
struct Audit {
    summary: String,
    /// Which readings it is of.
    looked_at: String,
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
        false => shared.audit(&site.id).map(|audit| of(asked.numbers, &site, AuditBody::clone(&audit))),
        true => match audit(&shared, &asked, &site).await {
            Ok(audit) => Some(audit),
            Err(trouble) => return trouble.page(&shared, &asked),
        },
    };
    let live = api::figures(&shared, &site);
    let wrong = now::wrong(&shared, asked.numbers, &site, live.as_ref());
    let body = FindingsPage { wrong, audit, is_fresh: look };
    let page = Page {
        template: "findings.html",
        title: "Is it right?",
        site: Some(&site),
        tab: "findings",
        again_s: 0,
    };
    show(&shared, &asked, page, &body)
}

async fn audit(shared: &Shared, asked: &Asked, site: &Arc<Site>) -> Result<Audit, Trouble> {
    let query =
        HistoryQuery { numbers: Some(asked.numbers), ..HistoryQuery::new(Arc::clone(site), View::Audit) };
    let body: AuditBody = ask::ask(shared, move |history| ask::body(history, &query)).await?;
    Ok(of(asked.numbers, site, body))
}

fn of(numbers: Numbers, site: &Site, body: AuditBody) -> Audit {
    Audit {
        looked_at: doubts::looked_at(&body),
        summary: body.summary,
        findings: body.findings.iter().map(|finding| doubts::written(numbers, finding)).collect(),
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
    }
}
