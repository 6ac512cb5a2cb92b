//! Trade rules: what an electrician would ask about on reading the map.
//!
//! A map that breaks one of them can be read, so none is an error: it is taken, and its author hears
//! what looks wrong, by which clause, and what to write if the map is wrong. The clauses are those
//! of the National Electrical Code (NFPA 70) and of IEC standards; the code in force where the house
//! stands, and the licensed electrician who answers for the work, decide.
//!
//! Only what holds for good is looked at: an entry that has ended is history, not an installation.

mod circuits;
mod neutrals;
mod panels;
pub mod rules;
#[cfg(test)]
mod tests;

use super::findings::Findings;
use super::model::{Circuit, CircuitEntry, Site};
use crate::units::Stamp;

/// Looks at a map that is sound otherwise.
pub(super) fn check(site: &Site, findings: &mut Findings) {
    for (circuit, entry) in standing(site) {
        circuits::check(site, circuit, entry, findings);
    }
    neutrals::check(site, findings);
    panels::check(site, findings);
}

/// The circuits that are there for good, with the entry that says so.
fn standing(site: &Site) -> impl Iterator<Item = (&Circuit, &CircuitEntry)> {
    let entries = site.circuits.iter().map(|circuit| (circuit, circuit.latest()));
    entries.filter(|(_, entry)| entry.span.end == Stamp::MAX)
}
