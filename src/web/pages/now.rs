//! The house at a glance: what flows in and out, where it goes, and whether anything is wrong.
//!
//! The page is made from the same body that the API, the live stream and the topic have. The script
//! takes each new body of the stream and writes its figures into the same elements.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::response::Response;
use serde::Serialize;

use super::balance::{self, Segment};
use super::{Asked, Numbers, Page, problem, show};
use crate::said::Said;
use crate::site::{Circuit, Role, Site};
use crate::status::Part;
use crate::units::Stamp;
use crate::web::shapes::Now;
use crate::web::{AlertNow, EvNow, Shared, api};

/// Without script the page asks again after so many seconds.
const AGAIN_S: u32 = 5;

/// The page of a site as it is now.
#[derive(Debug, Serialize)]
struct NowPage {
    /// The newest figures; absent until there are some.
    now: Option<Figures>,
    /// What is wrong, the gravest first; empty if nothing is.
    wrong: Vec<Wrong>,
    /// What was looked at where nothing is wrong.
    well: &'static str,
    /// Loads and what no circuit accounts for, the largest first.
    rows: Vec<Row>,
    /// What gives: PV and storage.
    givers: Vec<Row>,
    /// Circuits on the map that no CT measures.
    unmeasured: Vec<Row>,
    panels: Vec<Panel>,
    legs: Vec<LegRow>,
    chargers: Vec<Charger>,
    /// When the sun last gave as much as the house used; empty where nothing gives.
    covered: String,
    /// What stands before the first figures.
    waiting: Option<String>,
}

#[derive(Debug, Default, Serialize)]
struct Figures {
    at: String,
    /// `18:00:05`
    clock: String,
    /// `3 February 2026`
    date: String,
    stale_after_s: i64,
    /// The circuits that have figures: where the stream has others, the map was changed, and the page is old.
    circuits: String,
    /// Older than they may be.
    stale: bool,
    grid_w: Option<f64>,
    generation_w: Option<f64>,
    consumption_w: Option<f64>,
    self_consumed_w: Option<f64>,
    untracked_w: Option<f64>,
    storage_w: Option<f64>,
    /// Whether the map has them at all.
    has_generation: bool,
    has_storage: bool,
    has_mains: bool,
    sources: Vec<Segment>,
    uses: Vec<Segment>,
}

/// Something that is wrong, in words.
#[derive(Debug, Serialize)]
pub(super) struct Wrong {
    /// `alarm`, `warning`.
    severity: &'static str,
    what: String,
    todo: String,
    /// Below the site's path; empty for none.
    link: String,
    /// What the link says.
    link_words: &'static str,
}

#[derive(Debug, Serialize)]
struct Row {
    id: String,
    label: String,
    panel: String,
    /// `13 · 15`
    spaces: String,
    /// The class of its end use.
    class: &'static str,
    w: Option<f64>,
    apparent: bool,
    /// Its bar, in percent of the scale.
    width: f64,
    /// A source rather than a load.
    gives: bool,
}

#[derive(Debug, Serialize)]
struct Panel {
    id: String,
    name: String,
    feed_w: Option<f64>,
    untracked_w: Option<f64>,
}

#[derive(Debug, Serialize)]
struct LegRow {
    leg: String,
    w: Option<f64>,
    highest_a: Option<f64>,
    room_a: Option<f64>,
    /// Share of what is allowed for long that the highest current takes, in percent, at most 100.
    width: f64,
    has_room: bool,
}

#[derive(Debug, Serialize)]
struct Charger {
    id: String,
    label: String,
    available_a: f64,
    mode: String,
    why: String,
}

/// The first page: the only site, or the list of them.
#[utoipa::path(get, path = "/", responses(
    (status = 200, body = String, content_type = "text/html"),
    (status = 303, description = "there is no site yet: to where one is set up"),
))]
pub(in crate::web) async fn home(State(shared): State<Arc<Shared>>, asked: Asked) -> Response {
    let sites = Arc::clone(&shared.state.sites.borrow());
    match &sites[..] {
        // Whoever may set one up is led there.
        [] if asked.may_change() => super::sign_in::to("./setup"),
        [] => problem::no_site(&shared, &asked),
        [site] => of_site(&shared, &asked, site).await,
        _ => super::sites::sites(State(Arc::clone(&shared)), asked, Query(Vec::new())).await,
    }
}

/// A site as it is now, for a browser.
#[utoipa::path(get, path = "/sites/{site}", params(("site" = String, Path,)), responses(
    (status = 200, body = String, content_type = "text/html"),
    (status = 404, description = "no such site"),
))]
pub(in crate::web) async fn now(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    Path(id): Path<String>,
) -> Response {
    match shared.site(&id) {
        Some(site) => of_site(&shared, &asked, &site).await,
        None => problem::no_such_site(&shared, &asked, &id),
    }
}

async fn of_site(shared: &Shared, asked: &Asked, site: &Arc<Site>) -> Response {
    let now = api::figures(shared, site);
    let page =
        Page { template: "now.html", title: &site.name, site: Some(site), tab: "now", again_s: AGAIN_S };
    let mut body = body(shared, asked.numbers, site, now.as_ref());
    if body.givers.iter().any(|row| row.gives) {
        body.covered = super::covered::last(shared, site).await;
    }
    show(shared, asked, page, &body)
}

fn body(shared: &Shared, numbers: Numbers, site: &Site, now: Option<&Now>) -> NowPage {
    let wrong = wrong(shared, numbers, site, now);
    let well = well(shared, site, now);
    let Some(now) = now else {
        let waiting = "There are no figures yet: the first come some seconds after the first readings.";
        return NowPage {
            now: None,
            wrong,
            well,
            rows: Vec::new(),
            givers: Vec::new(),
            unmeasured: unmeasured(site),
            panels: Vec::new(),
            legs: Vec::new(),
            chargers: Vec::new(),
            covered: String::new(),
            waiting: Some(waiting.to_owned()),
        };
    };
    NowPage {
        now: Some(figures(shared.state.clock.now(), site, now)),
        wrong,
        well,
        rows: rows(site, now),
        givers: givers(site, now),
        unmeasured: unmeasured(site),
        panels: panels(site, now),
        legs: legs(site, now),
        chargers: now.ev.iter().map(|(id, ev)| charger(numbers, site, id, ev)).collect(),
        covered: String::new(),
        waiting: None,
    }
}

fn figures(clock: Stamp, site: &Site, now: &Now) -> Figures {
    let at: Option<jiff::Timestamp> = now.at.parse().ok();
    let stale_after_s = now.stale_after_s.unwrap_or(180);
    let age_s = at.map_or(0, |at| clock.seconds() - at.as_second());
    let has = |role: fn(&Role) -> bool| site.circuits.iter().any(|circuit| role(&circuit.latest().role));
    Figures {
        clock: now.at.get(11..19).unwrap_or_default().to_owned(),
        date: super::words::day(&now.at).map(super::words::date).unwrap_or_default(),
        at: now.at.clone(),
        stale_after_s,
        circuits: now.circuits.keys().map(String::as_str).collect::<Vec<_>>().join(" "),
        stale: age_s > stale_after_s,
        grid_w: now.grid_w,
        generation_w: now.generation_w,
        consumption_w: now.consumption_w,
        self_consumed_w: now.self_consumed_w,
        untracked_w: now.untracked_w,
        storage_w: now.storage_w,
        has_generation: has(|role| matches!(role, Role::Pv)),
        has_storage: has(|role| matches!(role, Role::Storage)),
        has_mains: !site.feeds.is_empty(),
        sources: balance::sources(site, now),
        uses: balance::uses(site, now),
    }
}

pub(super) fn hundredth(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

/// The scale of the bars: the next of 1, 2, 5, 10 … kW, so that it seldom changes.
fn scale(largest: f64) -> f64 {
    let decade = 10f64.powf(largest.max(100.0).log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().find(|step| step * decade >= largest);
    step.unwrap_or(10.0) * decade
}

fn rows(site: &Site, now: &Now) -> Vec<Row> {
    let mut rows = of_role(site, now, |role| role == Role::Load);
    if !site.feeds.is_empty() {
        rows.push(Row {
            id: String::new(),
            label: "Untracked".to_owned(),
            panel: String::new(),
            spaces: String::new(),
            class: "untracked",
            w: now.untracked_w,
            apparent: false,
            width: 0.0,
            gives: false,
        });
    }
    let size = |row: &Row| row.w.map_or(-1.0, f64::abs);
    rows.sort_by(|one, other| size(other).total_cmp(&size(one)));
    let scale = scale(rows.first().map_or(0.0, size));
    for row in &mut rows {
        row.width = row.w.map_or(0.0, |w| hundredth((100.0 * w.abs() / scale).min(100.0)));
    }
    rows
}

/// Measured circuits of a role, as they are now.
fn of_role(site: &Site, now: &Now, is: fn(Role) -> bool) -> Vec<Row> {
    let circuits = site.circuits.iter().filter(|circuit| is(circuit.latest().role));
    let measured = circuits.filter_map(|circuit| {
        let figure = now.circuits.get(&circuit.id)?;
        let mut row = row(site, circuit);
        (row.w, row.apparent) = (figure.w, figure.apparent);
        Some(row)
    });
    measured.collect()
}

/// PV, with what it gives above 0, and storage as it is.
fn givers(site: &Site, now: &Now) -> Vec<Row> {
    let mut rows = of_role(site, now, |role| matches!(role, Role::Pv | Role::Storage));
    for row in rows.iter_mut().filter(|row| row.gives) {
        row.w = row.w.map(|w| 0.0 - w);
    }
    rows
}

fn row(site: &Site, circuit: &Circuit) -> Row {
    let entry = circuit.latest();
    let spaces: Vec<String> = entry.spaces.iter().map(u16::to_string).collect();
    Row {
        id: circuit.id.clone(),
        label: entry.label.clone(),
        panel: site.buses[entry.bus].name.clone(),
        spaces: spaces.join(" · "),
        class: super::uses::class(entry.end_use),
        w: None,
        apparent: false,
        width: 0.0,
        gives: entry.role == Role::Pv,
    }
}

/// On the panel directory, and without a CT.
fn unmeasured(site: &Site) -> Vec<Row> {
    let none = site.circuits.iter().filter(|circuit| {
        let entry = circuit.latest();
        entry.cts.is_empty() && !matches!(entry.role, Role::Feeder(_)) && entry.span.end == Stamp::MAX
    });
    none.map(|circuit| row(site, circuit)).collect()
}

fn panels(site: &Site, now: &Now) -> Vec<Panel> {
    // The service point is no panel: it is told only where something is measured apart from what it feeds.
    let has_own = |place: usize| site.feeds.iter().any(|feed| feed.bus == place);
    let buses = site.buses.iter().enumerate().filter(|(place, _)| *place > 0 || has_own(0));
    let buses = buses.filter_map(|(_, bus)| Some((bus, now.buses.get(&bus.id)?)));
    buses
        .map(|(bus, flow)| Panel {
            id: bus.id.clone(),
            name: bus.name.clone(),
            feed_w: flow.feed_w,
            untracked_w: flow.untracked_w,
        })
        .collect()
}

fn legs(site: &Site, now: &Now) -> Vec<LegRow> {
    let legs = now.legs.iter().map(|(leg, w)| {
        let room = now.headroom.get(leg);
        let highest_a = room.and_then(|room| room.highest_a);
        let room_a = room.and_then(|room| room.room_a);
        let share = highest_a.zip(room_a).map(|(highest, room)| highest / (highest + room).max(1.0));
        LegRow {
            leg: leg.clone(),
            w: *w,
            highest_a,
            room_a,
            width: hundredth(100.0 * share.unwrap_or(0.0).clamp(0.0, 1.0)),
            has_room: room.is_some() && site.service.main_breaker_a.is_some(),
        }
    });
    legs.collect()
}

fn charger(numbers: Numbers, site: &Site, id: &str, ev: &EvNow) -> Charger {
    Charger {
        id: id.to_owned(),
        label: site.label_of(id).to_owned(),
        available_a: ev.available_a,
        mode: ev.mode.clone(),
        why: numbers.said(&Said::read(&ev.why, "")),
    }
}

/// What the sentence that nothing is wrong stands on.
fn well(shared: &Shared, site: &Site, now: Option<&Now>) -> &'static str {
    let is_audited = shared.audit(&site.id).is_some_and(|audit| audit.start.is_some());
    match (now, is_audited) {
        (None, _) => "",
        (Some(_), false) => {
            "Every channel sends, and no measured breaker carries too much. The readings were not held against \
             the map yet."
        }
        (Some(_), true) => {
            "Every channel sends, no measured breaker carries too much, and nothing in the readings speaks \
             against the map."
        }
    }
}

/// Alerts of breakers first, then parts of the daemon that do not work, the audit among them.
pub(super) fn wrong(shared: &Shared, numbers: Numbers, site: &Site, now: Option<&Now>) -> Vec<Wrong> {
    let alerts = now.into_iter().flat_map(|now| &now.alerts);
    let mut wrong: Vec<Wrong> = alerts.map(|one| alert(numbers, one)).collect();
    for (part, state) in shared.state.board.snapshot().parts {
        // Breakers are told above, each by itself.
        let told = matches!(part, Part::Loading(_));
        if state.ok || told || part.site().is_some_and(|id| id != site.id) {
            continue;
        }
        let is_audit = matches!(part, Part::Audit(_));
        let why = why(shared, numbers, &part, state.why);
        wrong.push(Wrong {
            severity: if part.is_vital() { "alarm" } else { "warning" },
            what: part_in_words(&part, &why),
            todo: String::new(),
            link: if is_audit { "findings".to_owned() } else { String::new() },
            link_words: "What to change",
        });
    }
    wrong
}

/// What is wrong with a part. Whoever reads it here has a page for the audit, and needs no command.
pub(super) fn why(shared: &Shared, numbers: Numbers, part: &Part, why: String) -> String {
    let audit = match part {
        Part::Audit(site) => shared.audit(site),
        _ => None,
    };
    audit.map_or(why, |audit| numbers.said(&audit.in_short()))
}

/// What is too much, as its reader writes numbers.
pub(super) fn too_much(numbers: Numbers, alert: &AlertNow) -> String {
    numbers.said(&Said::read(&alert.what, &alert.r#where))
}

fn alert(numbers: Numbers, alert: &AlertNow) -> Wrong {
    Wrong {
        severity: if alert.severity == "alarm" { "alarm" } else { "warning" },
        what: too_much(numbers, alert),
        todo: alert.r#do.clone(),
        link: alert.circuit.as_ref().map(|id| format!("circuits/{id}")).unwrap_or_default(),
        link_words: "The circuit",
    }
}

fn part_in_words(part: &Part, why: &str) -> String {
    let what = match part {
        Part::Broker => "No readings come in: the broker is away",
        Part::Store => "Nothing is kept: the store does not work",
        Part::Publish => "Figures are not published",
        Part::Hub => "The hubs are not told",
        Part::Maps => "The changed map was refused, and the one before it still runs",
        Part::Certificate => "The certificate of this page was not renewed",
        Part::Access => "The changed password or token was refused, and those before still hold",
        Part::Central(_) => "A central store is behind",
        Part::Channels(_) => "Some channels are silent",
        Part::Loading(_) => "A breaker carries too much",
        Part::Audit(_) => "The map and the readings disagree",
        Part::Rederive(_) => "Import and export of the past are being derived again",
    };
    if why.is_empty() { format!("{what}.") } else { format!("{what}: {why}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scale_of_the_bars_is_a_round_number() {
        let check = |largest, expected| assert_eq!(scale(largest), expected, "{largest}");
        check(0.0, 100.0);
        check(100.0, 100.0);
        check(101.0, 200.0);
        check(1_500.0, 2_000.0);
        check(4_999.0, 5_000.0);
        check(5_001.0, 10_000.0);
    }
}
