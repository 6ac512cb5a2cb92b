//! The JSON body of a site's live figures: the same bytes in the topic, the API and the live stream.

use std::cell::RefCell;

use serde::ser::SerializeMap;
use serde::{Serialize, Serializer};

use super::guidance;
use crate::calendar::Zone;
use crate::flow::Flows;
use crate::site::{FigureKey, Leg, Site};
use crate::surplus::Guidance;
use crate::units::{Span, Stamp};

/// The figures of a site are published at least this often, changed or not.
pub const MAX_INTERVAL: Span = Span::from_seconds(60);

/// After this many seconds without a newer body its figures must not be used any more: three
/// bodies would have come by then.
pub const STALE_AFTER_S: i64 = 180;

/// The live figures of a site as JSON. What is not known is `null`, never 0; powers are in W,
/// rounded to 0.1 W.
///
/// Circuits without a CT have no figure and are not in it. `surplus_w` is 0 where it is below;
/// every other figure keeps its sign.
pub fn now_body(site: &Site, flows: &Flows, guidance: &Guidance) -> String {
    let watts = |key| rounded(flows.watts(key).map(|watts| watts.0));
    let body = Body {
        site: &site.id,
        at: local(site, flows.at),
        stale_after_s: STALE_AFTER_S,
        grid_w: watts(FigureKey::Grid),
        generation_w: watts(FigureKey::Generation),
        consumption_w: watts(FigureKey::Consumption),
        tracked_w: watts(FigureKey::Tracked),
        untracked_w: watts(FigureKey::Untracked),
        surplus_w: watts(FigureKey::Surplus).map(|w| w.max(0.0)),
        self_consumed_w: watts(FigureKey::SelfConsumed),
        storage_w: watts(FigureKey::Storage),
        legs: Entries(legs(flows)),
        circuits: Entries(circuits(site, flows)),
        buses: Entries(buses(site, flows)),
        ev: Entries(guidance::evs(site, guidance)),
        headroom: Entries(guidance::headroom(guidance)),
        alerts: guidance::alerts(site, guidance),
        unknown: unknown(site, flows),
    };
    // Maps with text keys, finite numbers and text: there is nothing in it that JSON cannot hold.
    let mut json = Vec::with_capacity(ROOM);
    serde_json::to_writer(&mut json, &body).expect("the live figures are always JSON");
    String::from_utf8(json).expect("JSON is text")
}

/// Bytes that the body of a house of twenty circuits takes, and some more: to grow it in steps would
/// copy it several times over, a thousand times a second with a thousand sites.
const ROOM: usize = 2048;

#[derive(Serialize)]
struct Body<'a> {
    site: &'a str,
    at: String,
    stale_after_s: i64,
    grid_w: Option<f64>,
    generation_w: Option<f64>,
    consumption_w: Option<f64>,
    tracked_w: Option<f64>,
    untracked_w: Option<f64>,
    surplus_w: Option<f64>,
    self_consumed_w: Option<f64>,
    storage_w: Option<f64>,
    legs: Entries<&'static str, Option<f64>>,
    circuits: Entries<&'a str, CircuitNow>,
    buses: Entries<&'a str, BusNow>,
    ev: Entries<&'a str, guidance::EvNow>,
    headroom: Entries<&'static str, guidance::Room>,
    alerts: Vec<guidance::AlertNow<'a>>,
    unknown: Vec<&'a str>,
}

#[derive(Serialize)]
struct CircuitNow {
    w: Option<f64>,
    /// Only where it is so: a current times a nominal voltage, not an active power.
    #[serde(skip_serializing_if = "is_false")]
    apparent: bool,
}

#[derive(Serialize)]
struct BusNow {
    feed_w: Option<f64>,
    untracked_w: Option<f64>,
}

/// A JSON object whose members keep the order of the map of the site.
struct Entries<K, V>(Vec<(K, V)>);

impl<K: Serialize, V: Serialize> Serialize for Entries<K, V> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_map(Some(self.0.len()))?;
        for (key, value) in &self.0 {
            object.serialize_entry(key, value)?;
        }
        object.end()
    }
}

fn is_false(value: &bool) -> bool {
    !value
}

fn legs(flows: &Flows) -> Vec<(&'static str, Option<f64>)> {
    let mut legs = Vec::new();
    for (key, watts) in &flows.figures {
        if let FigureKey::MainsLeg(leg) = key {
            legs.push((leg_name(*leg), rounded(watts.map(|watts| watts.0))));
        }
    }
    legs
}

fn circuits<'a>(site: &'a Site, flows: &Flows) -> Vec<(&'a str, CircuitNow)> {
    let mut circuits = Vec::with_capacity(site.circuits.len());
    let some_apparent = site.devices.iter().any(|device| device.unit.is_apparent());
    for (key, watts) in &flows.figures {
        let FigureKey::Circuit(index) = key else { continue };
        let Some(circuit) = site.circuits.get(*index) else { continue };
        let apparent = some_apparent
            && circuit.entry(flows.at).is_some_and(|entry| {
                entry.terms.iter().any(|term| {
                    let channel = site.channels.get(term.series.0 as usize);
                    channel.is_some_and(|channel| site.devices[channel.device].unit.is_apparent())
                })
            });
        circuits.push((&*circuit.id, CircuitNow { w: rounded(watts.map(|watts| watts.0)), apparent }));
    }
    circuits
}

/// Buses of which the plan defines the feed or what is untracked, in the order of the map.
fn buses<'a>(site: &'a Site, flows: &Flows) -> Vec<(&'a str, BusNow)> {
    let mut found: Vec<Option<BusNow>> = site.buses.iter().map(|_| None).collect();
    for (key, watts) in &flows.figures {
        let value = rounded(watts.map(|watts| watts.0));
        let (FigureKey::BusFeed(index) | FigureKey::BusUntracked(index)) = key else { continue };
        let Some(slot) = found.get_mut(*index) else { continue };
        let bus = slot.get_or_insert(BusNow { feed_w: None, untracked_w: None });
        match key {
            FigureKey::BusFeed(_) => bus.feed_w = value,
            _ => bus.untracked_w = value,
        }
    }
    let named = site.buses.iter().zip(found);
    named.filter_map(|(bus, now)| Some((&*bus.id, now?))).collect()
}

fn unknown<'a>(site: &'a Site, flows: &Flows) -> Vec<&'a str> {
    let names = flows.unknown.iter().filter_map(|index| site.channels.get(index.0 as usize));
    names.map(|channel| &*channel.name).collect()
}

/// The name of a leg as the trade writes it.
pub(super) fn leg_name(leg: Leg) -> &'static str {
    match leg {
        Leg::A => "A",
        Leg::B => "B",
        Leg::C => "C",
    }
}

/// To 0.1 W. Minus nothing is nothing; what is no number is not known.
pub(super) fn rounded(watts: Option<f64>) -> Option<f64> {
    let tenths = (watts? * 10.0).round();
    tenths.is_finite().then_some(tenths / 10.0 + 0.0)
}

/// RFC 3339 with the offset that the site's zone has at that moment; UTC where the zone is not
/// known, which a validated map rules out.
pub(super) fn local(site: &Site, at: Stamp) -> String {
    /// Zones that are looked up once a thread; beyond it they are looked up each time.
    const KNOWN: usize = 64;
    thread_local! {
        static ZONES: RefCell<Vec<Zone>> = const { RefCell::new(Vec::new()) };
    }
    ZONES.with_borrow_mut(|zones| {
        if let Some(zone) = zones.iter().find(|zone| zone.name() == site.time_zone) {
            return zone.rfc3339(at);
        }
        let zone = Zone::new(&site.time_zone).unwrap_or_else(|_| Zone::utc());
        let text = zone.rfc3339(at);
        if zones.len() < KNOWN {
            zones.push(zone);
        }
        text
    })
}
