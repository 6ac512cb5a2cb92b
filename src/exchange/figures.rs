//! Which figures a file has, and what they are called in it.

use std::collections::BTreeSet;

use crate::site::{FigureKey, Site};

/// The site totals, with their names, in the order in which files and answers have them.
pub const TOTALS: [(&str, FigureKey); 9] = [
    ("import", FigureKey::Import),
    ("export", FigureKey::Export),
    ("grid", FigureKey::Grid),
    ("generation", FigureKey::Generation),
    ("self_consumed", FigureKey::SelfConsumed),
    ("storage", FigureKey::Storage),
    ("consumption", FigureKey::Consumption),
    ("tracked", FigureKey::Tracked),
    ("untracked", FigureKey::Untracked),
];

/// Every figure that the map defines at any time, with its name as a column: totals, circuits in
/// the order of the map, buses.
pub(super) fn columns(site: &Site) -> Vec<(FigureKey, String)> {
    let defined: BTreeSet<FigureKey> =
        site.epochs.iter().flat_map(|epoch| epoch.plan.figures.iter().map(|figure| figure.key)).collect();
    let totals = TOTALS.iter().map(|(name, key)| (*key, (*name).to_owned()));
    let circuits = site.circuits.iter().enumerate();
    let circuits =
        circuits.map(|(index, circuit)| (FigureKey::Circuit(index), format!("circuit {}", circuit.id)));
    let buses = site.buses.iter().enumerate().flat_map(|(index, bus)| {
        [
            (FigureKey::BusFeed(index), format!("bus {} feed", bus.id)),
            (FigureKey::BusUntracked(index), format!("bus {} untracked", bus.id)),
        ]
    });
    totals.chain(circuits).chain(buses).filter(|(key, _)| defined.contains(key)).collect()
}
