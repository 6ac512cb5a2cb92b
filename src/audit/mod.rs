//! Is the map true? Readings, held against it.
//!
//! At every bus what flows in is what its circuits take, and what nobody measures. So when a circuit
//! switches, its feed moves by as much, on its legs. The audit gathers such moments (`gather`), estimates
//! for each CT how much each leg of its feed moves for a watt of it (`fit`), and looks for the simplest
//! change of the map that explains the estimates (`search`). It works on differences, never on levels:
//! loads are related over the day, and levels would blame one for another.
//!
//! Evidence does not depend on what the map says of circuits, so a mended map is judged by the same readings.
#![allow(clippy::cast_precision_loss, reason = "counts and watts are far below 2^52")]

mod align;
mod alike;
mod block;
mod books;
mod claims;
mod counters;
mod estimate;
mod fit;
mod gather;
mod health;
mod judge;
mod labels;
mod mend;
mod picture;
mod report;
mod search;
mod stats;
mod steps;
mod words;

use crate::site::{Severity, Site};
use crate::units::{Span, Stamp};

pub use align::aligned;
pub use block::Block;
pub use claims::{BusClaims, Response, claims};
pub use counters::{CountedDay, CounterTally};
pub use gather::{Changes, Evidence, Levels, grids};
pub use mend::{Edit, apply};
pub use picture::Picture;
pub use report::{Finding, Kind, Proof, Report, State};
pub use stats::Stats;
pub use steps::{Step, Window, noise, steps};

/// Holds the evidence against the map in force at its end.
pub fn audit(site: &Site, evidence: &Evidence) -> Report {
    let mut silent = Vec::new();
    let Some(span) = evidence.span.clone() else {
        silent.push("there are no readings in this stretch".to_owned());
        return Report {
            site: site.id.clone(),
            span: None,
            findings: Vec::new(),
            proofs: Vec::new(),
            silent,
        };
    };
    let court = judge::Court::new(site, evidence, Stamp(span.end.0 - 1));
    if court.buses.is_empty() {
        silent.push("no panel has a feed with CTs, so no circuit can be held against one".to_owned());
    }
    let (mut findings, proofs) = court.sit();
    let mut own = Vec::new();
    health::of_channels(&court, &mut own);
    counters::of_counters(&court, &mut own);
    // A channel that is wrong by itself explains whatever else seems to be wrong with it.
    findings.retain(|finding| {
        !own.iter().any(|cause: &Finding| cause.about == finding.about && explains(cause.kind, finding.kind))
    });
    findings.extend(own);
    let mut labels = Vec::new();
    labels::swapped(&court, &findings, &mut labels);
    findings.extend(labels);
    books::of_books(&court, &mut findings);
    let weight = |finding: &Finding| match finding.severity() {
        Severity::Error => 0,
        Severity::Warning => 1,
        Severity::Note => 2,
    };
    findings.sort_by(|a, b| {
        (weight(a), a.line).cmp(&(weight(b), b.line)).then(b.confidence.total_cmp(&a.confidence))
    });
    Report { site: site.id.clone(), span: Some(span), findings, proofs, silent }
}

/// Whether a channel that is wrong by itself looks like that to its feed.
fn explains(cause: Kind, seen: Kind) -> bool {
    match seen {
        Kind::WrongScale | Kind::Unbalanced => true,
        // A coarse channel steps where its load hardly does, and rests where it does.
        Kind::NotOnBus | Kind::NotDoubled | Kind::DoubledWrongly | Kind::WrongLeg => cause == Kind::Coarse,
        _ => false,
    }
}

/// From when on the map that is in force at the end of a stretch holds: older readings follow another map.
pub fn since(site: &Site, span: &std::ops::Range<Stamp>) -> Stamp {
    let entries = site.circuits.iter().flat_map(|circuit| &circuit.entries).map(|entry| &entry.span);
    let ends =
        entries.chain(site.feeds.iter().map(|feed| &feed.span)).flat_map(|span| [span.start, span.end]);
    ends.filter(|at| *at > span.start && *at < span.end).max().unwrap_or(span.start)
}

/// How far back readings are looked at where nobody says: a day, or a week where no device is fast. A load has to
/// switch some times, and of a reading a minute fewer changes tell something.
pub fn stretch(site: &Site) -> Span {
    let slow = Span::from_seconds(30);
    let all_slow = !site.devices.is_empty() && site.devices.iter().all(|device| device.every >= slow);
    if all_slow { Span(7 * Span::DAY.0) } else { Span::DAY }
}

/// The grids on which a site's channels are looked at, and for each the channels that are fine enough for it.
pub fn grids_of(site: &Site) -> Vec<(Span, Vec<usize>)> {
    let every = |channel: usize| site.devices[site.channels[channel].device].every;
    // A counter beside a channel's power steps too coarsely to show a load's changes.
    let channels = || (0..site.channels.len()).filter(|channel| !site.channels[*channel].is_beside());
    let grids = grids(channels().map(every));
    let on = |grid: Span| channels().filter(|channel| every(*channel) <= grid).collect();
    grids.into_iter().map(|grid| (grid, on(grid))).collect()
}
