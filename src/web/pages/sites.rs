//! Many sites: which they are, how each is, and what it used today.

use std::sync::Arc;

use axum::extract::{Query, State};
use axum::response::Response;
use percent_encoding::{AsciiSet, NON_ALPHANUMERIC, utf8_percent_encode};
use serde::Serialize;

use super::ask;
use super::{Asked, Page, now, show, words};
use crate::calendar::Zone;
use crate::site::{Role, Site};
use crate::status::{Part, Snapshot};
use crate::units::Stamp;
use crate::web::{History, HistoryBody, Shared, View, api};

/// Sites on a page. Today's energy is asked for those alone, so a thousand sites cost as much as fifty.
const ON_A_PAGE: usize = 50;

/// What stays as it is in a value of a query string: letters, digits and the unreserved marks (RFC 3986, 2.3).
const PLAIN: AsciiSet = NON_ALPHANUMERIC.remove(b'-').remove(b'.').remove(b'_').remove(b'~');

#[derive(Debug, Serialize)]
struct SitesPage {
    query: String,
    rows: Vec<Row>,
    found: usize,
    all: usize,
    previous: Option<String>,
    next: Option<String>,
    first: usize,
    last: usize,
}

#[derive(Debug, Default, Serialize)]
struct Row {
    id: String,
    name: String,
    /// What is wrong, in words; empty if nothing is.
    wrong: Vec<String>,
    consumption_w: Option<f64>,
    grid_w: Option<f64>,
    used_kwh: Option<f64>,
    sun_kwh: Option<f64>,
    /// Whether anything there gives.
    has_sun: bool,
}

/// The sites, for a browser.
#[utoipa::path(get, path = "/sites",
    params(
        ("q" = Option<String>, Query, description = "sites whose name, id or circuit holds this"),
        ("page" = Option<usize>, Query, description = "from 1 on"),
    ),
    responses((status = 200, body = String, content_type = "text/html")))]
pub(in crate::web) async fn sites(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    Query(given): Query<Vec<(String, String)>>,
) -> Response {
    let get = |name: &str| given.iter().find(|(key, _)| key == name).map(|(_, value)| value.as_str());
    let query: String = get("q").unwrap_or_default().trim().chars().take(100).collect();
    let number = get("page").and_then(|page| page.parse().ok()).unwrap_or(1usize).max(1);
    let all = Arc::clone(&shared.state.sites.borrow());
    let found: Vec<Arc<Site>> = all.iter().filter(|site| matches(site, &query)).cloned().collect();
    let skipped = (number - 1).saturating_mul(ON_A_PAGE);
    let shown: Vec<Arc<Site>> = found.iter().skip(skipped).take(ON_A_PAGE).cloned().collect();
    let count = shown.len();
    let now = shared.state.clock.now();
    let asking = shown.clone();
    let today = ask::ask(&shared, move |history| {
        Ok(asking.iter().map(|site| of_today(history, site, now)).collect::<Vec<_>>())
    })
    .await
    .unwrap_or_default();
    let snapshot = shared.state.board.snapshot();
    let mut rows: Vec<Row> = shown.iter().map(|site| row(&shared, &asked, &snapshot, site)).collect();
    for (row, (used, sun)) in rows.iter_mut().zip(today) {
        (row.used_kwh, row.sun_kwh) = (used, sun);
    }
    let link = |page: usize| format!("sites?q={}&page={page}", utf8_percent_encode(&query, &PLAIN));
    let body = SitesPage {
        rows,
        found: found.len(),
        all: all.len(),
        previous: (number > 1).then(|| link(number - 1)),
        next: (skipped + count < found.len()).then(|| link(number + 1)),
        first: skipped + 1,
        last: skipped + count,
        query,
    };
    let page = Page { template: "sites.html", title: "Sites", site: None, tab: "sites", again_s: 30 };
    show(&shared, &asked, page, &body)
}

/// Whether a site's name, id or one of its circuits' labels holds the text, whatever its case.
fn matches(site: &Site, query: &str) -> bool {
    let query = query.to_lowercase();
    let holds = |text: &str| text.to_lowercase().contains(&query);
    query.is_empty()
        || holds(&site.name)
        || holds(&site.id)
        || site.circuits.iter().any(|circuit| holds(&circuit.latest().label))
}

/// What was used and what the sun gave today; unknown where the store cannot say.
fn of_today(history: &History, site: &Arc<Site>, now: Stamp) -> (Option<f64>, Option<f64>) {
    let Ok(zone) = Zone::new(&site.time_zone) else { return (None, None) };
    let today = zone.day_of(now);
    let query = ask::of(site, View::Energy, &words::iso(today), &words::iso(today.next()), Some("day"));
    let body: Result<HistoryBody, _> = ask::body(history, &query);
    let day = body.ok().and_then(|body| body.intervals.into_iter().next());
    day.map_or((None, None), |day| (day.consumption_kwh, day.generation_kwh))
}

fn row(shared: &Shared, asked: &Asked, snapshot: &Snapshot, site: &Site) -> Row {
    let now = api::figures(shared, site);
    let mut wrong: Vec<String> =
        now.iter().flat_map(|now| &now.alerts).map(|alert| now::too_much(asked.numbers, alert)).collect();
    for (part, state) in &snapshot.parts {
        let told = matches!(part, Part::Loading(_));
        if !state.ok && !told && part.site() == Some(&site.id) {
            wrong.push(now::why(shared, asked.numbers, part, state.why.clone()));
        }
    }
    if now.is_none() {
        wrong.push("no figures yet".to_owned());
    }
    Row {
        id: site.id.clone(),
        name: site.name.clone(),
        wrong,
        consumption_w: now.as_ref().and_then(|now| now.consumption_w),
        grid_w: now.as_ref().and_then(|now| now.grid_w),
        has_sun: site.circuits.iter().any(|circuit| circuit.latest().role == Role::Pv),
        ..Row::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_site_is_found_by_name_id_and_circuit() {
        let map = include_str!("../../../config/sites/heron-lane.toml");
        let site = crate::site::parse("heron-lane.toml", map).site.expect("the map is good");
        for query in ["", "heron", "FARMHOUSE", "well pump"] {
            assert!(matches(&site, query), "{query}");
        }
        assert!(!matches(&site, "lighthouse"));
        assert_eq!(utf8_percent_encode("a b&c=ü", &PLAIN).to_string(), "a%20b%26c%3D%C3%BC");
    }
}
