//! End uses in the charts: their order and the class that gives each its colour.

use crate::site::EndUse;

/// From the foot of a stack upwards: the same in every chart, so that one month reads like another.
/// What heats stands first, as it is the most in most houses; PV and storage are no uses.
pub(super) const ORDER: [EndUse; 14] = [
    EndUse::Heating,
    EndUse::Cooling,
    EndUse::HotWater,
    EndUse::EvCharging,
    EndUse::Laundry,
    EndUse::Cooking,
    EndUse::Refrigeration,
    EndUse::PlugLoads,
    EndUse::Lighting,
    EndUse::WellSump,
    EndUse::Ventilation,
    EndUse::Dehumidification,
    EndUse::PoolSpa,
    EndUse::Other,
];

/// The class of an end use; the style sheet has its colour.
pub(super) fn class(end_use: EndUse) -> &'static str {
    match end_use {
        EndUse::Heating => "heating",
        EndUse::Cooling => "cooling",
        EndUse::HotWater => "hot-water",
        EndUse::Ventilation => "ventilation",
        EndUse::Dehumidification => "dehumidification",
        EndUse::Lighting => "lighting",
        EndUse::Refrigeration => "refrigeration",
        EndUse::Cooking => "cooking",
        EndUse::Laundry => "laundry",
        EndUse::PlugLoads => "plugs",
        EndUse::PoolSpa => "pool",
        EndUse::WellSump => "well",
        EndUse::EvCharging => "ev",
        EndUse::Pv => "sun",
        EndUse::Storage => "storage",
        EndUse::Other => "other",
    }
}

/// What people call it, at the start of a line.
pub(super) fn words(end_use: EndUse) -> String {
    let word = end_use.as_str();
    let mut letters = word.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}
