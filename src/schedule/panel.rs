//! One panel: its positions, left and right, as they are in front of whoever opens the door.

use serde::Serialize;

use crate::site::{Bus, Circuit, CircuitEntry, Site, leg_of_space};
use crate::units::Stamp;

/// A panel with its positions.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Panel {
    /// The bus.
    pub id: String,
    /// What people call it.
    pub name: String,
    /// Its busbar's rating, if the map says.
    pub rating: String,
    /// What feeds it.
    pub fed_from: String,
    /// Row by row: the odd space on the left, the even one on the right.
    pub rows: Vec<[Position; 2]>,
    /// Circuits whose space the map does not say.
    pub unplaced: Vec<Position>,
}

/// What a position holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// A breaker, or its first pole.
    Circuit,
    /// A further pole of the breaker above.
    Pole,
    /// A spare: nothing is on it.
    Spare,
    /// The map does not say.
    Unsaid,
}

/// One breaker position.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Position {
    /// Its number; 0 where the map does not say.
    pub space: u16,
    /// What it holds.
    pub kind: Kind,
    /// The circuit's id.
    pub circuit: String,
    /// What it is for.
    pub label: String,
    /// `30 A, 2 poles`.
    pub breaker: String,
    /// The leg of this position.
    pub leg: String,
    /// Its CTs.
    pub cts: String,
    /// What its energy is for.
    pub end_use: String,
}

/// The panel of a bus under the map in force at `at`.
pub(super) fn of(site: &Site, bus: usize, at: Stamp) -> Panel {
    let circuits: Vec<(&Circuit, &CircuitEntry)> = site
        .circuits
        .iter()
        .filter_map(|circuit| circuit.entry(at).map(|entry| (circuit, entry)))
        .filter(|(_, entry)| entry.bus == bus)
        .collect();
    let own = &site.buses[bus];
    let used = circuits.iter().flat_map(|(_, entry)| &entry.spaces).chain(&own.panel.spares).copied().max();
    let count = own.panel.spaces.unwrap_or(0).max(used.unwrap_or(0));
    let row = |left: u16| [left, left + 1].map(|space| position(site, own, &circuits, space));
    let unplaced = circuits.iter().filter(|(_, entry)| entry.spaces.is_empty());
    Panel {
        id: own.id.clone(),
        name: own.name.clone(),
        rating: own.rating_a.map(|amps| format!("{amps} A busbar")).unwrap_or_default(),
        fed_from: fed_from(site, own, at),
        rows: (0..count.div_ceil(2)).map(|index| row(2 * index + 1)).collect(),
        unplaced: unplaced.map(|(circuit, entry)| told(site, circuit, entry, 0, Kind::Circuit)).collect(),
    }
}

fn fed_from(site: &Site, bus: &Bus, at: Stamp) -> String {
    let Some(feeder) = &bus.fed_by else { return "the service".to_owned() };
    let Some(entry) = site.circuit(feeder).and_then(|circuit| circuit.entry(at)) else {
        return feeder.clone();
    };
    let spaces = spaces_text(&entry.spaces);
    format!("{} {spaces} ({})", site.buses[entry.bus].name, entry.label)
}

fn position(site: &Site, bus: &Bus, circuits: &[(&Circuit, &CircuitEntry)], space: u16) -> Position {
    let found = circuits.iter().find(|(_, entry)| entry.spaces.contains(&space));
    if let Some((circuit, entry)) = found {
        let first = entry.spaces.iter().min() == Some(&space);
        let kind = if first { Kind::Circuit } else { Kind::Pole };
        return told(site, circuit, entry, space, kind);
    }
    let spare = bus.panel.spares.contains(&space);
    Position {
        space,
        kind: if spare { Kind::Spare } else { Kind::Unsaid },
        circuit: String::new(),
        label: if spare { "Spare".to_owned() } else { String::new() },
        breaker: String::new(),
        leg: leg_of_space(site.service.system, space).to_string(),
        cts: String::new(),
        end_use: String::new(),
    }
}

fn told(site: &Site, circuit: &Circuit, entry: &CircuitEntry, space: u16, kind: Kind) -> Position {
    let poles = entry.legs.len().max(entry.spaces.len()).max(1);
    let breaker = entry.breaker_a.map(|amps| match poles {
        1 => format!("{amps} A"),
        poles => format!("{amps} A, {poles} poles"),
    });
    // The map's own word on legs stands against the numbering; which pole is on which is then open.
    let leg = match (space, entry.legs.as_slice()) {
        (_, [one]) => one.to_string(),
        (0, legs) => legs.iter().map(|leg| leg.as_str()).collect::<Vec<_>>().join(", "),
        (space, _) if entry.written.legs.is_none() => leg_of_space(site.service.system, space).to_string(),
        (_, legs) => legs.iter().map(|leg| leg.as_str()).collect::<Vec<_>>().join(", "),
    };
    let names = entry.cts.iter().map(|ct| site.channels[ct.channel.0 as usize].name.as_str());
    let mut cts = names.collect::<Vec<_>>().join(", ");
    if entry.doubled {
        cts.push_str(" × 2");
    }
    Position {
        space,
        kind,
        circuit: circuit.id.clone(),
        label: entry.label.clone(),
        breaker: breaker.unwrap_or_default(),
        leg,
        cts,
        end_use: if matches!(entry.role, crate::site::Role::Feeder(_)) {
            "feeder".to_owned()
        } else {
            entry.end_use.to_string()
        },
    }
}

/// `9, 11`.
pub(super) fn spaces_text(spaces: &[u16]) -> String {
    spaces.iter().map(u16::to_string).collect::<Vec<_>>().join(", ")
}
