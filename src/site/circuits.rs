//! Circuits and their dated entries.

use jiff::tz::TimeZone;

use super::dates;
use super::devices::Devices;
use super::factors::{Whole, ct, term};
use super::findings::{Findings, choice, nearest};
use super::legs::legs_of_spaces;
use super::model::{Bus, Circuit, CircuitEntry, EndUse, Leg, Role, System, Trade, Written};
use super::names::{self, shown};
use super::rules;
use super::shape::{CircuitShape, CtShape};
use super::text::At;
use crate::units::ONE;

/// The largest panels have 84 spaces; a site has a few panels.
const MAX_CIRCUITS: usize = 512;
/// Dated entries: some for each circuit over the years; comparing them costs the square.
pub(super) const MAX_ENTRIES: usize = 2048;
/// A distribution board of a large building ends here; a house is far below.
const MAX_AMPS: f64 = 6000.0;
/// Twice the largest panels.
pub(super) const MAX_SPACE: i64 = 200;
/// Names of the published device's other nodes.
const RESERVED: [&str; 3] = ["site", "ev", "health"];

/// What circuits refer to.
pub(super) struct Around<'a> {
    pub(super) devices: &'a Devices,
    pub(super) buses: &'a [Bus],
    pub(super) system: System,
    pub(super) zone: &'a TimeZone,
}

/// Reads the circuits, entries of one id together, by the order in which each id first appears.
pub(super) fn read(shapes: &[CircuitShape], around: &Around<'_>, findings: &mut Findings) -> Vec<Circuit> {
    let mut circuits: Vec<Circuit> = Vec::new();
    if shapes.len() > MAX_ENTRIES {
        let what = format!("the map has {} entries of circuits", shapes.len());
        findings.add(&rules::TOO_MANY, shapes[MAX_ENTRIES].line, what, "split it into several sites");
        return circuits;
    }
    for shape in shapes {
        let Some(id) = names::id(&shape.id, "circuit", findings) else { continue };
        if RESERVED.contains(&id.as_str()) {
            let what = format!("a circuit is called \"{id}\"");
            findings.add(
                &rules::RESERVED_ID,
                shape.line,
                what,
                format!("write, for example, \"{id}-circuit\""),
            );
        }
        let entry = entry(shape, &id, around, findings);
        match circuits.iter_mut().find(|circuit| circuit.id == id) {
            Some(circuit) => circuit.entries.push(entry),
            None => circuits.push(Circuit { id, entries: vec![entry] }),
        }
    }
    if circuits.len() > MAX_CIRCUITS {
        let what = format!("the map has {} circuits", circuits.len());
        findings.add(&rules::TOO_MANY, 1, what, "split it into several sites");
    }
    for circuit in &mut circuits {
        circuit.entries.sort_by_key(|entry| entry.span.start);
        for pair in circuit.entries.windows(2) {
            if pair[1].span.start < pair[0].span.end {
                let what = format!("the circuit \"{}\" is there twice at one moment", circuit.id);
                let write = format!("write another id, or `until` on the entry of line {}", pair[0].line);
                findings.add(&rules::DUPLICATE_ID, pair[1].line, what, write);
            }
        }
    }
    circuits
}

fn entry(shape: &CircuitShape, id: &str, around: &Around<'_>, findings: &mut Findings) -> CircuitEntry {
    let spaces = spaces(shape, id, findings);
    let legs = legs(shape, &spaces, around.system, findings);
    let feeds = around.buses.iter().position(|bus| bus.fed_by.as_deref() == Some(id));
    let (end_use, role) = use_and_role(shape, id, feeds, findings);
    let whole = Whole {
        doubled: shape.doubled.value,
        reversed: shape.reversed,
        scale: shape.scale.as_ref(),
        generation_positive: generation_positive(shape, id, role, findings),
    };
    let of_cts: Vec<Option<Leg>> = shape.channels.iter().map(|ct| quiet_leg(ct, around.system)).collect();
    let (terms, cts): (Vec<_>, Vec<_>) = shape
        .channels
        .iter()
        .zip(of_cts)
        .filter_map(|(shape, leg)| {
            term(shape, &whole, around.devices, findings).map(|term| (term, ct(shape, &term, leg)))
        })
        .unzip();
    if shape.channels.is_empty() {
        // A circuit's own scale is checked with its first CT; here there is none.
        super::factors::scale(shape.scale.as_ref(), findings);
        without_ct(id, end_use, role, shape.line, findings);
    }
    if shape.doubled.value {
        doubled(shape, id, &legs, findings);
    }
    CircuitEntry {
        span: dates::span(&shape.from, &shape.until, around.zone, findings),
        label: names::label(&shape.label, id, findings),
        end_use,
        role,
        bus: bus(shape, id, around.buses, findings),
        spaces,
        legs,
        breaker_a: amps(&shape.breaker_a, "breaker_a", findings),
        ct_rating_a: amps(&shape.ct_rating_a, "ct_rating_a", findings),
        terms,
        cts,
        doubled: shape.doubled.value,
        line: shape.line,
        trade: trade(shape, role, id, findings),
        written: Written {
            is_reversed: shape.reversed,
            scale_millionths: shape.scale.as_ref().map(|at| (at.value * ONE as f64).round() as i64),
            ..shape.written.clone()
        },
    }
}

/// What only the rules of the trade ask about.
fn trade(shape: &CircuitShape, role: Role, id: &str, findings: &mut Findings) -> Trade {
    if let Some(At { line, .. }) = &shape.inverter_a
        && !matches!(role, Role::Pv | Role::Storage)
    {
        let what = format!("`inverter_a` on the circuit \"{id}\", which is neither PV nor storage");
        findings.add(&rules::SIGN_OF_LOAD, *line, what, "leave it out, or mend its end_use");
    }
    let neutral = shape.shares_neutral_with.as_ref();
    Trade {
        inverter_a: amps(&shape.inverter_a, "inverter_a", findings),
        shares_neutral_with: neutral.map(|At { value, line }| (value.clone(), *line)),
    }
}

fn use_and_role(
    shape: &CircuitShape,
    id: &str,
    feeds: Option<usize>,
    findings: &mut Findings,
) -> (EndUse, Role) {
    let words = EndUse::ALL.map(EndUse::as_str);
    let end_use = match &shape.end_use {
        None if feeds.is_some() => EndUse::Other,
        None => {
            let what = format!("the circuit \"{id}\" has no `end_use`");
            let write = format!("write one of \"{}\"", words.join("\", \""));
            findings.add(&rules::MISSING_KEY, shape.line, what, write);
            EndUse::Other
        }
        Some(At { value, line }) => EndUse::from_word(value).unwrap_or_else(|| {
            let what = format!("the end use \"{}\" is not known", shown(value));
            findings.add(&rules::UNKNOWN_WORD, *line, what, choice("end_use", value, &words));
            EndUse::Other
        }),
    };
    let role = match (feeds, end_use) {
        (Some(bus), EndUse::Pv | EndUse::Storage) => {
            let what = format!("the feeder \"{id}\" has the end use {end_use}");
            let write = "leave it out here, and write it on the circuits of the bus that it feeds";
            findings.add(&rules::FEEDER_END_USE, shape.line, what, write);
            Role::Feeder(bus)
        }
        (Some(bus), _) => Role::Feeder(bus),
        (None, EndUse::Pv) => Role::Pv,
        (None, EndUse::Storage) => Role::Storage,
        (None, _) => Role::Load,
    };
    (end_use, role)
}

fn generation_positive(shape: &CircuitShape, id: &str, role: Role, findings: &mut Findings) -> bool {
    let Some(At { value, line }) = &shape.sign else { return false };
    if value != "generation-positive" {
        let what = format!("the sign \"{}\" is not known", shown(value));
        findings.add(
            &rules::UNKNOWN_WORD,
            *line,
            what,
            "write sign = \"generation-positive\", or leave it out",
        );
        return false;
    }
    if !matches!(role, Role::Pv | Role::Storage) {
        let what = format!("`sign` on the circuit \"{id}\", which is neither PV nor storage");
        findings.add(&rules::SIGN_OF_LOAD, *line, what, "write reversed = true, if its CT is turned round");
        return false;
    }
    true
}

fn without_ct(id: &str, end_use: EndUse, role: Role, line: usize, findings: &mut Findings) {
    let write = "name its channels once it has a CT";
    match role {
        Role::Pv | Role::Storage => {
            let what = format!("the {end_use} circuit \"{id}\" has no CT");
            findings.add(&rules::SOURCE_WITHOUT_CT, line, what, write);
        }
        Role::Load if end_use == EndUse::EvCharging => {
            let what = format!("the EV charging circuit \"{id}\" has no CT");
            findings.add(&rules::EV_WITHOUT_CT, line, what, write);
        }
        Role::Load | Role::Feeder(_) => {}
    }
}

fn doubled(shape: &CircuitShape, id: &str, legs: &[Leg], findings: &mut Findings) {
    let line = shape.doubled.line;
    if shape.channels.len() != 1 {
        let what = format!("the doubled circuit \"{id}\" has {} CTs", shape.channels.len());
        let write = "leave `doubled` out, or name the one CT";
        findings.add(&rules::DOUBLED_NEEDS_ONE_CT, line, what, write);
    }
    if !legs.is_empty() && legs.len() != 2 {
        let names: Vec<_> = legs.iter().map(|leg| leg.as_str()).collect();
        let what = format!("the doubled circuit \"{id}\" is on leg {}", names.join(", "));
        let write = "leave `doubled` out, or write the spaces (or legs) of its two poles";
        findings.add(&rules::DOUBLED_ONE_POLE, line, what, write);
    }
}

fn bus(shape: &CircuitShape, id: &str, buses: &[Bus], findings: &mut Findings) -> usize {
    let found = buses.iter().position(|bus| bus.id == shape.bus_id());
    found.unwrap_or_else(|| {
        let At { value, line } = shape.bus.as_ref().expect("the bus main is always there");
        let what = format!("the circuit \"{id}\" is on the bus \"{}\", which is not there", shown(value));
        let write = match nearest(value, buses.iter().map(|bus| bus.id.as_str())) {
            Some(near) => format!("write bus = \"{near}\""),
            None => format!("add a [[bus]] with id = \"{}\" and what feeds it", names::slug(value)),
        };
        findings.add(&rules::UNKNOWN_BUS, *line, what, write);
        super::buses::MAIN
    })
}

fn spaces(shape: &CircuitShape, id: &str, findings: &mut Findings) -> Vec<u16> {
    let mut spaces: Vec<u16> = Vec::new();
    for At { value, line } in &shape.spaces {
        let space = *value as u16;
        if !(1..=MAX_SPACE).contains(value) {
            let what = format!("the circuit \"{id}\" is in space {value}");
            findings.add(&rules::BAD_SPACE, *line, what, "write the number printed beside its breaker");
        } else if spaces.contains(&space) {
            let what = format!("the circuit \"{id}\" names space {value} twice");
            findings.add(&rules::BAD_SPACE, *line, what, "write each space once");
        } else {
            spaces.push(space);
        }
    }
    let mut rows = spaces.clone();
    rows.sort_unstable();
    if rows.windows(2).any(|pair| pair[1] != pair[0] + 2) {
        let line = shape.spaces.first().map_or(shape.line, |space| space.line);
        let what = format!("the circuit \"{id}\" is in spaces {spaces:?}");
        let write = format!("write spaces = [{}, {}], if that is its breaker", rows[0], rows[0] + 2);
        findings.add(&rules::SPACES_APART, line, what, write);
    }
    spaces
}

/// The legs that the map gives, else those of the spaces, else those of the CTs.
fn legs(shape: &CircuitShape, spaces: &[u16], system: System, findings: &mut Findings) -> Vec<Leg> {
    let mut given: Vec<Leg> = Vec::new();
    for word in &shape.legs {
        if let Some(leg) = leg(word, system, findings) {
            given.push(leg);
        }
    }
    let of_cts = ct_legs(&shape.channels, system, findings);
    let named: Vec<Leg> = of_cts.iter().copied().flatten().collect();
    twice(&given, shape.line, findings);
    twice(&named, shape.line, findings);
    if given.is_empty() {
        given = legs_of_spaces(system, spaces);
    }
    for (ct, leg) in shape.channels.iter().zip(&of_cts) {
        if let Some(leg) = leg
            && !given.is_empty()
            && !given.contains(leg)
        {
            let what = format!("the CT \"{}\" is on leg {leg}, its circuit is not", shown(&ct.channel.value));
            let write = "mend the leg or the spaces, or write `legs` for a panel numbered in another way";
            findings.add(&rules::LEG_ELSEWHERE, ct.channel.line, what, write);
        }
    }
    if given.is_empty() {
        given = named;
    }
    given.sort_unstable();
    given.dedup();
    given
}

/// The leg of each CT, where the map says.
pub(super) fn ct_legs(cts: &[CtShape], system: System, findings: &mut Findings) -> Vec<Option<Leg>> {
    cts.iter().map(|ct| ct.leg.as_ref().and_then(|word| leg(word, system, findings))).collect()
}

/// The leg of a CT; a wrong word has been reported with the circuit's legs.
fn quiet_leg(ct: &CtShape, system: System) -> Option<Leg> {
    let word = ct.leg.as_ref()?;
    Leg::from_word(&word.value).filter(|leg| system.legs().contains(leg))
}

/// Reports a leg that a list has twice.
pub(super) fn twice(legs: &[Leg], line: usize, findings: &mut Findings) {
    let mut sorted = legs.to_vec();
    sorted.sort_unstable();
    if let Some(pair) = sorted.windows(2).find(|pair| pair[0] == pair[1]) {
        let what = format!("leg {} is named twice", pair[0]);
        findings.add(&rules::LEG_TWICE, line, what, "write the leg that each CT is on");
    }
}

fn leg(word: &At<String>, system: System, findings: &mut Findings) -> Option<Leg> {
    let leg = Leg::from_word(&word.value).filter(|leg| system.legs().contains(leg));
    if leg.is_none() {
        let what = format!("leg \"{}\" in a service of {}", shown(&word.value), system.as_str());
        let legs: Vec<_> = system.legs().iter().map(|leg| format!("\"{leg}\"")).collect();
        findings.add(&rules::LEG_NOT_OF_SYSTEM, word.line, what, format!("write {}", legs.join(" or ")));
    }
    leg
}

/// A rating in A.
pub(super) fn amps(value: &Option<At<f64>>, key: &str, findings: &mut Findings) -> Option<f64> {
    let At { value, line } = value.as_ref()?;
    if !(*value > 0.0 && *value <= MAX_AMPS) {
        let write = format!("write {key} as the number printed on it, in A");
        findings.add(&rules::BAD_AMPS, *line, format!("{key} = {value}"), write);
        return None;
    }
    Some(*value)
}
