//! Multiwire branch circuits: circuits that share a neutral.

use super::super::findings::{Findings, nearest};
use super::super::model::{CircuitEntry, Site};
use super::{rules, standing};

/// Circuits that share a neutral are on different legs, so that it carries the difference of their
/// currents and not the sum, and are disconnected together (NEC 210.4, 300.13(B)).
pub(super) fn check(site: &Site, findings: &mut Findings) {
    for (circuit, entry) in standing(site) {
        let Some((other, line)) = &entry.trade.shares_neutral_with else { continue };
        let (id, line) = (&circuit.id, *line);
        let Some((_, second)) = standing(site).find(|(candidate, _)| candidate.id == *other) else {
            let what = format!("\"{id}\" shares its neutral with \"{other}\", which is no circuit in force");
            let near = nearest(other, site.circuits.iter().map(|circuit| circuit.id.as_str()));
            let write = near.map_or("write the id of that circuit".to_owned(), |near| {
                format!("write shares_neutral_with = \"{near}\"")
            });
            findings.add(&rules::NEUTRAL_UNKNOWN, line, what, write);
            continue;
        };
        if entry.bus != second.bus {
            let what = format!("\"{id}\" and \"{other}\" share a neutral and are in different panels");
            findings.add(&rules::NEUTRAL_NOT_TIED, line, what, "write the id of the circuit beside it");
            continue;
        }
        if let Some(leg) = entry.legs.iter().find(|leg| second.legs.contains(leg)) {
            let what = format!("\"{id}\" and \"{other}\" share a neutral and are both on leg {leg}");
            let write =
                "have a licensed electrician look at it soon; if the map is wrong, mend the spaces or legs";
            findings.add(&rules::NEUTRAL_ON_ONE_LEG, line, what, write);
        } else if !tied(entry, second) {
            let what = format!(
                "\"{id}\" in space {:?} and \"{other}\" in {:?} share a neutral",
                entry.spaces, second.spaces
            );
            let write =
                "their breakers sit next to each other and have a common trip or a tie between the handles";
            findings.add(&rules::NEUTRAL_NOT_TIED, line, what, write);
        }
    }
}

/// Whether their breakers are neighbours, as far as the map tells.
fn tied(one: &CircuitEntry, other: &CircuitEntry) -> bool {
    let unknown = one.spaces.is_empty() || other.spaces.is_empty();
    unknown || one.spaces.iter().any(|a| other.spaces.iter().any(|b| a.abs_diff(*b) == 2))
}
