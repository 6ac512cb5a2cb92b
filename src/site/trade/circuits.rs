//! One circuit by itself: its CTs against its breaker, its poles against its spaces.

use super::super::findings::Findings;
use super::super::legs::legs_of_spaces;
use super::super::model::{Circuit, CircuitEntry, EndUse, Role, Site};
use super::rules;

/// Below this share of its rating a CT of IEC 61869-2 has no stated accuracy.
const LOWEST_ACCURATE: f64 = 0.05;

/// A breaker carries at most this share of its rating for long (NEC 210.20(A), 215.3: 125 %), so a CT
/// that has less than that share of its range above 5 % is a poor choice: 100 A CTs on 15 A breakers
/// are fine, 200 A ones are not.
const OVERSIZED: f64 = 8.0;

/// Standard ratings of breakers in A up to 400 (NEC 240.6(A), from memory).
const STANDARD_A: [f64; 23] = [
    15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0, 110.0, 125.0, 150.0,
    175.0, 200.0, 225.0, 250.0, 300.0, 350.0, 400.0,
];

/// End uses with a part that draws from one leg only: a motor, a clock, a light, or plugs.
const UNBALANCED: [EndUse; 5] =
    [EndUse::Laundry, EndUse::Cooking, EndUse::PlugLoads, EndUse::Lighting, EndUse::Refrigeration];

/// Every rule of a single circuit.
pub(super) fn check(site: &Site, circuit: &Circuit, entry: &CircuitEntry, findings: &mut Findings) {
    ratings(circuit, entry, findings);
    poles(site, circuit, entry, findings);
    measured(circuit, entry, findings);
    if entry.role == Role::Load && entry.end_use == EndUse::Other && !entry.terms.is_empty() {
        let what = format!("the measured circuit \"{}\" has the end use \"other\"", circuit.id);
        let write = "write the end use that comes nearest, if one does";
        findings.add(&rules::END_USE_OTHER, entry.line, what, write);
    }
}

fn ratings(circuit: &Circuit, entry: &CircuitEntry, findings: &mut Findings) {
    let Some(breaker) = entry.breaker_a else { return };
    let id = &circuit.id;
    if !STANDARD_A.contains(&breaker) && breaker <= 400.0 {
        let what = format!("the breaker of \"{id}\" is of {breaker} A");
        findings.add(&rules::ODD_BREAKER, entry.line, what, "write the number on its handle");
    }
    let Some(ct) = entry.ct_rating_a.filter(|_| !entry.terms.is_empty()) else { return };
    if ct < breaker {
        let what = format!("the CT of \"{id}\" is rated {ct} A, its breaker {breaker} A");
        let write = format!("fit a CT of {breaker} A or more, or mend ct_rating_a or breaker_a");
        findings.add(&rules::CT_BELOW_BREAKER, entry.line, what, write);
    } else if ct > OVERSIZED * breaker {
        let lowest = ct * LOWEST_ACCURATE;
        let what = format!("the CT of \"{id}\" is rated {ct} A on a breaker of {breaker} A");
        let write = format!("below {lowest} A its figures are doubtful: a smaller CT sees more");
        findings.add(&rules::CT_OVERSIZED, entry.line, what, write);
    }
}

/// Poles, spaces and legs (check of the numbers: common practice, no source; see `legs`).
fn poles(site: &Site, circuit: &Circuit, entry: &CircuitEntry, findings: &mut Findings) {
    let (id, spaces) = (&circuit.id, &entry.spaces);
    let line = entry.written.spaces.map_or(entry.line, |(first, _)| first);
    if spaces.len() == 1 && (entry.legs.len() > 1 || entry.terms.len() > 1) {
        let space = spaces[0];
        let why = if entry.legs.len() > 1 { "draws from two legs" } else { "has two CTs" };
        let what = format!("the circuit \"{id}\" {why} and is in space {space} alone");
        let write = format!("write spaces = [{space}, {}], if its breaker has two poles", space + 2);
        findings.add(&rules::POLES_AND_SPACES, line, what, write);
    }
    let by_spaces = legs_of_spaces(site.service.system, spaces);
    if spaces.len() > 1 && by_spaces.len() < spaces.len() && entry.written.legs.is_none() {
        let what = format!(
            "the circuit \"{id}\" is in spaces {spaces:?}, of which two are on leg {}",
            by_spaces.first().map_or("A", |leg| leg.as_str())
        );
        let write = format!(
            "write the spaces of its breaker, n and n + 2, or legs = {:?} for a panel numbered in another way",
            site.service.system.legs().iter().map(|leg| leg.as_str()).collect::<Vec<_>>()
        );
        findings.add(&rules::POLES_ON_ONE_LEG, line, what, write);
    }
}

/// Whether its CTs see all of it.
fn measured(circuit: &Circuit, entry: &CircuitEntry, findings: &mut Findings) {
    let id = &circuit.id;
    if entry.doubled {
        let feeder = matches!(entry.role, Role::Feeder(_));
        if feeder || UNBALANCED.contains(&entry.end_use) {
            let of = if feeder { "a feeder".to_owned() } else { format!("\"{}\"", entry.end_use) };
            let what = format!("the circuit \"{id}\" is doubled, and is {of}");
            let line = entry.written.doubled.unwrap_or(entry.line);
            let write = "fit a CT on the other leg too and leave `doubled` out; until then the part that one \
                         leg draws alone is counted twice or not at all";
            findings.add(&rules::DOUBLED_UNBALANCED, line, what, write);
        }
    } else if entry.terms.len() == 1 && entry.legs.len() == 2 {
        let what = format!("the circuit \"{id}\" is on two legs and has one CT");
        let write = "write doubled = true if its load is the same on both legs, or fit a CT on the other leg";
        findings.add(&rules::HALF_MEASURED, entry.line, what, write);
    } else if !entry.terms.is_empty() && entry.legs.len() == 3 && entry.terms.len() < 3 {
        let what = format!("the circuit \"{id}\" is on three legs and has {} CT(s)", entry.terms.len());
        findings.add(&rules::HALF_MEASURED, entry.line, what, "fit a CT on each leg");
    }
}
