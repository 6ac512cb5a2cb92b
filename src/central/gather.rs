//! The oldest marks of the outbox into a batch.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::sync::Arc;

use anyhow::Context as _;

use super::batch::{Batch, MAX_BYTES};
use super::point;
use super::{Backlog, Mark, Options, Outbox, Resolution};
use crate::calendar::{Interval, Zone};
use crate::history::{self, Summary};
use crate::reading::SiteIndex;
use crate::site::{Site, figure_name};
use crate::units::{Span, Stamp};

/// Marks looked at for one batch. A mark is at least one line and most often a dozen, so that this
/// fills a batch; at 32 bytes a mark it is small beside the batch's text.
const MAX_MARKS: usize = 1_000;

/// How long after its end a quarter is sent: its last minute closes a few seconds after it, and a
/// quarter that is sent before is sent twice.
const QUARTER_SETTLES: Span = Span::MINUTE;

/// Where in the outbox a task stands, beyond its stored cursor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Within {
    /// The mark that is sent in part.
    seq: u64,
    /// Where its first interval starts that is not sent.
    from: Stamp,
}

/// What is to be sent next.
#[derive(Debug, Default)]
pub(super) struct Gathered {
    /// The lines; none if the marks have nothing that is known.
    pub(super) batch: Batch,
    /// What the cursor moves to once they are taken.
    pub(super) done: Option<u64>,
    /// Where the next gathering starts within the mark after `done`.
    pub(super) within: Option<Within>,
    /// When the next mark becomes due, if it is not yet.
    pub(super) due: Option<Stamp>,
    /// How far behind the central store is, this batch included.
    pub(super) backlog: Backlog,
}

impl Gathered {
    /// Whether there is nothing to do now.
    pub(super) fn is_idle(&self) -> bool {
        self.batch.is_empty() && self.done.is_none() && self.within.is_none()
    }
}

/// Intervals that go into the batch, in the order of the outbox, each once.
#[derive(Default)]
struct Wanted {
    intervals: Vec<(SiteIndex, Stamp, u64)>,
    seen: HashSet<(SiteIndex, Stamp)>,
    /// (mark, how many of `intervals` have to be sent for it to be done).
    complete: Vec<(u64, usize)>,
    /// Figures that a correction changed, by interval.
    corrected: BTreeMap<(SiteIndex, Stamp), BTreeSet<String>>,
}

/// Takes the oldest marks of a central store and makes at most `max_lines` lines of them, with the
/// figures as history has them now.
pub(super) fn gather<O: Outbox>(
    outbox: &mut O,
    options: &Options,
    sites: &[Arc<Site>],
    within: Option<Within>,
    max_lines: usize,
    now: Stamp,
) -> anyhow::Result<Gathered> {
    let backlog = outbox.backlog(&options.name)?;
    let marks = outbox.pending(&options.name, MAX_MARKS)?;
    let (wanted, mut gathered) = choose(&marks, options.resolution, sites, within, max_lines, now);
    gathered.backlog = backlog;
    let known = figures(outbox, sites, &wanted, step(options.resolution))?;
    let mut sent = 0;
    for (site, start, seq) in &wanted.intervals {
        let before = gathered.batch.len();
        let map = &sites[site.0 as usize];
        let figures = known.get(&(*site, *start)).map_or(&[][..], |summary| &summary.figures);
        let known = || figures.iter().filter(|(_, amount)| amount.is_known());
        for (key, amount) in known() {
            gathered.batch.line(|body| point::write(body, map, &options.tags, *key, *start, *amount));
        }
        if let Some(corrected) = wanted.corrected.get(&(*site, *start)) {
            let names: BTreeSet<String> = known().filter_map(|(key, _)| figure_name(map, *key)).collect();
            for gone in corrected.difference(&names) {
                gathered.batch.line(|body| point::take_back(body, map, &options.tags, gone, *start));
            }
        }
        if gathered.batch.bytes() > MAX_BYTES && before > 0 {
            gathered.batch.truncate(before);
            gathered.within = Some(Within { seq: *seq, from: *start });
            gathered.due = None;
            break;
        }
        sent += 1;
    }
    let done = wanted.complete.iter().take_while(|(_, intervals)| *intervals <= sent);
    gathered.done = done.map(|(seq, _)| *seq).last();
    Ok(gathered)
}

/// Which intervals fit: whole ones, until the lines that they may have reach the bound.
fn choose(
    marks: &[Mark],
    resolution: Resolution,
    sites: &[Arc<Site>],
    within: Option<Within>,
    max_lines: usize,
    now: Stamp,
) -> (Wanted, Gathered) {
    let (mut wanted, mut gathered) = (Wanted::default(), Gathered::default());
    let step = step(resolution);
    let mut room = max_lines;
    'marks: for mark in marks {
        if let Some(site) = sites.get(mark.site.0 as usize) {
            let most = point::most_lines(site) + mark.corrected.len();
            let mut start = match within {
                Some(within) if within.seq == mark.seq => within.from,
                _ => mark.range.start.floor(step),
            };
            while start < mark.range.end {
                let settled = start + step + QUARTER_SETTLES;
                if resolution == Resolution::Quarter && settled > now {
                    gathered.due = Some(settled);
                    gathered.within = partly(&wanted, mark, start);
                    break 'marks;
                }
                if !mark.corrected.is_empty() {
                    let figures = mark.corrected.iter().cloned();
                    wanted.corrected.entry((mark.site, start)).or_default().extend(figures);
                }
                if !wanted.seen.contains(&(mark.site, start)) {
                    if most > room && !wanted.intervals.is_empty() {
                        gathered.within = partly(&wanted, mark, start);
                        break 'marks;
                    }
                    room = room.saturating_sub(most);
                    wanted.seen.insert((mark.site, start));
                    wanted.intervals.push((mark.site, start, mark.seq));
                }
                start = start + step;
            }
        }
        wanted.complete.push((mark.seq, wanted.intervals.len()));
    }
    (wanted, gathered)
}

/// Where to go on in a mark of which some intervals are in the batch; a mark of which none is
/// needs no note: it is the first after the cursor.
fn partly(wanted: &Wanted, mark: &Mark, from: Stamp) -> Option<Within> {
    let begun = from > mark.range.start;
    (begun && !wanted.intervals.is_empty()).then_some(Within { seq: mark.seq, from })
}

/// What history knows of each interval: the same function that answers every other question.
fn figures<O: Outbox>(
    outbox: &mut O,
    sites: &[Arc<Site>],
    wanted: &Wanted,
    step: Span,
) -> anyhow::Result<BTreeMap<(SiteIndex, Stamp), Summary>> {
    let mut by_site: BTreeMap<SiteIndex, Vec<Interval>> = BTreeMap::new();
    for (site, start, _) in &wanted.intervals {
        by_site.entry(*site).or_default().push(Interval { start: *start, end: *start + step });
    }
    let mut known = BTreeMap::new();
    for (index, mut intervals) in by_site {
        // Late marks come out of order; history reads neighbours in one go.
        intervals.sort_unstable_by_key(|interval| interval.start);
        let site = &sites[index.0 as usize];
        let zone = Zone::new(&site.time_zone)?;
        let summaries = history::energy(site, &zone, &mut outbox.source(index), &intervals)
            .with_context(|| format!("cannot read the history of site {}", site.id))?;
        known.extend(summaries.into_iter().map(|summary| ((index, summary.interval.start), summary)));
    }
    Ok(known)
}

fn step(resolution: Resolution) -> Span {
    match resolution {
        Resolution::Minute => Span::MINUTE,
        Resolution::Quarter => Span::QUARTER,
    }
}

#[cfg(test)]
mod tests;
