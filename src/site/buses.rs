//! The tree of buses.
//!
//! The service point and the main panel are always there: the utility feeds the first, the first
//! feeds the second. Every other bus is fed by a circuit of the bus above it. The tree is one for
//! all dates: a panel that is fed from elsewhere one day is another bus with another feeder.

use super::circuits::{MAX_SPACE, amps};
use super::findings::{Findings, choice, nearest};
use super::model::{Bus, PanelForm};
use super::names::{self, shown};
use super::rules;
use super::shape::{BusShape, CircuitShape};
use super::text::At;

/// Where the utility's conductors end.
pub(super) const SERVICE: usize = 0;
/// The main panel.
pub(super) const MAIN: usize = 1;

/// Where a panel's main breaker can be.
const MAIN_AT: [&str; 2] = ["top", "bottom"];

/// A bus before its place in the tree is known.
struct Draft<'s> {
    bus: Bus,
    above: Option<String>,
    shape: Option<&'s BusShape>,
}

/// Reads the buses: the service point, the main panel, then the others, parents before children.
pub(super) fn read(shapes: &[BusShape], circuits: &[CircuitShape], findings: &mut Findings) -> Vec<Bus> {
    let mut drafts =
        vec![root("service", "Service point", None), root("main", "Main panel", Some("service"))];
    for shape in shapes {
        let Some(id) = names::id(&shape.id, "bus", findings) else { continue };
        let rating_a = amps(&shape.rating_a, "rating_a", findings);
        match drafts.iter_mut().find(|draft| draft.bus.id == id) {
            Some(known) if known.shape.is_some() => {
                let what = format!("the bus \"{id}\" is there twice");
                findings.add(&rules::DUPLICATE_ID, shape.line, what, "write another id, or one [[bus]]");
            }
            Some(root) => {
                root.bus.name = names::label(&shape.name, &root.bus.name, findings);
                root.bus.rating_a = rating_a;
                root.bus.panel = panel(shape, findings);
                root.shape = Some(shape);
                if let Some(fed_by) = &shape.fed_by {
                    let what = format!("`fed_by` on the bus \"{id}\"");
                    findings.add(&rules::ROOT_BUS_FED, fed_by.line, what, "leave it out");
                }
            }
            None => {
                let name = names::label(&shape.name, &id, findings);
                let panel = panel(shape, findings);
                let bus = Bus { id, name, parent: None, fed_by: None, rating_a, panel };
                drafts.push(Draft { bus, above: None, shape: Some(shape) });
            }
        }
    }
    for at in MAIN + 1..drafts.len() {
        let (before, rest) = drafts.split_at_mut(at);
        feeder(&mut rest[0], before, circuits, findings);
    }
    in_order(drafts, findings)
}

fn root(id: &str, name: &str, above: Option<&str>) -> Draft<'static> {
    let bus = Bus {
        id: id.to_owned(),
        name: name.to_owned(),
        parent: None,
        fed_by: None,
        rating_a: None,
        panel: PanelForm { line: 1, ..PanelForm::default() },
    };
    Draft { bus, above: above.map(str::to_owned), shape: None }
}

/// What the panel is like in front of whoever opens it.
fn panel(shape: &BusShape, findings: &mut Findings) -> PanelForm {
    let mut position = |At { value, line }: &At<i64>, key: &str| {
        let sound = (1..=MAX_SPACE).contains(value);
        if !sound {
            let what = format!("{key} with {value} on a [[bus]]");
            findings.add(&rules::BAD_SPACE, *line, what, "write numbers of breaker positions, 1 to 200");
        }
        sound.then_some(*value as u16)
    };
    let spaces = shape.spaces.as_ref().and_then(|count| position(count, "spaces"));
    let spares = shape.spares.iter().filter_map(|space| position(space, "spares")).collect();
    let main_at_bottom = shape.main_at.as_ref().is_some_and(|At { value, line }| {
        if !MAIN_AT.contains(&value.as_str()) {
            let what = format!("main_at = \"{}\" is not known", shown(value));
            findings.add(&rules::UNKNOWN_WORD, *line, what, choice("main_at", value, &MAIN_AT));
        }
        value == "bottom"
    });
    PanelForm { spaces, spares, main_at_bottom, line: shape.line }
}

/// Finds the circuit that feeds a bus, and thereby the bus above.
fn feeder(draft: &mut Draft<'_>, before: &[Draft<'_>], circuits: &[CircuitShape], findings: &mut Findings) {
    let Some(shape) = draft.shape else { return };
    let id = &draft.bus.id;
    let Some(At { value, line }) = &shape.fed_by else {
        let what = format!("no circuit feeds the bus \"{id}\"");
        findings.add(&rules::BUS_NOT_FED, shape.line, what, format!("write fed_by = \"{id}-feeder\""));
        return;
    };
    if let Some(other) = before.iter().find(|other| other.bus.fed_by.as_ref() == Some(value)) {
        let what = format!("the circuit \"{}\" feeds \"{}\" and \"{id}\"", shown(value), other.bus.id);
        let write = "write one bus with both panels' circuits, or a feeder for each";
        findings.add(&rules::CIRCUIT_FEEDS_TWO_BUSES, *line, what, write);
        return;
    }
    let id_of = |circuit: &CircuitShape| circuit.id.as_ref().map(|id| id.value.clone());
    let entries: Vec<_> = circuits.iter().filter(|c| id_of(c).as_ref() == Some(value)).collect();
    let Some(first) = entries.first() else {
        let what = format!("the bus \"{id}\" is fed by \"{}\", which is no circuit", shown(value));
        let near = nearest(value, circuits.iter().filter_map(|c| c.id.as_ref()).map(|id| id.value.as_str()));
        let write = match near {
            Some(near) => format!("write fed_by = \"{near}\""),
            None => format!("add a [[circuit]] with id = \"{}\"", names::slug(value)),
        };
        findings.add(&rules::UNKNOWN_CIRCUIT, *line, what, write);
        return;
    };
    if let Some(moved) = entries.iter().find(|entry| entry.bus_id() != first.bus_id()) {
        let what =
            format!("the feeder \"{value}\" sits on \"{}\" and on \"{}\"", first.bus_id(), moved.bus_id());
        let write = "write a feeder and a bus of another id for the time after";
        findings.add(&rules::FEEDER_MOVED, moved.line, what, write);
    }
    draft.bus.fed_by = Some(value.clone());
    draft.above = Some(first.bus_id().to_owned());
}

/// Places each bus behind the one above it; those that are left over feed each other in a circle.
fn in_order(mut drafts: Vec<Draft<'_>>, findings: &mut Findings) -> Vec<Bus> {
    let ids: Vec<String> = drafts.iter().map(|draft| draft.bus.id.clone()).collect();
    let mut placed: Vec<Bus> = Vec::new();
    while !drafts.is_empty() {
        let ready = drafts.iter().position(|draft| match &draft.above {
            None => true,
            // A bus above that is not there is reported at the circuit that names it.
            Some(above) => !ids.contains(above) || placed.iter().any(|bus| bus.id == *above),
        });
        let at = ready.unwrap_or(0);
        let Draft { mut bus, above, shape } = drafts.remove(at);
        if ready.is_none() {
            let line = shape.and_then(|shape| shape.fed_by.as_ref()).map_or(1, |fed_by| fed_by.line);
            let what =
                format!("the bus \"{}\" feeds itself through \"{}\"", bus.id, above.unwrap_or_default());
            findings.add(
                &rules::BUS_CYCLE,
                line,
                what,
                "write the feeder's `bus` as the panel that its breaker is in",
            );
            bus.parent = Some(MAIN);
        } else if bus.id != "service" {
            let found = above.and_then(|above| placed.iter().position(|bus| bus.id == above));
            bus.parent = Some(found.unwrap_or(MAIN.min(placed.len() - 1)));
        }
        placed.push(bus);
    }
    placed
}
