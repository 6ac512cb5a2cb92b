//! What a site's device consists of: its description, and the topic of each value.

use std::ops::Range;

use homie5::device_description::{
    DeviceDescriptionBuilder, FloatRange, HomieDeviceDescription, HomieNodeDescription,
    HomiePropertyDescription, NodeDescriptionBuilder, PropertyDescriptionBuilder,
};
use homie5::{Homie5DeviceProtocol, HomieID};

use super::message;
use crate::publish::figures::{self, EvPart, Node, Property, STATES, What};
use crate::publish::output::Message;
use crate::site::{Leg, MOST_A, Site};
use crate::surplus::{Mode, Reason};
use crate::units::Stamp;

/// The digest that makes a version keeps to what every JSON reader holds exactly: 53 bits, the
/// integers of IEEE 754's double (RFC 8259, 6).
const VERSION_BITS: i64 = (1 << 53) - 1;

/// A device's description and topics in one epoch of its map.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub(super) epoch: Range<Stamp>,
    pub(super) values: Vec<(String, What)>,
    pub(super) description: HomieDeviceDescription,
}

impl Layout {
    pub(super) fn new(protocol: &Homie5DeviceProtocol, site: &Site, at: Stamp, commands: bool) -> Self {
        let mut values = Vec::new();
        let mut description = DeviceDescriptionBuilder::new()
            .name(site.name.as_str())
            .r#type("panelwright-site")
            .root(protocol.root_id().clone());
        for node in figures::nodes(site, at) {
            // Ids are made of the map's, which have the same alphabet, and of our own.
            let Ok(id) = HomieID::try_from(node.id.clone()) else { continue };
            let described = describe_node(&node, commands);
            for property in &node.properties {
                let topic = protocol.publish_value(&id, &HomieID::new_const(property.id), "", true).topic;
                values.push((topic, property.what));
            }
            description = description.add_node(id, described);
        }
        let description = versioned(description.build());
        Self { epoch: site.epoch(at).span.clone(), values, description }
    }

    pub(super) fn message(&self, protocol: &Homie5DeviceProtocol) -> Option<Message> {
        protocol.publish_description(&self.description).ok().map(message)
    }
}

/// The version is a digest of the description, so that it is the same for the same description,
/// whenever and wherever it is made, and another one for any other.
pub(super) fn versioned(mut description: HomieDeviceDescription) -> HomieDeviceDescription {
    description.version &= VERSION_BITS;
    description
}

fn describe_node(node: &Node, commands: bool) -> HomieNodeDescription {
    let kind = format!("panelwright-{}", node.of.kind());
    let described = NodeDescriptionBuilder::new().name(node.name.as_str()).r#type(kind);
    let properties = node.properties.iter();
    properties
        .fold(described, |node, property| {
            let settable = commands && matches!(property.what, What::Ev(_, part) if part.is_settable());
            node.add_property(HomieID::new_const(property.id), describe(property, settable))
        })
        .build()
}

fn describe(property: &Property, settable: bool) -> HomiePropertyDescription {
    let (name, unit) = (property.name, property.what.unit());
    let float = || PropertyDescriptionBuilder::float().name(name).unit::<&str>(unit);
    match property.what {
        What::State => choice(name, STATES, false),
        What::Ev(_, EvPart::Mode) => choice(name, Mode::ALL.map(Mode::as_str), settable),
        What::Ev(_, EvPart::Reason) => choice(name, Reason::ALL.iter().map(|reason| reason.as_str()), false),
        What::Ev(_, EvPart::MayCharge) => PropertyDescriptionBuilder::boolean().name(name).build(),
        What::Ev(_, EvPart::Why) => PropertyDescriptionBuilder::string().name(name).build(),
        What::Ev(_, EvPart::Target) => {
            PropertyDescriptionBuilder::json().name(name).settable(settable).build()
        }
        What::Ev(_, EvPart::Cap) => {
            let range = FloatRange { min: Some(0.0), max: Some(MOST_A), step: None };
            float().settable(settable).range(range).build()
        }
        What::Unknown | What::Alerts => {
            PropertyDescriptionBuilder::integer().name(name).unit::<&str>(unit).build()
        }
        _ => float().build(),
    }
}

/// One of some words. Ours are never empty, never twice and without a comma.
fn choice<'a>(
    name: &str,
    words: impl IntoIterator<Item = &'a str>,
    settable: bool,
) -> HomiePropertyDescription {
    match PropertyDescriptionBuilder::enumeration(words) {
        Ok(built) => built.name(name).settable(settable).build(),
        Err(_) => PropertyDescriptionBuilder::string().name(name).build(),
    }
}

/// The tables of nodes and properties for the reference of topics (Markdown).
pub fn reference() -> String {
    let mut text =
        String::from("| node | property | datatype | unit | name |\n| --- | --- | --- | --- | --- |\n");
    let totals = |table: &'static [(&str, &str, crate::site::FigureKey)], what: fn(_) -> What| {
        table.iter().map(move |(id, name, key)| Property { id, name, what: what(*key) })
    };
    let site: Vec<_> = totals(&figures::POWERS, What::Power)
        .chain(totals(&figures::LEGS, What::Power))
        .chain(totals(&figures::TODAY, What::Today))
        .chain([figures::COVERAGE])
        .chain([Leg::A, Leg::B, Leg::C].map(figures::room))
        .collect();
    let groups = [
        ("site", site),
        ("circuit-<id>", figures::circuit(0, false)),
        ("bus-<id>", figures::bus(0)),
        ("ev-<id>", figures::ev(0)),
        ("health", figures::health()),
    ];
    for (node, properties) in groups {
        for Property { id, name, what } in properties {
            let unit = what.unit().map(|unit| format!("`{unit}`")).unwrap_or_default();
            let set = if matches!(what, What::Ev(_, part) if part.is_settable()) { ", settable" } else { "" };
            let datatype = what.datatype();
            text.push_str(&format!("| `{node}` | `{id}` | {datatype}{set} | {unit} | {name} |\n"));
        }
    }
    text
}
