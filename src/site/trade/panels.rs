//! A panel as a whole: sources against its busbar, breakers against its rating, spaces left unsaid.

use super::super::buses::{MAIN, SERVICE};
use super::super::findings::Findings;
use super::super::model::{Bus, Circuit, CircuitEntry, Role, Site};
use super::{rules, standing};
use crate::units::Stamp;

/// A source's output counts 125 % (NEC 705.12, 705.28).
const CONTINUOUS: f64 = 1.25;
/// What a busbar bears with its sources at the end opposite to the main (NEC 705.12).
const OPPOSITE: f64 = 1.20;

/// Every rule of a panel.
pub(super) fn check(site: &Site, findings: &mut Findings) {
    mains(site, findings);
    for (index, bus) in site.buses.iter().enumerate() {
        if index == SERVICE {
            continue;
        }
        let on_it: Vec<_> = standing(site).filter(|(_, entry)| entry.bus == index).collect();
        let protection = protection(site, index);
        if let (Some(rating), Some(ahead)) = (bus.rating_a, protection)
            && ahead > rating
        {
            let what =
                format!("the breaker ahead of \"{}\" is of {ahead} A, its busbar of {rating} A", bus.id);
            findings.add(
                &rules::BUSBAR_UNPROTECTED,
                bus.panel.line,
                what,
                "mend rating_a, or have it looked at",
            );
        }
        sources(bus, protection, &on_it, findings);
        spaces(bus, &on_it, findings);
    }
}

/// The rating of the breaker ahead of a panel.
fn protection(site: &Site, bus: usize) -> Option<f64> {
    if bus == MAIN {
        return site.service.main_breaker_a;
    }
    standing(site).find(|(_, entry)| entry.role == Role::Feeder(bus)).and_then(|(_, entry)| entry.breaker_a)
}

fn mains(site: &Site, findings: &mut Findings) {
    for feed in site.feeds.iter().filter(|feed| feed.span.end == Stamp::MAX) {
        let (Some(ct), Some(breaker)) = (feed.ct_rating_a, protection(site, feed.bus.max(MAIN))) else {
            continue;
        };
        if ct < breaker {
            let of = &site.buses[feed.bus].id;
            let what = format!("the CTs of the feed of \"{of}\" are rated {ct} A, its breaker {breaker} A");
            let write = format!("fit CTs of {breaker} A or more, or mend ct_rating_a");
            findings.add(&rules::MAINS_CT_SMALL, feed.line, what, write);
        }
    }
}

/// PV and storage on a busbar that the main feeds too (NEC 705.12(B)): the example of the trade is
/// 1.25 × 32 A + 200 A = 240 A = 1.2 × 200 A.
fn sources(bus: &Bus, ahead: Option<f64>, on_it: &[(&Circuit, &CircuitEntry)], findings: &mut Findings) {
    let sources: Vec<_> =
        on_it.iter().filter(|(_, entry)| matches!(entry.role, Role::Pv | Role::Storage)).collect();
    let Some((first, entry)) = sources.first() else { return };
    let (Some(rating), Some(ahead)) = (bus.rating_a, ahead) else {
        let what =
            format!("the source \"{}\" is on \"{}\", whose busbar or main has no rating", first.id, bus.id);
        let write = "write rating_a on its [[bus]] and the rating of the breaker ahead of it";
        findings.add(&rules::SOURCE_BUSBAR_UNKNOWN, entry.line, what, write);
        return;
    };
    let amps = |entry: &CircuitEntry| match (entry.trade.inverter_a, entry.breaker_a) {
        (Some(inverter), _) => Some(CONTINUOUS * inverter),
        (None, breaker) => breaker,
    };
    let Some(given) = sources.iter().map(|(_, entry)| amps(entry)).sum::<Option<f64>>() else {
        let what = format!("a source on \"{}\" has neither inverter_a nor breaker_a", bus.id);
        findings.add(
            &rules::SOURCE_BUSBAR_UNKNOWN,
            entry.line,
            what,
            "write inverter_a, its rated output in A",
        );
        return;
    };
    let total = given + ahead;
    // Within the busbar's own rating it does not matter where the sources sit; nor where all breakers
    // together are within it.
    let breakers: Option<f64> = on_it.iter().map(|(_, entry)| entry.breaker_a).sum();
    if total <= rating || breakers.is_some_and(|sum| sum <= rating) {
        return;
    }
    if total > OPPOSITE * rating {
        let what = format!(
            "sources of {given:.0} A and a main of {ahead:.0} A on \"{}\" are {total:.0} A, more than 120 % of its \
             busbar ({:.0} A)",
            bus.id,
            OPPOSITE * rating
        );
        let write = "write inverter_a (its rated output) where the breaker is larger than 125 % of it; else have it \
                     looked at: a smaller main, a tap ahead of the main, or a larger busbar are the usual ways";
        findings.add(&rules::SOURCES_OVER_BUSBAR, entry.line, what, write);
        return;
    }
    for (circuit, entry) in sources {
        if let Some(beyond) = beyond(bus, entry, on_it) {
            let what = format!(
                "the source \"{}\" in spaces {:?} is not at the end of \"{}\" opposite to its main: \"{beyond}\" is \
                 farther away",
                circuit.id, entry.spaces, bus.id
            );
            let write = "mend the spaces, write main_at = \"bottom\" on the [[bus]] of a panel fed from below, or \
                         have the breaker moved";
            findings.add(&rules::SOURCE_NOT_AT_END, entry.line, what, write);
        }
    }
}

/// A circuit that sits farther from the main than this source.
fn beyond<'c>(bus: &Bus, source: &CircuitEntry, on_it: &[(&'c Circuit, &CircuitEntry)]) -> Option<&'c str> {
    let row = |space: u16| i32::from(space.div_ceil(2));
    let distance = |entry: &CircuitEntry| {
        let rows = entry
            .spaces
            .iter()
            .map(|space| if bus.panel.main_at_bottom { -row(*space) } else { row(*space) });
        rows.max()
    };
    let own = distance(source)?;
    let loads = on_it.iter().filter(|(_, entry)| !matches!(entry.role, Role::Pv | Role::Storage));
    let farther = loads.filter(|(_, entry)| distance(entry).is_some_and(|distance| distance > own));
    farther.map(|(circuit, _)| circuit.id.as_str()).next()
}

/// Positions that the map leaves unsaid (NEC 408.4(A) wants spares described too).
fn spaces(bus: &Bus, on_it: &[(&Circuit, &CircuitEntry)], findings: &mut Findings) {
    let taken = |space: u16| on_it.iter().find(|(_, entry)| entry.spaces.contains(&space));
    for spare in &bus.panel.spares {
        if let Some((circuit, _)) = taken(*spare) {
            let what = format!("space {spare} of \"{}\" is a spare and of \"{}\" too", bus.id, circuit.id);
            findings.add(&rules::SPARE_IN_USE, bus.panel.line, what, "write it in one place");
        }
    }
    let Some(count) = bus.panel.spaces else { return };
    for (circuit, entry) in on_it {
        if let Some(space) = entry.spaces.iter().find(|space| **space > count) {
            let what = format!("\"{}\" is in space {space} of \"{}\", which has {count}", circuit.id, bus.id);
            let line = entry.written.spaces.map_or(entry.line, |(first, _)| first);
            findings.add(&rules::SPACE_BEYOND, line, what, "mend the space, or `spaces` of the [[bus]]");
        }
    }
    let unsaid: Vec<_> =
        (1..=count).filter(|space| taken(*space).is_none() && !bus.panel.spares.contains(space)).collect();
    if !unsaid.is_empty() {
        let what = format!("{} of \"{}\" are neither of a circuit nor spare", listed(&unsaid), bus.id);
        let write = "add what is there: a [[circuit]] without channels, or `spares = […]` on the [[bus]] for breakers \
                     that nothing is on and for empty positions";
        findings.add(&rules::SPACES_UNSAID, bus.panel.line, what, write);
    }
}

/// `spaces 2, 4, 26 to 30`.
fn listed(spaces: &[u16]) -> String {
    let runs = spaces.chunk_by(|one, next| one + 1 == *next).map(|run| match run {
        [one] => one.to_string(),
        [one, two] => format!("{one}, {two}"),
        [first, .., last] => format!("{first} to {last}"),
        [] => String::new(),
    });
    format!("spaces {}", runs.collect::<Vec<_>>().join(", "))
}
