//! Feeds: the CTs that measure what flows into a bus.

use super::buses::{MAIN, SERVICE};
use super::circuits::{Around, MAX_ENTRIES, amps, ct_legs, twice};
use super::dates;
use super::factors::{Whole, ct, term};
use super::findings::{Findings, choice, nearest};
use super::model::{FeedEntry, Leg};
use super::names::shown;
use super::rules;
use super::shape::FeedShape;
use super::text::At;

/// Reads the feeds.
pub(super) fn read(shapes: &[FeedShape], around: &Around<'_>, findings: &mut Findings) -> Vec<FeedEntry> {
    if shapes.len() > MAX_ENTRIES {
        let what = format!("the map has {} feeds", shapes.len());
        findings.add(&rules::TOO_MANY, shapes[MAX_ENTRIES].line, what, "split it into several sites");
        return Vec::new();
    }
    let feeds: Vec<FeedEntry> = shapes.iter().filter_map(|shape| feed(shape, around, findings)).collect();
    if !shapes
        .iter()
        .any(|shape| matches!(&shape.bus, Some(bus) if bus.value == "main" || bus.value == "service"))
    {
        let write = "add a [[feed]] with bus = \"main\", once the mains have CTs";
        findings.add(&rules::NO_MAINS, 1, "the map has no feed of the mains", write);
    }
    feeds
}

fn feed(shape: &FeedShape, around: &Around<'_>, findings: &mut Findings) -> Option<FeedEntry> {
    let span = dates::span(&shape.from, &shape.until, around.zone, findings);
    let legs = ct_legs(&shape.channels, around.system, findings);
    let named: Vec<Leg> = legs.iter().copied().flatten().collect();
    twice(&named, shape.line, findings);
    let whole = Whole::default();
    let (terms, cts): (Vec<_>, Vec<_>) = shape
        .channels
        .iter()
        .zip(&legs)
        .filter_map(|(shape, leg)| {
            term(shape, &whole, around.devices, findings).map(|term| (term, ct(shape, &term, *leg)))
        })
        .unzip();
    let At { value, line } = shape.bus.as_ref()?;
    if shape.channels.is_empty() && shape.lists_channels {
        let what = format!("the feed of \"{}\" names no channel", shown(value));
        findings.add(&rules::FEED_EMPTY, shape.line, what, "name its CTs, or leave the [[feed]] out");
    }
    let Some(bus) = around.buses.iter().position(|bus| bus.id == *value) else {
        let what = format!("a feed of the bus \"{}\", which is not there", shown(value));
        let write = match nearest(value, around.buses.iter().map(|bus| bus.id.as_str())) {
            Some(near) => format!("write bus = \"{near}\""),
            None => "add a [[bus]] of that id, and what feeds it".to_owned(),
        };
        findings.add(&rules::UNKNOWN_BUS, *line, what, write);
        return None;
    };
    let bus = measured_bus(shape, bus, findings);
    let all = around.system.legs();
    if bus <= MAIN && !named.is_empty() && named.len() == shape.channels.len() {
        let missing: Vec<_> = all.iter().filter(|leg| !named.contains(leg)).map(|leg| leg.as_str()).collect();
        if !missing.is_empty() {
            let what = format!("the feed of \"{value}\" has no CT on leg {}", missing.join(", "));
            findings.add(&rules::LEG_MISSING, shape.line, what, "name the CT of each leg");
        }
    }
    let channels = shape.channel_lines.unwrap_or((shape.line, shape.line));
    let ct_rating_a = amps(&shape.ct_rating_a, "ct_rating_a", findings);
    Some(FeedEntry { span, bus, terms, cts, line: shape.line, channels, ct_rating_a })
}

/// The bus whose inflow the CTs measure.
fn measured_bus(shape: &FeedShape, bus: usize, findings: &mut Findings) -> usize {
    let Some(At { value, line }) = &shape.measures else { return bus };
    let mut wrong = |what: &str, write: &str| findings.add(&rules::MEASURES_OF_SUBPANEL, *line, what, write);
    match (value.as_str(), bus) {
        ("panel", MAIN) => MAIN,
        ("grid", MAIN | SERVICE) => SERVICE,
        ("panel", SERVICE) => {
            wrong("`measures = \"panel\"` on the feed of \"service\"", "write bus = \"main\"");
            SERVICE
        }
        ("panel" | "grid", _) => {
            wrong("`measures` on the feed of a subpanel", "leave it out");
            bus
        }
        _ => {
            let what = format!("measures = \"{}\" is not known", shown(value));
            findings.add(&rules::UNKNOWN_WORD, *line, what, choice("measures", value, &["panel", "grid"]));
            bus
        }
    }
}
