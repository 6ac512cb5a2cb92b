//! Rules over time: what may not be there twice at one moment.

use std::ops::Range;

use super::findings::Findings;
use super::model::{Bus, Channel, Circuit, CircuitEntry, FeedEntry, Role, Term};
use super::rules;
use crate::units::Stamp;

/// Checks circuits and feeds against each other.
pub(super) fn check(
    circuits: &[Circuit],
    feeds: &[FeedEntry],
    channels: &[Channel],
    buses: &[Bus],
    findings: &mut Findings,
) {
    let entries: Vec<(&str, &CircuitEntry)> = circuits
        .iter()
        .flat_map(|circuit| circuit.entries.iter().map(|entry| (circuit.id.as_str(), entry)))
        .collect();
    one_place_for_each_ct(&entries, feeds, channels, buses, findings);
    one_breaker_for_each_space(&entries, buses, findings);
    one_feed_for_each_bus(&entries, feeds, buses, findings);
}

fn overlap(a: &Range<Stamp>, b: &Range<Stamp>) -> bool {
    a.start < b.end && b.start < a.end
}

fn one_place_for_each_ct(
    entries: &[(&str, &CircuitEntry)],
    feeds: &[FeedEntry],
    channels: &[Channel],
    buses: &[Bus],
    findings: &mut Findings,
) {
    struct Place<'a> {
        span: &'a Range<Stamp>,
        line: usize,
        name: String,
    }
    let mut places: Vec<Vec<Place<'_>>> = channels.iter().map(|_| Vec::new()).collect();
    let mut put = |terms: &[Term], span, line, name: &dyn Fn() -> String| {
        for term in terms {
            places[term.series.0 as usize].push(Place { span, line, name: name() });
        }
    };
    for feed in feeds {
        put(&feed.terms, &feed.span, feed.line, &|| format!("the feed of \"{}\"", buses[feed.bus].id));
    }
    for (id, entry) in entries {
        put(&entry.terms, &entry.span, entry.line, &|| format!("the circuit \"{id}\""));
    }
    for (channel, places) in channels.iter().zip(&mut places) {
        places.sort_by_key(|place| (place.span.start, place.line));
        // Against the one that lasts longest so far: a neighbour alone could hide it.
        let mut longest = 0;
        for at in 1..places.len() {
            let (first, second) = (&places[longest], &places[at]);
            if second.span.end > first.span.end {
                longest = at;
            }
            if overlap(first.span, second.span) {
                let (early, late) = if first.line <= second.line { (first, second) } else { (second, first) };
                let what = format!("the CT \"{}\" is in {} and in {}", channel.name, early.name, late.name);
                let write = format!(
                    "name it in one of them, or write `until` on line {} and `from` here, if it was moved",
                    early.line
                );
                findings.add(&rules::CT_TWICE, late.line, what, write);
            }
        }
    }
}

fn one_breaker_for_each_space(entries: &[(&str, &CircuitEntry)], buses: &[Bus], findings: &mut Findings) {
    let mut taken: Vec<(usize, u16, &str, &CircuitEntry)> = Vec::new();
    for (id, entry) in entries {
        taken.extend(entry.spaces.iter().map(|space| (entry.bus, *space, *id, *entry)));
    }
    taken.sort_by_key(|(bus, space, _, entry)| (*bus, *space, entry.span.start, entry.line));
    let mut reported: Vec<(usize, usize)> = Vec::new();
    let mut longest = 0;
    for at in 1..taken.len() {
        let (bus, space, first_id, first) = &taken[longest];
        let (next_bus, next_space, id, entry) = &taken[at];
        if (bus, space) != (next_bus, next_space) || entry.span.end > first.span.end {
            longest = at;
        }
        // Two entries of one circuit at one moment are a duplicate id, and reported as that.
        let same = (bus, space) == (next_bus, next_space) && first_id != id;
        let lines = (first.line.min(entry.line), first.line.max(entry.line));
        if same && overlap(&first.span, &entry.span) && !reported.contains(&lines) {
            reported.push(lines);
            let what =
                format!("\"{first_id}\" and \"{id}\" are both in space {space} of \"{}\"", buses[*bus].id);
            let write = "write the number printed beside its breaker; of two half-size breakers in one space \
                         leave `spaces` out and write `legs`";
            findings.add(&rules::SPACES_OVERLAP, lines.1, what, write);
        }
    }
}

fn one_feed_for_each_bus(
    entries: &[(&str, &CircuitEntry)],
    feeds: &[FeedEntry],
    buses: &[Bus],
    findings: &mut Findings,
) {
    for (at, feed) in feeds.iter().enumerate() {
        let bus = &buses[feed.bus].id;
        let earlier = &feeds[..at];
        if let Some(other) =
            earlier.iter().find(|other| other.bus == feed.bus && overlap(&other.span, &feed.span))
        {
            let what = format!("a second feed of \"{bus}\" beside the one on line {}", other.line);
            let write = "write one [[feed]] with all its CTs, or dates on both";
            findings.add(&rules::TWO_FEEDS_AT_ONCE, feed.line, what, write);
        }
        let feeder = entries.iter().find(|(_, entry)| {
            entry.role == Role::Feeder(feed.bus)
                && !entry.terms.is_empty()
                && overlap(&entry.span, &feed.span)
        });
        if let Some((id, _)) = feeder {
            let what = format!("a feed of \"{bus}\", whose feeder \"{id}\" has CTs");
            findings.add(&rules::FEED_AND_FEEDER, feed.line, what, "leave this [[feed]] out");
        }
    }
}
