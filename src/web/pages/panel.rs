//! The panel schedule as a live page: the breakers where they are in front of whoever opens the door, what
//! flows through each, and its CTs, which light up when their reading steps.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use ring::digest::{SHA256, digest};
use serde::Serialize;

use super::{Asked, Numbers, Page, doubts, now, problem, show};
use crate::calendar::Zone;
use crate::schedule::{self as sheet, Kind, Paper, Position, Schedule};
use crate::site::Site;
use crate::web::shapes::Now;
use crate::web::views::audit::AuditBody;
use crate::web::views::verify::for_schedule;
use crate::web::{Shared, api};

/// Without script the page asks again after so many seconds.
const AGAIN_S: u32 = 5;

#[derive(Debug, Serialize)]
struct PanelPage {
    /// The second that the figures belong to; empty before the first.
    at: String,
    /// `18:00:05`
    clock: String,
    service: String,
    panels: Vec<Board>,
    /// Inputs that no circuit and no feed uses.
    free: Vec<String>,
}

/// One panel.
#[derive(Debug, Serialize)]
struct Board {
    id: String,
    name: String,
    rating: String,
    fed_from: String,
    feed_w: Option<f64>,
    untracked_w: Option<f64>,
    has_feed: bool,
    /// The CTs of its feed, each with its leg.
    feed: Vec<FeedCt>,
    breakers: Vec<Breaker>,
    unplaced: Vec<Breaker>,
    /// What the hourly audit finds wrong with the panel itself.
    doubts: Vec<String>,
}

#[derive(Debug, Serialize)]
struct FeedCt {
    channel: String,
    leg: String,
}

/// A breaker, or a position without one.
#[derive(Debug, Serialize)]
struct Breaker {
    /// `9` or `9, 11`; empty where the map does not say.
    spaces: String,
    /// `left` or `right`.
    side: &'static str,
    /// How many positions it takes in its column.
    poles: usize,
    kind: Kind,
    circuit: String,
    label: String,
    breaker: String,
    leg: String,
    class: &'static str,
    cts: Vec<String>,
    w: Option<f64>,
    proven: String,
    /// What the hourly audit finds wrong with it, and what it carries too much.
    doubts: Vec<String>,
}

/// The panels of a site, live.
#[utoipa::path(get, path = "/sites/{site}/panel", params(("site" = String, Path,)), responses(
    (status = 200, body = String, content_type = "text/html"),
    (status = 404, description = "no such site"),
))]
pub(in crate::web) async fn panel(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    Path(id): Path<String>,
) -> Response {
    let Some(site) = shared.site(&id) else { return problem::no_such_site(&shared, &asked, &id) };
    let now = api::figures(&shared, &site);
    let audit = shared.audit(&site.id);
    let page = match scheduled(&shared, &site) {
        Ok(schedule) => body(asked.numbers, &site, &schedule, &now.unwrap_or_default(), audit.as_ref()),
        Err(why) => return failed(&shared, &asked, &why),
    };
    let frame =
        Page { template: "panel.html", title: "Panel", site: Some(&site), tab: "panel", again_s: AGAIN_S };
    show(&shared, &asked, frame, &page)
}

/// The panel schedule and CT directory, to print.
#[utoipa::path(get, path = "/sites/{site}/schedule", params(
    ("site" = String, Path,),
    ("paper" = Option<String>, Query, description = "a4 (the default) or letter"),
), responses(
    (status = 200, body = String, content_type = "text/html"),
    (status = 404, description = "no such site"),
))]
pub(in crate::web) async fn schedule(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    Path(id): Path<String>,
    Query(given): Query<Vec<(String, String)>>,
) -> Response {
    let Some(site) = shared.site(&id) else { return problem::no_such_site(&shared, &asked, &id) };
    let letter = given.iter().any(|(name, value)| name == "paper" && value == "letter");
    let paper = if letter { Paper::Letter } else { Paper::A4 };
    let made = scheduled(&shared, &site);
    let html = made.and_then(|schedule| sheet::html(&schedule, paper).map_err(|error| format!("{error:#}")));
    match html {
        Ok(html) => {
            let policy = policy_of(&html);
            let kind = HeaderValue::from_static("text/html; charset=utf-8");
            ([(header::CONTENT_TYPE, kind), (header::CONTENT_SECURITY_POLICY, policy)], html).into_response()
        }
        Err(why) => failed(&shared, &asked, &why),
    }
}

/// The sheet is a file of its own that can be kept, so its style is in it; this one style runs, and no other.
fn policy_of(html: &str) -> HeaderValue {
    let style = html.split_once("<style>").and_then(|(_, rest)| rest.split_once("</style>"));
    let hash = STANDARD.encode(digest(&SHA256, style.map_or("", |(style, _)| style).as_bytes()));
    let policy = format!(
        "default-src 'none'; style-src 'sha256-{hash}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    );
    HeaderValue::from_str(&policy).expect("a hash as base64 is plain text")
}

fn failed(shared: &Shared, asked: &Asked, why: &str) -> Response {
    tracing::error!("the schedule could not be made: {why}");
    let hint = "The log says why.";
    problem(shared, asked, StatusCode::INTERNAL_SERVER_ERROR, "The schedule could not be made.", hint)
}

fn scheduled(shared: &Shared, site: &Site) -> Result<Schedule, String> {
    let zone = Zone::new(&site.time_zone).map_err(|error| error.to_string())?;
    let now = shared.state.clock.now();
    Ok(sheet::schedule(site, &zone, now, &for_schedule(shared, site, now)))
}

fn body(
    numbers: Numbers,
    site: &Site,
    schedule: &Schedule,
    now: &Now,
    audit: Option<&Arc<AuditBody>>,
) -> PanelPage {
    let panels = schedule.panels.iter().map(|panel| {
        let flow = now.buses.get(&panel.id);
        let feed = schedule.cts.iter().filter(|ct| ct.circuit.is_empty() && ct.place == panel.name);
        Board {
            id: panel.id.clone(),
            name: panel.name.clone(),
            rating: panel.rating.clone(),
            fed_from: panel.fed_from.clone(),
            feed_w: flow.and_then(|flow| flow.feed_w),
            untracked_w: flow.and_then(|flow| flow.untracked_w),
            has_feed: flow.is_some(),
            feed: feed.map(|ct| FeedCt { channel: ct.channel.clone(), leg: ct.leg.clone() }).collect(),
            breakers: breakers(site, schedule, &panel.rows, now),
            unplaced: panel
                .unplaced
                .iter()
                .map(|position| breaker(site, schedule, position, "left", now))
                .collect(),
            doubts: doubts::open_of_panel(numbers, site, &panel.id, audit),
        }
    });
    let mut panels: Vec<Board> = panels.collect();
    for breaker in panels.iter_mut().flat_map(|board| board.breakers.iter_mut().chain(&mut board.unplaced)) {
        if let Some(circuit) = site.circuit(&breaker.circuit) {
            breaker.doubts = doubts::open(numbers, site, circuit, audit);
            let alerts = now.alerts.iter().filter(|alert| alert.circuit.as_deref() == Some(&circuit.id));
            breaker.doubts.extend(alerts.map(|alert| now::too_much(numbers, alert)));
        }
    }
    PanelPage {
        at: now.at.clone(),
        clock: now.at.get(11..19).unwrap_or_default().to_owned(),
        service: schedule.service.clone(),
        panels,
        free: schedule.free_inputs.clone(),
    }
}

/// The breakers row by row, left before right; a further pole belongs to the breaker above it.
fn breakers(site: &Site, schedule: &Schedule, rows: &[[Position; 2]], now: &Now) -> Vec<Breaker> {
    let mut breakers: Vec<Breaker> = Vec::new();
    for row in rows {
        for (position, side) in row.iter().zip(["left", "right"]) {
            let above = breakers.iter_mut().rev().find(|above| above.side == side);
            match above {
                Some(above) if position.kind == Kind::Pole && above.circuit == position.circuit => {
                    above.poles += 1;
                    above.spaces = format!("{}, {}", above.spaces, position.space);
                    if !above.leg.contains(&position.leg) {
                        above.leg = format!("{}, {}", above.leg, position.leg);
                    }
                }
                _ => breakers.push(breaker(site, schedule, position, side, now)),
            }
        }
    }
    breakers
}

fn breaker(site: &Site, schedule: &Schedule, position: &Position, side: &'static str, now: &Now) -> Breaker {
    let circuit = site.circuit(&position.circuit);
    let own = || schedule.cts.iter().filter(|ct| ct.circuit == position.circuit && !ct.circuit.is_empty());
    Breaker {
        spaces: if position.space == 0 { String::new() } else { position.space.to_string() },
        side,
        poles: 1,
        kind: position.kind,
        circuit: position.circuit.clone(),
        label: position.label.clone(),
        breaker: position.breaker.clone(),
        leg: position.leg.clone(),
        class: circuit.map_or("other", |circuit| super::uses::class(circuit.latest().end_use)),
        cts: own().map(|ct| ct.channel.clone()).collect(),
        w: now.circuits.get(&position.circuit).and_then(|circuit| circuit.w),
        proven: own().map(|ct| ct.proven.clone()).find(|proven| !proven.is_empty()).unwrap_or_default(),
        doubts: Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::schedule::Proofs;
    use crate::units::Stamp;

    fn boards() -> Vec<Board> {
        let map = include_str!("../../../config/sites/heron-lane.toml");
        let site = crate::site::parse("heron-lane.toml", map).site.expect("the map is good");
        let zone = Zone::new(&site.time_zone).expect("a zone");
        let schedule = sheet::schedule(&site, &zone, Stamp::from_seconds(1_790_000_000), &Proofs::new());
        body(Numbers::Point, &site, &schedule, &Now::default(), None).panels
    }

    #[test]
    fn every_space_is_there_once_on_its_side() {
        for board in boards() {
            let mut seen = Vec::new();
            for breaker in &board.breakers {
                for space in breaker.spaces.split(", ") {
                    let space: usize = space.parse().expect("a number");
                    assert_eq!(
                        breaker.side,
                        if space % 2 == 1 { "left" } else { "right" },
                        "{}",
                        breaker.spaces
                    );
                    seen.push(space);
                }
                assert_eq!(breaker.poles, breaker.spaces.split(", ").count(), "{breaker:?}");
            }
            seen.sort_unstable();
            let all: Vec<usize> = (1..=seen.len()).collect();
            assert_eq!(seen, all, "{}", board.name);
        }
    }

    #[test]
    fn a_breaker_of_two_poles_is_one() {
        let boards = boards();
        let main = &boards[0];
        let heater =
            main.breakers.iter().find(|breaker| breaker.circuit == "water-heater").expect("a heater");
        assert_eq!((heater.poles, heater.kind), (2, Kind::Circuit));
        assert!(!heater.cts.is_empty());
    }

    #[test]
    fn only_the_style_of_the_sheet_runs() {
        let policy = policy_of("<style>a{}</style><style>b{}</style>");
        // printf 'a{}' | openssl dgst -sha256 -binary | base64
        let expected = "style-src 'sha256-X1RutGBrXCt9KkSaXMK7tHftWiRscFHOhxsS8tv8hBk='";
        assert!(policy.to_str().is_ok_and(|policy| policy.contains(expected)), "{policy:?}");
    }
}
