//! The panel schedule and the CT directory: what is left at the panel.
//!
//! NEC 408.4(A) wants every circuit identified legibly, by its clear, evident and specific purpose, and
//! the spare positions too, on a directory at the panel. The schedule here is made from the map in
//! force on a day, so that what hangs at the panel and what the figures follow are one and the same.
//! Beside it stands what no panel has by itself: which CT is on what, how it counts, and when that was
//! proven.

mod blank;
mod html;
mod panel;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use serde::Serialize;

use crate::calendar::Zone;
use crate::site::{CircuitEntry, Ct, FeedEntry, Role, Site};
use crate::units::{ONE, Stamp};

pub use blank::{MAX_CTS, MAX_SPACES, blank_sheet};
pub use html::{Paper, html};
pub use panel::{Kind, Panel, Position};

/// What the load step proved of a circuit: when, and in a few words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Proof {
    /// When it was done.
    pub at: Stamp,
    /// The verdict: `as mapped`, or what was found.
    pub verdict: String,
}

/// The last proof of each circuit, by its id.
pub type Proofs = BTreeMap<String, Proof>;

/// A site's schedule on a day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Schedule {
    /// The site's id.
    pub site: String,
    /// What people call it.
    pub name: String,
    /// `split-phase 120/240`, and the main breaker.
    pub service: String,
    /// The day (local) whose map it shows.
    pub date: String,
    /// The panels, the main one first.
    pub panels: Vec<Panel>,
    /// Every CT in use.
    pub cts: Vec<CtLine>,
    /// Inputs that the devices send and the map does not use that day.
    pub free_inputs: Vec<String>,
}

/// One CT of the directory.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct CtLine {
    /// `device/channel`.
    pub channel: String,
    /// What it measures: the circuit's label, or the mains of a panel.
    pub measures: String,
    /// The circuit's id; empty for a feed.
    pub circuit: String,
    /// Panel and spaces.
    pub place: String,
    /// Its leg, where the map tells.
    pub leg: String,
    /// Its rating.
    pub rating: String,
    /// How its reading counts: `× 2`, `turned round`, `× 1.03`.
    pub counts: String,
    /// Since when it is there (local date), where the map is dated.
    pub since: String,
    /// When and how it was proven by a load step.
    pub proven: String,
}

/// The schedule of the map in force at `at`.
pub fn schedule(site: &Site, zone: &Zone, at: Stamp, proofs: &Proofs) -> Schedule {
    let mut cts = Vec::new();
    for feed in site.feeds.iter().filter(|feed| feed.span.contains(&at)) {
        cts.extend(feed.cts.iter().map(|ct| of_feed(site, zone, feed, ct)));
    }
    for circuit in &site.circuits {
        let Some(entry) = circuit.entry(at) else { continue };
        let proven = proofs.get(&circuit.id).filter(|proof| entry.span.contains(&proof.at));
        let proven = proven.map(|proof| format!("{}: {}", day(zone, proof.at), proof.verdict));
        for ct in &entry.cts {
            let mut line = of_circuit(site, zone, entry, ct);
            line.circuit = circuit.id.clone();
            line.proven = proven.clone().unwrap_or_default();
            cts.push(line);
        }
    }
    let used = |name: &str| cts.iter().any(|ct| ct.channel == name);
    let inputs = site.channels.iter().filter(|channel| !channel.is_beside());
    let names = inputs.map(|channel| channel.name.clone());
    let breaker =
        site.service.main_breaker_a.map(|amps| format!(", main breaker {amps} A")).unwrap_or_default();
    Schedule {
        site: site.id.clone(),
        name: site.name.clone(),
        service: format!("{}{breaker}", site.service.system.as_str()),
        date: day(zone, at),
        panels: (1..site.buses.len()).map(|bus| panel::of(site, bus, at)).collect(),
        free_inputs: names.filter(|name| !used(name)).collect(),
        cts,
    }
}

fn of_feed(site: &Site, zone: &Zone, feed: &FeedEntry, ct: &Ct) -> CtLine {
    let bus = &site.buses[feed.bus];
    CtLine {
        channel: site.channels[ct.channel.0 as usize].name.clone(),
        measures: format!("Feed of {}", bus.name),
        circuit: String::new(),
        place: bus.name.clone(),
        leg: ct.leg.map(|leg| leg.to_string()).unwrap_or_default(),
        rating: amps(feed.ct_rating_a),
        counts: counts(ct, 1, false, false, None),
        since: since(zone, feed.span.start),
        proven: String::new(),
    }
}

fn of_circuit(site: &Site, zone: &Zone, entry: &CircuitEntry, ct: &Ct) -> CtLine {
    let spaces = panel::spaces_text(&entry.spaces);
    let bus = &site.buses[entry.bus].name;
    let leg = match (ct.leg, entry.legs.as_slice()) {
        (Some(leg), _) => leg.to_string(),
        (None, [one]) => one.to_string(),
        (None, _) if entry.doubled => "either".to_owned(),
        (None, _) => String::new(),
    };
    let generation = matches!(entry.role, Role::Pv | Role::Storage) && entry.written.sign.is_some();
    let factor = if entry.doubled { 2 } else { 1 };
    CtLine {
        channel: site.channels[ct.channel.0 as usize].name.clone(),
        measures: entry.label.clone(),
        circuit: String::new(),
        place: if spaces.is_empty() { bus.clone() } else { format!("{bus} {spaces}") },
        leg,
        rating: amps(entry.ct_rating_a),
        counts: counts(ct, factor, entry.written.is_reversed, generation, entry.written.scale_millionths),
        since: since(zone, entry.span.start),
        proven: String::new(),
    }
}

/// How a CT's reading counts, in words; empty if it counts as it is.
fn counts(ct: &Ct, factor: i32, turned: bool, generation: bool, scale: Option<i64>) -> String {
    let mut parts = Vec::new();
    if factor != 1 {
        parts.push(format!("× {factor}, balanced load"));
    }
    if ct.reversed != turned {
        parts.push("turned round".to_owned());
    }
    if generation {
        parts.push("generation reads positive".to_owned());
    }
    if let Some(scale) = ct.scale.or(scale).filter(|scale| *scale != ONE) {
        parts.push(format!("× {}", scale as f64 / ONE as f64));
    }
    parts.join("; ")
}

fn amps(rating: Option<f64>) -> String {
    rating.map(|rating| format!("{rating} A")).unwrap_or_default()
}

fn since(zone: &Zone, start: Stamp) -> String {
    if start == Stamp::MIN { String::new() } else { day(zone, start) }
}

fn day(zone: &Zone, at: Stamp) -> String {
    let (year, month, day) = zone.day_of(at).civil();
    format!("{year:04}-{month:02}-{day:02}")
}
