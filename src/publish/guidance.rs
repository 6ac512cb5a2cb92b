//! What is advised for chargers and breakers, as JSON: in the live body, and as a topic of its own.

use serde::Serialize;

use super::now::{local, rounded};
use crate::site::Site;
use crate::surplus::{Alert, Guidance, Subject};

/// A charger's advice. It is advice, not protection.
#[derive(Serialize)]
pub(super) struct EvNow {
    mode: &'static str,
    cap_a: Option<f64>,
    target: Option<TargetNow>,
    available_a: f64,
    may_charge: bool,
    reason: &'static str,
    why: String,
    since: String,
    surplus_w: Option<f64>,
    limit_a: Option<f64>,
}

#[derive(Serialize)]
struct TargetNow {
    kwh: f64,
    by: String,
}

/// The room on one leg of the service.
#[derive(Serialize)]
pub(super) struct Room {
    highest_a: Option<f64>,
    room_a: Option<f64>,
}

/// An alert in the shape that all findings have.
#[derive(Serialize)]
pub(super) struct AlertNow<'a> {
    id: &'a str,
    kind: &'static str,
    severity: &'static str,
    what: &'a str,
    #[serde(rename = "where")]
    place: &'a str,
    since: String,
    #[serde(rename = "do")]
    advice: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    circuit: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    leg: Option<&'static str>,
    worst_a: Option<f64>,
    limit_a: Option<f64>,
}

/// Each charger by the id of its circuit.
pub(super) fn evs<'a>(site: &'a Site, guidance: &Guidance) -> Vec<(&'a str, EvNow)> {
    let named =
        guidance.advice.iter().filter_map(|advice| Some((site.circuits.get(advice.circuit)?, advice)));
    let now = named.map(|(circuit, advice)| {
        let settings = &advice.settings;
        let now = EvNow {
            mode: settings.mode.as_str(),
            cap_a: rounded(settings.cap_a),
            target: settings.target.map(|target| TargetNow { kwh: target.kwh, by: local(site, target.by) }),
            // An advice is finite and a multiple of its step; rounding takes off the last bits of it.
            available_a: rounded(Some(advice.current_a)).unwrap_or(0.0),
            may_charge: advice.may_charge(),
            reason: advice.reason.as_str(),
            why: advice.why.clone(),
            since: local(site, advice.since),
            surplus_w: rounded(advice.surplus_w),
            limit_a: rounded(advice.limit_a),
        };
        (&*circuit.id, now)
    });
    now.collect()
}

/// The room on each leg.
pub(super) fn headroom(guidance: &Guidance) -> Vec<(&'static str, Room)> {
    let room = guidance.legs.iter().map(|leg| {
        (leg.leg.as_str(), Room { highest_a: rounded(leg.highest_a), room_a: rounded(leg.room_a) })
    });
    room.collect()
}

/// Every alert.
pub(super) fn alerts<'a>(site: &'a Site, guidance: &'a Guidance) -> Vec<AlertNow<'a>> {
    guidance.alerts.iter().map(|alert| alert_now(site, alert)).collect()
}

fn alert_now<'a>(site: &'a Site, alert: &'a Alert) -> AlertNow<'a> {
    let (circuit, leg) = match alert.subject {
        Subject::Circuit(index) => (site.circuits.get(index).map(|circuit| &*circuit.id), None),
        Subject::Leg(leg) => (None, Some(leg.as_str())),
        Subject::Service => (None, None),
    };
    AlertNow {
        id: &alert.id,
        kind: alert.kind.as_str(),
        severity: alert.severity.as_str(),
        what: &alert.what,
        place: &alert.place,
        since: local(site, alert.since),
        advice: &alert.advice,
        circuit,
        leg,
        worst_a: rounded(Some(alert.worst_a)),
        limit_a: rounded(Some(alert.limit_a)),
    }
}

/// A site's alerts as the body of their topic: `{"site": …, "alerts": […]}`.
pub fn alerts_body(site: &Site, guidance: &Guidance) -> String {
    #[derive(Serialize)]
    struct Body<'a> {
        site: &'a str,
        alerts: Vec<AlertNow<'a>>,
    }
    let body = Body { site: &site.id, alerts: alerts(site, guidance) };
    // Text and finite numbers: there is nothing in it that JSON cannot hold.
    serde_json::to_string(&body).expect("alerts are always JSON")
}
