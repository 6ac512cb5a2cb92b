//! Findings in words.

use super::claims::{BusClaims, Claim, Response};
use super::estimate::feed_change;
use super::judge::{Court, Draft};
use super::mend;
use super::report::{Finding, Kind};
use super::search::{Change, Taken, Verdict};
use crate::said::{Said, count, figure, said, signed};
use crate::site::{CircuitEntry, FeedEntry, Leg, Role};

/// A finding about a circuit.
pub(super) fn finding(court: &Court<'_>, claims: &BusClaims, verdict: &Verdict, draft: &Draft) -> Finding {
    let entry = court.entry(draft.circuit);
    let id = court.site.circuits[draft.circuit].id.clone();
    let name = |ct: &usize| court.site.channels[entry.cts[*ct].channel.0 as usize].name.clone();
    let channels: Vec<String> = draft.cts.iter().map(name).collect();
    let index =
        claims.cts.iter().position(|ct| ct.place.circuit == draft.circuit && ct.place.ct == draft.cts[0]);
    let claim = index.map(|index| &claims.cts[index]);
    let picture = claim.map(|claim| court.picture(claims, claim.channel, claim.factor)).unwrap_or_default();
    let (what, advice) = sentences(court, draft, entry, &id, &channels.join(", "));
    let mut channels = channels;
    if let (Kind::Swapped, Some(other)) = (draft.kind, draft.other) {
        let theirs = court.entry(other).cts.iter().map(|ct| ct.channel.0 as usize);
        channels.extend(theirs.map(|channel| court.site.channels[channel].name.clone()));
    }
    Finding {
        kind: draft.kind,
        about: id.clone(),
        what,
        evidence: said!(
            "{}{}",
            index.map(|index| figures(claims, verdict, index)).unwrap_or_default().inner(),
            rival(draft)
        ),
        channels,
        picture,
        confidence: draft.confidence,
        certain: certain(draft.kind, &id),
        line: line(draft, entry),
        edits: draft.edits.clone(),
        advice,
        accepted: court.site.accepted(draft.kind.as_str(), &id).map(|accept| accept.reason.clone()),
    }
}

fn line(draft: &Draft, entry: &CircuitEntry) -> usize {
    match (draft.edits.first(), draft.kind) {
        (_, Kind::FeederTwice) => entry.written.bus.unwrap_or(entry.line),
        (Some(edit), _) if edit.last >= edit.first => edit.first,
        _ => mend::line_of(entry),
    }
}

/// The coefficients of a CT with their intervals, beside what the map has.
fn figures(claims: &BusClaims, verdict: &Verdict, ct: usize) -> Said {
    let known = &verdict.known[ct];
    let leg = |response: &Response| response.leg.map_or("the feed".to_owned(), |leg| format!("leg {leg}"));
    let parts = claims.responses.iter().enumerate().map(|(r, response)| {
        said!(
            "{} {} ± {} (map {})",
            leg(response),
            signed(known.mean[r], 2),
            figure(2.0 * known.deviation[r], 2),
            signed(verdict.claimed[ct][r], 0)
        )
    });
    let parts = Said::join(&parts.collect::<Vec<_>>(), ", ");
    said!(
        "for each watt of the CT the feed moved by: {}; {} changes",
        parts.inner(),
        figure(known.support, 0)
    )
}

/// What explains it as well, on a panel with few circuits.
fn rival(draft: &Draft) -> &'static str {
    match draft.or_feed {
        Some(Change::SwapFeed(..)) => "; the feed's CTs on each other's legs would explain it as well",
        Some(Change::FlipFeed(_)) => "; a CT of the feed that is turned round would explain it as well",
        Some(Change::ScaleFeed(..)) => "; a CT of the feed of another scale would explain it as well",
        _ => "",
    }
}

fn certain(kind: Kind, id: &str) -> String {
    match kind {
        Kind::Unbalanced => "a clamp meter on both legs while it runs, by a licensed electrician".to_owned(),
        _ => format!("`panelwright verify {id}`: switch its load and see which CTs and legs move"),
    }
}

/// What is wrong, and what to do.
fn sentences(
    court: &Court<'_>,
    draft: &Draft,
    entry: &CircuitEntry,
    id: &str,
    channels: &str,
) -> (Said, String) {
    let label = &entry.label;
    let leg = draft.leg.map_or("the other leg".to_owned(), |leg| format!("leg {leg}"));
    let bus = |bus: usize| court.site.buses[bus].id.as_str();
    let other = draft.other.map_or("", |other| court.site.circuits[other].id.as_str());
    let change = "change the map as shown; nothing has to be opened".to_owned();
    match draft.kind {
        Kind::Reversed => (said!("{label} ({channels}) counts with the wrong sign"), change),
        Kind::PvSign => (said!("{label} ({channels}) counts as taking what it gives, or the other way round"), change),
        Kind::NotDoubled => (said!("{label} ({channels}) moves both legs, and only one is counted"), change),
        Kind::DoubledWrongly => match draft.leg {
            Some(leg) => (said!("{label} ({channels}) is doubled, but draws from leg {leg} only"), change),
            None => (said!("{label} ({channels}) is doubled, but its CT measures all of it"), change),
        },
        Kind::Unbalanced => (
            said!("{label} ({channels}) draws {} times on {leg} what its CT measures", figure(draft.scale, 2)),
            "put a second CT on its other leg (a licensed electrician's work) and name both in `channels`, or accept \
             it"
                .to_owned(),
        ),
        Kind::WrongScale => (
            said!("{label} ({channels}) reads too {}", if draft.scale < 1.0 { "much" } else { "little" }),
            "see that the CT's type is set right in its device; else change the map as shown".to_owned(),
        ),
        Kind::WrongLeg => (
            said!("{label} ({channels}) is on {leg}"),
            "change the map as shown, or mend its `spaces` if they are wrong".to_owned(),
        ),
        Kind::SupplySide if draft.bus == Some(0) => (
            said!("the feed of \"main\" does not see {label} ({channels}): it is tapped ahead of the main"),
            change,
        ),
        Kind::SupplySide => (said!("{label} ({channels}) is a circuit of the panel, not ahead of it"), change),
        Kind::NotOnBus => match draft.bus {
            Some(at) => (said!("{label} ({channels}) is a circuit of \"{}\"", bus(at)), change),
            None => (
                said!("{label} ({channels}) is no part of \"{}\": its feed does not move with it", bus(entry.bus)),
                "find out what the CT is on; until then take it out of the circuit".to_owned(),
            ),
        },
        Kind::FeederTwice => (
            said!(
                "{label} ({channels}) is counted twice: \"{}\" carries it too",
                draft.bus.map_or(other, |at| court.site.buses[at].fed_by.as_deref().unwrap_or(bus(at)))
            ),
            change,
        ),
        Kind::SameWire => (
            said!("{label} ({channels}) has its CT on the wire of \"{other}\""),
            "have the CT moved to its own wire by a licensed electrician; until then take it out".to_owned(),
        ),
        Kind::Swapped => (said!("{label} ({channels}) and \"{other}\" have each other's CTs"), change),
        _ => (said!("{label} ({channels}), {id}"), change),
    }
}

/// A finding about a feed's own CTs.
pub(super) fn of_feed(
    court: &Court<'_>,
    claims: &BusClaims,
    change: &Change,
    taken: &Taken,
) -> Option<Finding> {
    let site = court.site;
    let bus = &site.buses[claims.bus];
    let own = site.feeds.iter().find(|feed| feed.bus == claims.bus && feed.span.contains(&court.at));
    let feeder = site.circuits.iter().position(|circuit| {
        circuit.entry(court.at).is_some_and(|entry| entry.role == Role::Feeder(claims.bus))
    });
    let leg = |r: usize| claims.responses[r].leg;
    let named = |r: usize| leg(r).map_or("the feed".to_owned(), |leg| format!("leg {leg}"));
    let of =
        |r: usize| -> Vec<usize> { claims.responses[r].terms.iter().map(|(channel, _)| *channel).collect() };
    let (kind, channels, what, by) = match change {
        Change::FlipFeed(r) => {
            let what =
                said!("the CT on {} of the feed of \"{}\" counts with the wrong sign", named(*r), bus.id);
            (Kind::Reversed, of(*r), what, None)
        }
        Change::ScaleFeed(r, ratio) => {
            let (feed, times) = (named(*r), figure(*ratio, 2));
            let what = said!("{feed} of the feed of \"{}\" reads {times} times what its circuits do", bus.id);
            (Kind::WrongScale, of(*r), what, Some(1.0 / ratio))
        }
        Change::SwapFeed(a, b) => {
            // Where the map leaves the legs open, nothing was claimed.
            if !claims.legs_written {
                return None;
            }
            let what = said!("the CTs of the feed of \"{}\" are on each other's legs", bus.id);
            (Kind::MainsSwapped, [of(*a), of(*b)].concat(), what, None)
        }
        _ => return None,
    };
    let (edits, line, about) = match (own, feeder) {
        (Some(feed), _) => (feed_edits(court, feed, kind, &channels, by), feed.channels.0, bus.id.clone()),
        (None, Some(circuit)) => {
            let entry = court.entry(circuit);
            (
                feeder_edits(court, entry, kind, &channels, by),
                mend::line_of(entry),
                site.circuits[circuit].id.clone(),
            )
        }
        (None, None) => return None,
    };
    Some(Finding {
        kind,
        channels: channels.iter().map(|channel| site.channels[*channel].name.clone()).collect(),
        what,
        evidence: said!(
            "this one change explains the circuits of \"{}\" together (a gain of {})",
            bus.id,
            figure(taken.gain, 0)
        ),
        picture: strongest(court, claims),
        confidence: (1.0 - (-taken.gain / 20.0).exp()).clamp(0.5, 0.99),
        certain: "`panelwright verify` with any load of known leg".to_owned(),
        line,
        edits,
        advice: "change the map as shown; nothing has to be opened".to_owned(),
        accepted: site.accepted(kind.as_str(), &about).map(|accept| accept.reason.clone()),
        about,
    })
}

fn feed_edits(
    court: &Court<'_>,
    feed: &FeedEntry,
    kind: Kind,
    channels: &[usize],
    by: Option<f64>,
) -> Vec<mend::Edit> {
    mend::of_feed(court.site, feed, |cts| {
        let legs: Vec<Option<Leg>> = cts.iter().map(|ct| ct.leg).collect();
        let mine: Vec<usize> =
            (0..cts.len()).filter(|n| channels.contains(&(cts[*n].channel.0 as usize))).collect();
        for at in &mine {
            match (kind, by) {
                (Kind::Reversed, _) => cts[*at].reversed ^= true,
                (Kind::WrongScale, Some(by)) => {
                    let now = cts[*at].scale.unwrap_or(1_000_000) as f64;
                    cts[*at].scale = Some((now * by / 1000.0).round() as i64 * 1000)
                        .filter(|new| (*new - 1_000_000).abs() > 30_000);
                }
                _ => {}
            }
        }
        if let (Kind::MainsSwapped, [a, b]) = (kind, mine.as_slice()) {
            (cts[*a].leg, cts[*b].leg) = (legs[*b], legs[*a]);
        }
    })
}

fn feeder_edits(
    court: &Court<'_>,
    entry: &CircuitEntry,
    kind: Kind,
    channels: &[usize],
    by: Option<f64>,
) -> Vec<mend::Edit> {
    let ct = entry.cts.iter().position(|ct| channels.contains(&(ct.channel.0 as usize))).unwrap_or(0);
    match (kind, by) {
        (Kind::Reversed, _) => mend::turn(court.site, entry, Some(ct)),
        (Kind::WrongScale, Some(by)) => mend::rescale(court.site, entry, ct, by).0,
        _ => Vec::new(),
    }
}

/// The picture of the circuit that moves most.
fn strongest(court: &Court<'_>, claims: &BusClaims) -> super::picture::Picture {
    let most = claims.cts.iter().max_by(|a, b| {
        let size = |claim: &Claim| court.evidence.stats[claim.channel].top * claim.factor.abs() as f32;
        size(a).total_cmp(&size(b))
    });
    most.map(|claim| court.picture(claims, claim.channel, claim.factor)).unwrap_or_default()
}

/// A circuit's CT that sits on the wire of its bus's feed.
pub(super) fn on_feed(court: &Court<'_>, claims: &BusClaims, claim: &Claim) -> Finding {
    let entry = court.entry(claim.place.circuit);
    let about = court.site.circuits[claim.place.circuit].id.clone();
    let bus = &court.site.buses[claims.bus].id;
    let moments = court.evidence.changes.first().map_or(0, |changes| {
        let rows = changes.rows.chunks_exact(court.evidence.channels.max(1));
        rows.filter(|row| claims.responses.iter().any(|r| feed_change(row, r).abs() > 50.0)).count()
    });
    Finding {
        kind: Kind::SameWire,
        channels: vec![court.site.channels[claim.channel].name.clone()],
        what: said!("{} has its CT on the wire of the feed of \"{bus}\"", entry.label),
        evidence: said!("it shows what the feed shows, in {} changes", count(moments)),
        picture: court.picture(claims, claim.channel, claim.factor),
        confidence: 0.95,
        certain: certain(Kind::SameWire, &about),
        line: mend::line_of(entry),
        edits: mend::without_ct(court.site, entry, claim.place.ct),
        advice: "have the CT moved to its own wire by a licensed electrician; until then take it out"
            .to_owned(),
        accepted: court.site.accepted(Kind::SameWire.as_str(), &about).map(|accept| accept.reason.clone()),
        about,
    }
}
