//! What the minutes of a CT that has power and a counter follow from: both, from one count of the counter to the
//! next ([`crate::flow`] says what a count is). So what changes one reading of a stretch changes all of its minutes.

use std::ops::Range;

use rusqlite::Connection;

use crate::flow::{LONGEST, MOST, is_count};
use crate::reading::Sample;
use crate::units::{Span, Stamp};

use super::Result;
use super::catalog::Entry;
use super::readings::{self, OnDamage, merged};
use super::recount::Unsealed;

/// The ranges, made longer to whole stretches of every counted CT that they touch, but not beyond `until` where
/// they do not reach that far themselves.
pub(super) fn whole_stretches(
    db: &Connection,
    entry: &Entry,
    unsealed: &Unsealed,
    mut ranges: Vec<Range<Stamp>>,
    until: Stamp,
) -> Result<Vec<Range<Stamp>>> {
    for (_, counter) in entry.site.beside() {
        for range in ranges.iter_mut().filter(|range| range.start < range.end) {
            let counts = counter_around(db, entry, counter.0 as usize, unsealed, range, &mut |_, _| Ok(()))?;
            let whole = stretches_around(&counts, range);
            range.start = range.start.min(whole.start);
            range.end = range.end.max(whole.end.min(until));
        }
    }
    Ok(ranges)
}

/// The readings of a counter that say something of `range`: from the first of the hour of the last one before it
/// to the first one after it that is a count.
pub(super) fn counter_around(
    db: &Connection,
    entry: &Entry,
    channel: usize,
    unsealed: &Unsealed,
    range: &Range<Stamp>,
    on_damage: OnDamage<'_>,
) -> Result<Vec<Sample>> {
    let series = entry.channel_rows()[channel];
    let first = range.start.floor(Span::HOUR);
    let until = Stamp(range.end.0 + Span::HOUR.0 - 1).floor(Span::HOUR);
    let journal = unsealed.get(&series).map_or(&[][..], Vec::as_slice);
    let open = |at: Stamp| journal.partition_point(|sample| sample.at < at);
    let before = readings::last_before(db, series, first, on_damage)?;
    let before =
        before.into_iter().chain(journal[..open(first)].last().copied()).map(|sample| sample.at).max();
    let from = before.map_or(first, |before| before.floor(Span::HOUR));
    let mut samples = both(db, series, unsealed, &(from..until), on_damage)?;
    let after = readings::first_from(db, series, until, on_damage)?;
    samples.extend(after.into_iter().chain(journal.get(open(until)).copied()).min_by_key(|sample| sample.at));
    Ok(samples)
}

/// From the last count up to the start of `range` to the first from its end on.
fn stretches_around(counter: &[Sample], range: &Range<Stamp>) -> Range<Stamp> {
    let mut around = range.clone();
    let mut before = None;
    for sample in counter {
        if is_count(before, sample.at) {
            if sample.at <= range.start && range.start - sample.at <= LONGEST {
                around.start = sample.at;
            }
            if sample.at >= range.end && sample.at - range.end <= LONGEST {
                around.end = sample.at;
                break;
            }
        }
        before = Some(sample.at);
    }
    around
}

/// The readings of power that the minutes of `range` follow from, where the readings of its counters are `counters`.
pub(super) fn power_around(
    db: &Connection,
    entry: &Entry,
    channel: usize,
    unsealed: &Unsealed,
    (range, counters): (&Range<Stamp>, &[Vec<Sample>]),
    on_damage: OnDamage<'_>,
) -> Result<Vec<Sample>> {
    let (series, reach) = (entry.channel_rows()[channel], entry.reach(channel));
    let near = range.start - reach..range.end + reach;
    let mut whole = range.clone();
    for counter in counters {
        let around = stretches_around(counter, range);
        whole = whole.start.min(around.start)..whole.end.max(around.end);
    }
    let far = whole.start - reach..whole.end + reach;
    let mut samples = both(db, series, unsealed, &near, on_damage)?;
    // A stretch with more readings than that is not shared out by its counter, so no more of it is needed. Twice:
    // up to an hour of what is read may be of the stretch beside it.
    let (mut at, mut more) = (near.start, 0);
    while at > far.start && more <= 2 * MOST {
        let from = far.start.max(at - Span::DAY);
        let mut earlier = both(db, series, unsealed, &(from..at), on_damage)?;
        more += earlier.len();
        earlier.append(&mut samples);
        samples = earlier;
        at = from;
    }
    let (mut at, mut more) = (near.end, 0);
    while at < far.end && more <= 2 * MOST {
        let to = far.end.min(at + Span::DAY);
        let later = both(db, series, unsealed, &(at..to), on_damage)?;
        more += later.len();
        samples.extend(later);
        at = to;
    }
    Ok(samples)
}

/// Sealed readings and those of the journal.
fn both(
    db: &Connection,
    series: i64,
    unsealed: &Unsealed,
    range: &Range<Stamp>,
    on_damage: OnDamage<'_>,
) -> Result<Vec<Sample>> {
    let mut sealed = Vec::new();
    readings::load(db, series, range, &mut sealed, on_damage)?;
    let unsealed = unsealed.get(&series).map_or(&[][..], Vec::as_slice);
    let from = unsealed.partition_point(|sample| sample.at < range.start);
    let to = unsealed.partition_point(|sample| sample.at < range.end).max(from);
    Ok(merged(&sealed, &unsealed[from..to]))
}
