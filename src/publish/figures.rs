//! What is published value by value: the nodes of a site and their properties, as its map has them.
//!
//! A hub that wants one value a topic gets these, whatever the convention of the topics: the Homie
//! device and the user's own announcements are both laid out by [`nodes`].

use super::now::local;
use crate::flow::Flows;
use crate::history::Summary;
use crate::site::{Circuit, EndUse, FigureKey, Leg, Role, Site};
use crate::surplus::Guidance;
use crate::units::{Span, Stamp};

/// A group of values: the site as a whole, a circuit, a bus.
#[derive(Clone, Debug, PartialEq)]
pub struct Node {
    /// Unique in the site; `a-z`, `0-9` and `-`. Circuits and buses have a prefix each, so that
    /// whatever people call them cannot be taken for another node.
    pub id: String,
    /// What people call it.
    pub name: String,
    /// What it is of.
    pub of: Of,
    /// Its values, in a fixed order.
    pub properties: Vec<Property>,
}

/// What a node is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Of {
    /// The site's totals.
    Site,
    /// A circuit (index into [`Site::circuits`]).
    Circuit(usize),
    /// A bus (index into [`Site::buses`]).
    Bus(usize),
    /// A charger (index into [`crate::site::Loading::evs`]), by its circuit.
    Ev(usize),
    /// How far the figures can be trusted now, and what is too much.
    Health,
}

impl Of {
    /// The kind of node in one word, for `$description` and templates.
    pub const fn kind(self) -> &'static str {
        match self {
            Self::Site => "site",
            Self::Circuit(_) => "circuit",
            Self::Bus(_) => "bus",
            Self::Ev(_) => "ev",
            Self::Health => "health",
        }
    }
}

/// One value.
#[derive(Clone, Debug, PartialEq)]
pub struct Property {
    /// Unique in its node.
    pub id: &'static str,
    /// What people call it.
    pub name: &'static str,
    /// Where the value comes from.
    pub what: What,
}

/// Where a value comes from, which also says its unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// Live power of a figure, W.
    Power(FigureKey),
    /// Energy of a figure since local midnight, kWh.
    Today(FigureKey),
    /// The share of the local day so far in which all totals are known, in percent.
    Coverage,
    /// What a leg of the service still has room for, in A.
    Room(Leg),
    /// Of a charger (index into [`crate::site::Loading::evs`]), one thing.
    Ev(usize, EvPart),
    /// `good`, or `attention` while there is an alert.
    State,
    /// How many alerts there are.
    Alerts,
    /// How many channels have no fresh value.
    Unknown,
}

/// What there is to say of a charger. Advice, not protection.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EvPart {
    /// The current that it may offer the car, in A.
    Available,
    /// Whether it may charge at all.
    MayCharge,
    /// Why, as one of [`crate::surplus::Reason::ALL`].
    Reason,
    /// Why, in one line.
    Why,
    /// The most that breaker, branch, legs, cap and map leave it, in A.
    Limit,
    /// The surplus that is there for it, in W, smoothed.
    Surplus,
    /// How it is led: one of [`crate::surplus::Mode::ALL`]. Can be set.
    Mode,
    /// The most that it may be advised, in A. Can be set.
    Cap,
    /// An energy that is to be in the car by a time, or `{}`. Can be set.
    Target,
}

impl EvPart {
    /// Whether a command can set it.
    pub const fn is_settable(self) -> bool {
        matches!(self, Self::Mode | Self::Cap | Self::Target)
    }
}

/// The states of [`What::State`].
pub const STATES: [&str; 2] = ["good", "attention"];

impl What {
    /// The unit as the Homie convention writes it.
    pub const fn unit(self) -> Option<&'static str> {
        match self {
            Self::Power(_) => Some(homie5::HOMIE_UNIT_WATT),
            Self::Today(_) => Some(homie5::HOMIE_UNIT_KILOWATTHOUR),
            Self::Coverage => Some(homie5::HOMIE_UNIT_PERCENT),
            Self::Room(_) | Self::Ev(_, EvPart::Available | EvPart::Limit | EvPart::Cap) => {
                Some(homie5::HOMIE_UNIT_AMPERE)
            }
            Self::Ev(_, EvPart::Surplus) => Some(homie5::HOMIE_UNIT_WATT),
            Self::Unknown | Self::Alerts => Some(homie5::HOMIE_UNIT_COUNT_AMOUNT),
            Self::State | Self::Ev(..) => None,
        }
    }

    /// The datatype as the Homie convention writes it.
    pub const fn datatype(self) -> &'static str {
        match self {
            Self::Power(_) | Self::Today(_) | Self::Coverage | Self::Room(_) => "float",
            Self::Unknown | Self::Alerts => "integer",
            Self::State => "enum",
            Self::Ev(_, part) => match part {
                EvPart::Available | EvPart::Limit | EvPart::Surplus | EvPart::Cap => "float",
                EvPart::MayCharge => "boolean",
                EvPart::Reason | EvPart::Mode => "enum",
                EvPart::Why => "string",
                EvPart::Target => "json",
            },
        }
    }

    /// Where the JSON body of the live figures has it (RFC 6901), if it does.
    pub fn json_pointer(self, site: &Site) -> Option<String> {
        let key = match self {
            Self::Power(key) => key,
            Self::Room(leg) => return Some(format!("/headroom/{leg}/room_a")),
            Self::Ev(index, part) => {
                let circuit = &site.circuits.get(site.loading.evs.get(index)?.circuit)?.id;
                let member = match part {
                    EvPart::Available => "available_a",
                    EvPart::MayCharge => "may_charge",
                    EvPart::Reason => "reason",
                    EvPart::Why => "why",
                    EvPart::Limit => "limit_a",
                    EvPart::Surplus => "surplus_w",
                    EvPart::Mode => "mode",
                    EvPart::Cap => "cap_a",
                    EvPart::Target => "target",
                };
                return Some(format!("/ev/{circuit}/{member}"));
            }
            _ => return None,
        };
        // Ids are of an alphabet in which RFC 6901 escapes nothing.
        Some(match key {
            FigureKey::Circuit(index) => format!("/circuits/{}/w", site.circuits.get(index)?.id),
            FigureKey::BusFeed(index) => format!("/buses/{}/feed_w", site.buses.get(index)?.id),
            FigureKey::BusUntracked(index) => format!("/buses/{}/untracked_w", site.buses.get(index)?.id),
            FigureKey::MainsLeg(leg) => format!("/legs/{leg}"),
            _ => {
                let (id, _, _) = POWERS.iter().find(|(_, _, other)| *other == key)?;
                format!("/{}_w", id.replace('-', "_"))
            }
        })
    }

    /// The figure that it is of, if it is one.
    pub const fn figure(self) -> Option<FigureKey> {
        match self {
            Self::Power(key) | Self::Today(key) => Some(key),
            _ => None,
        }
    }
}

/// The energies of the local day so far.
#[derive(Clone, Debug, PartialEq)]
pub struct Today {
    /// The whole local day, as far as it is known.
    pub summary: Summary,
    /// When that was looked up.
    pub at: Stamp,
}

impl Today {
    /// Of the part of the day that had gone by, how much is known, in percent. The day's last
    /// minute is still under way, which counts for nothing.
    fn coverage(&self) -> f64 {
        let gone = (self.at.floor(Span::MINUTE) - self.summary.interval.start).as_seconds();
        let covered = self.summary.totals.as_seconds();
        if gone <= 0.0 { 100.0 } else { (covered / gone * 100.0).clamp(0.0, 100.0) }
    }
}

/// What is known of a site at one moment.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known<'a> {
    pub(super) site: &'a Site,
    pub(super) guidance: &'a Guidance,
    pub(super) flows: &'a Flows,
    pub(super) today: Option<&'a Today>,
    /// How many alerts there are.
    pub(super) alerts: usize,
}

/// A value, ready to be written; it is never a number that a payload cannot hold.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Value {
    /// To so many decimals.
    Number(f64, usize),
    Word(&'static str),
    Text(String),
}

impl Value {
    /// The value if it is a finite number, rounded so that what is equal is written equally.
    fn number(value: Option<f64>, decimals: usize) -> Option<Self> {
        let scale = 10_f64.powi(decimals as i32);
        // Minus nothing is nothing.
        let rounded = (value? * scale).round() / scale + 0.0;
        rounded.is_finite().then_some(Self::Number(rounded, decimals))
    }

    /// As a payload: a decimal point, no exponent, no padding.
    pub(super) fn text(&self) -> String {
        match self {
            Self::Number(number, _) => number.to_string(),
            Self::Word(word) => (*word).to_owned(),
            Self::Text(text) => text.clone(),
        }
    }
}

/// The value now; `None` is not known.
pub(super) fn value(what: What, known: Known<'_>) -> Option<Value> {
    match what {
        What::Power(key) => {
            let watts = known.flows.watts(key).map(|watts| watts.0);
            let shown = if key == FigureKey::Surplus { watts.map(|w| w.max(0.0)) } else { watts };
            Value::number(shown, 1)
        }
        What::Today(key) => Value::number(known.today.and_then(|today| today.summary.kwh(key)), 3),
        What::Coverage => Value::number(known.today.map(Today::coverage), 1),
        What::Room(leg) => {
            let room = known.guidance.legs.iter().find(|room| room.leg == leg);
            Value::number(room.and_then(|room| room.room_a), 1)
        }
        What::Ev(index, part) => ev_value(known, index, part),
        What::State => Some(Value::Word(STATES[usize::from(known.alerts > 0)])),
        What::Alerts => Value::number(Some(known.alerts as f64), 0),
        What::Unknown => Value::number(Some(known.flows.unknown.len() as f64), 0),
    }
}

fn ev_value(known: Known<'_>, index: usize, part: EvPart) -> Option<Value> {
    let ev = known.site.loading.evs.get(index)?;
    let advice = known.guidance.advice.iter().find(|advice| advice.circuit == ev.circuit)?;
    match part {
        EvPart::Available => Value::number(Some(advice.current_a), 1),
        EvPart::MayCharge => Some(Value::Word(if advice.may_charge() { "true" } else { "false" })),
        EvPart::Reason => Some(Value::Word(advice.reason.as_str())),
        EvPart::Why => Some(Value::Text(advice.why.clone())),
        EvPart::Limit => Value::number(advice.limit_a, 1),
        EvPart::Surplus => Value::number(advice.surplus_w, 1),
        EvPart::Mode => Some(Value::Word(advice.settings.mode.as_str())),
        // Without a cap the charger's own maximum is the most that it may be advised.
        EvPart::Cap => Value::number(Some(advice.settings.cap_a.unwrap_or(ev.maximum_a)), 1),
        EvPart::Target => Some(Value::Text(match advice.settings.target {
            Some(target) => {
                let by = local(known.site, target.by);
                serde_json::json!({ "kwh": target.kwh, "by": by }).to_string()
            }
            None => "{}".into(),
        })),
    }
}

/// The totals: id, name, figure. Their live powers.
pub(super) const POWERS: [(&str, &str, FigureKey); 8] = [
    ("grid", "From the grid, negative while exporting", FigureKey::Grid),
    ("generation", "Generation", FigureKey::Generation),
    ("consumption", "Consumption", FigureKey::Consumption),
    ("tracked", "Tracked by circuits", FigureKey::Tracked),
    ("untracked", "Untracked", FigureKey::Untracked),
    ("surplus", "Surplus", FigureKey::Surplus),
    ("self-consumed", "Generation used on the site", FigureKey::SelfConsumed),
    ("storage", "Into storage, negative while it gives", FigureKey::Storage),
];

/// The legs of the mains.
pub(super) const LEGS: [(&str, &str, FigureKey); 3] = [
    ("leg-a", "Mains leg A", FigureKey::MainsLeg(Leg::A)),
    ("leg-b", "Mains leg B", FigureKey::MainsLeg(Leg::B)),
    ("leg-c", "Mains leg C", FigureKey::MainsLeg(Leg::C)),
];

/// The totals' energies of today.
pub(super) const TODAY: [(&str, &str, FigureKey); 8] = [
    ("import-today", "Imported today", FigureKey::Import),
    ("export-today", "Exported today", FigureKey::Export),
    ("generation-today", "Generated today", FigureKey::Generation),
    ("consumption-today", "Consumed today", FigureKey::Consumption),
    ("tracked-today", "Tracked today", FigureKey::Tracked),
    ("untracked-today", "Untracked today", FigureKey::Untracked),
    ("self-consumed-today", "Generation used on the site today", FigureKey::SelfConsumed),
    ("storage-today", "Into storage today, less what it gave", FigureKey::Storage),
];

/// How complete the day is.
pub(super) const COVERAGE: Property =
    Property { id: "coverage-today", name: "Known part of today", what: What::Coverage };

/// Every node of the site, as its map is at `at`: only figures that the map defines then.
pub fn nodes(site: &Site, at: Stamp) -> Vec<Node> {
    let figures = &site.epoch(at).plan.figures;
    let defined = |key: FigureKey| figures.iter().any(|figure| figure.key == key);
    let rows = |table: &'static [(&str, &str, FigureKey)], what: fn(FigureKey) -> What| {
        let defined = table.iter().filter(|(_, _, key)| defined(*key));
        defined.map(move |(id, name, key)| Property { id, name, what: what(*key) }).collect::<Vec<_>>()
    };
    let mut totals = rows(&POWERS, What::Power);
    totals.extend(rows(&LEGS, What::Power));
    totals.extend(rows(&TODAY, What::Today));
    totals.push(COVERAGE);
    if !site.loading.evs.is_empty() && site.service.main_breaker_a.is_some() {
        let known = site.service.system.legs().iter().filter(|leg| defined(FigureKey::MainsLeg(**leg)));
        totals.extend(known.map(|leg| room(*leg)));
    }
    let mut nodes = vec![node("site".into(), &site.name, Of::Site, totals)];
    for (index, circuit) in site.circuits.iter().enumerate() {
        if defined(FigureKey::Circuit(index)) {
            nodes.push(circuit_node(site, index, circuit, at));
        }
    }
    for (index, bus) in site.buses.iter().enumerate() {
        let mut properties = self::bus(index);
        properties.retain(|property| property.what.figure().is_some_and(defined));
        if !properties.is_empty() {
            nodes.push(node(format!("bus-{}", bus.id), &bus.name, Of::Bus(index), properties));
        }
    }
    for (index, charger) in site.loading.evs.iter().enumerate() {
        let Some(circuit) = site.circuits.get(charger.circuit) else { continue };
        let label = &circuit.entry(at).unwrap_or(circuit.latest()).label;
        nodes.push(node(format!("ev-{}", circuit.id), label, Of::Ev(index), ev(index)));
    }
    nodes.push(node("health".into(), "Health", Of::Health, health()));
    nodes
}

pub(super) fn health() -> Vec<Property> {
    vec![
        Property { id: "state", name: "State", what: What::State },
        Property { id: "alerts", name: "Alerts", what: What::Alerts },
        Property { id: "unknown", name: "Channels without a fresh value", what: What::Unknown },
    ]
}

/// The room on a leg of the service.
pub(super) fn room(leg: Leg) -> Property {
    let (id, name) = match leg {
        Leg::A => ("headroom-a", "Room on leg A"),
        Leg::B => ("headroom-b", "Room on leg B"),
        Leg::C => ("headroom-c", "Room on leg C"),
    };
    Property { id, name, what: What::Room(leg) }
}

/// The values of a charger.
pub(super) fn ev(index: usize) -> Vec<Property> {
    let parts = [
        ("available-current", "Current that may be offered", EvPart::Available),
        ("may-charge", "May charge", EvPart::MayCharge),
        ("reason", "Reason", EvPart::Reason),
        ("why", "Why", EvPart::Why),
        ("limit", "Most that breakers and cap leave", EvPart::Limit),
        ("surplus", "Surplus for charging", EvPart::Surplus),
        ("mode", "Mode", EvPart::Mode),
        ("cap", "Cap on the current", EvPart::Cap),
        ("target", "Energy by a time", EvPart::Target),
    ];
    parts.map(|(id, name, part)| Property { id, name, what: What::Ev(index, part) }).into()
}

/// The values of a circuit.
pub(super) fn circuit(index: usize, apparent: bool) -> Vec<Property> {
    let key = FigureKey::Circuit(index);
    let power = if apparent { "Apparent power, at nominal voltage" } else { "Power" };
    vec![
        Property { id: "power", name: power, what: What::Power(key) },
        Property { id: "energy-today", name: "Energy today", what: What::Today(key) },
    ]
}

/// The values of a bus.
pub(super) fn bus(index: usize) -> Vec<Property> {
    let (feed, untracked) = (FigureKey::BusFeed(index), FigureKey::BusUntracked(index));
    vec![
        Property { id: "feed", name: "Feed", what: What::Power(feed) },
        Property { id: "untracked", name: "Untracked", what: What::Power(untracked) },
        Property { id: "feed-today", name: "Feed today", what: What::Today(feed) },
        Property { id: "untracked-today", name: "Untracked today", what: What::Today(untracked) },
    ]
}

fn node(id: String, name: &str, of: Of, properties: Vec<Property>) -> Node {
    Node { id, name: name.to_owned(), of, properties }
}

fn circuit_node(site: &Site, index: usize, circuit: &Circuit, at: Stamp) -> Node {
    let entry = circuit.entry(at).unwrap_or(circuit.latest());
    let apparent = entry.terms.iter().any(|term| {
        let channel = site.channels.get(term.series.0 as usize);
        channel.is_some_and(|channel| site.devices[channel.device].unit.is_apparent())
    });
    let properties = self::circuit(index, apparent);
    node(format!("circuit-{}", circuit.id), &entry.label, Of::Circuit(index), properties)
}

/// What the energy of a circuit is for, in a word: its end use, or that it feeds a bus.
pub(super) fn purpose(circuit: &Circuit, at: Stamp) -> &'static str {
    let entry = circuit.entry(at).unwrap_or(circuit.latest());
    match (entry.role, entry.end_use) {
        (Role::Feeder(_), EndUse::Other) => "feeder",
        (_, end_use) => end_use.as_str(),
    }
}
