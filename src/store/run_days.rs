//! What the minutes of local days that are over say of every load, kept so that a ranking of a year need
//! not decode half a million minutes a load.
//!
//! It follows from the minutes and the map. Whoever changes minutes forgets the days that they are in, in the
//! same transaction; what another map made has another rule, and is not used. What is missing is counted
//! from the minutes when it is asked for, and made again by the writer when it has nothing else to do.

use std::ops::Range;

use rusqlite::{Connection, params};

use crate::flow::Row;
use crate::history::{DayRuns, Tally, places, series_of, tallies};
use crate::site::SeriesIndex;
use crate::units::{Span, Stamp};

use super::catalog::Entry;
use super::keep::Kept;
use super::shelf::Shelf;
use super::wire::{self, Bytes, Fault};
use super::{Result, rows};

const FORMAT: u8 = 1;

/// Loads of a map, bins and minutes of a day: more than there can be, so that a bad length takes no memory.
const MOST: usize = 10_000;

const SHELF: Shelf = Shelf { table: "run_day", stretch: None, longest: Span(26 * Span::HOUR.0) };

/// Days that one step looks at which have nothing to do: some milliseconds of look-ups.
const LOOKED_AT: usize = 500;

/// Gives the days that start in `range`, by time and with some of their places, to `each`, until that says
/// `false` or a day does not decode. What is decoded into is used again for every day.
pub(super) fn each(
    db: &Connection,
    site: i64,
    range: &Range<Stamp>,
    places: &[usize],
    each: &mut dyn FnMut(&DayRuns) -> bool,
) -> Result<()> {
    let mut select = db.prepare_cached(SELECT)?;
    let mut rows = select.query(params![site, rows::bound(range.start), rows::bound(range.end)])?;
    let mut runs = DayRuns { day: range.start..range.start, rule: 0, tallies: Vec::new() };
    while let Some(row) = rows.next()? {
        runs.day = Stamp::from_seconds(row.get(0)?)..Stamp::from_seconds(row.get(1)?);
        runs.rule = row.get(2)?;
        let body = row.get_ref(3)?.as_blob().map_err(rusqlite::Error::from)?;
        if decode_some(runs.day.start, body, Some(places), &mut runs.tallies).is_err() || !each(&runs) {
            break;
        }
    }
    Ok(())
}

const SELECT: &str = "SELECT start_s, end_s, rule, body FROM run_day
     WHERE site = ?1 AND start_s >= ?2 AND start_s < ?3 ORDER BY start_s";

/// A day as it stands: from when to when, rule and body.
pub(super) type Stored = (Range<Stamp>, i64, Vec<u8>);

/// The days that start in `range` as they stand.
pub(super) fn bodies(db: &Connection, site: i64, range: &Range<Stamp>) -> Result<Vec<Stored>> {
    let mut select = db.prepare_cached(SELECT)?;
    let found = select.query_map(params![site, rows::bound(range.start), rows::bound(range.end)], |row| {
        let day = Stamp::from_seconds(row.get(0)?)..Stamp::from_seconds(row.get(1)?);
        Ok((day, row.get(2)?, row.get(3)?))
    })?;
    Ok(found.collect::<rusqlite::Result<_>>()?)
}

/// Takes the days away that `range` touches.
pub(super) fn forget(db: &Connection, site: i64, range: &Range<Stamp>) -> Result<()> {
    SHELF.forget(db, site, range)
}

/// Counts a local day from its sealed minutes.
pub(super) fn count(db: &Connection, entry: &Entry, day: &Range<Stamp>) -> Result<DayRuns> {
    let places = places(&entry.site);
    let mut minutes: Vec<(SeriesIndex, Row)> = Vec::new();
    for at in series_of(&entry.site, &places) {
        let of_one = rows::minutes(db, entry.series_row(at), day, |day| entry.rules.print(at, day))?;
        minutes.extend(of_one.into_iter().map(|row| (at, row)));
    }
    let tallies = tallies(&entry.site, day, &minutes, &places);
    Ok(DayRuns { day: day.clone(), rule: entry.day_rules.of_day(day), tallies })
}

/// Makes the newest day that is missing of those that lie in `waiting` and are sealed; what of it still
/// waits after that, which is empty when all is done.
pub(super) fn step(
    db: &Connection,
    entry: &Entry,
    waiting: &Range<Stamp>,
    sealed: Stamp,
) -> Result<Range<Stamp>> {
    let mut left = waiting.clone();
    if let Some(kept) = Kept::look_up(db)?.minutes {
        left.start = left.start.max(kept);
    }
    for _ in 0..LOOKED_AT {
        if left.start >= left.end {
            break;
        }
        let day = entry.zone.day_range(entry.zone.day_of(left.end - Span(1)));
        left.end = day.start;
        if day.end > sealed || day.is_empty() || is_there(db, entry, &day)? {
            continue;
        }
        let runs = count(db, entry, &day)?;
        SHELF.put(db, entry.row, &day, runs.rule, &encode(day.start, &runs.tallies))?;
        break;
    }
    Ok(left)
}

fn is_there(db: &Connection, entry: &Entry, day: &Range<Stamp>) -> Result<bool> {
    SHELF.is_there(db, entry.row, day, entry.day_rules.of_day(day))
}

fn encode(day: Stamp, tallies: &[Tally]) -> Vec<u8> {
    let mut body = wire::begin(FORMAT);
    wire::put_u64(&mut body, tallies.len() as u64);
    for tally in tallies {
        let one = encode_one(day, tally);
        wire::put_u64(&mut body, one.len() as u64);
        body.extend_from_slice(&one);
    }
    wire::finish(body)
}

fn encode_one(day: Stamp, tally: &Tally) -> Vec<u8> {
    let mut to = Vec::new();
    let minute = |at: Stamp| ((at - day).0 / Span::MINUTE.0) as u64;
    wire::put_u64(&mut to, tally.bins.len() as u64);
    for (bin, count, watts) in &tally.bins {
        to.push(*bin);
        wire::put_u64(&mut to, u64::from(*count));
        to.extend_from_slice(&watts.to_le_bytes());
    }
    wire::put_u64(&mut to, tally.crossings.len() as u64);
    for (bin, more) in &tally.crossings {
        to.push(*bin);
        wire::put_i64(&mut to, i64::from(*more));
    }
    for (at, bin) in tally.first.iter().chain(&tally.last) {
        wire::put_u64(&mut to, minute(*at));
        to.push(*bin);
    }
    for peak in [tally.peak_minute, tally.peak_quarter] {
        to.push(u8::from(peak.is_some()));
        if let Some((watts, at)) = peak {
            wire::put_u64(&mut to, minute(at));
            to.extend_from_slice(&watts.to_le_bytes());
        }
    }
    to
}

/// The tallies of a body.
pub(super) fn decode(day: Stamp, body: &[u8]) -> std::result::Result<Vec<Tally>, Fault> {
    let mut tallies = Vec::new();
    decode_some(day, body, None, &mut tallies)?;
    Ok(tallies)
}

/// Those of some places (indices, rising), or of all, in place of what `tallies` held.
fn decode_some(
    day: Stamp,
    body: &[u8],
    places: Option<&[usize]>,
    tallies: &mut Vec<Tally>,
) -> std::result::Result<(), Fault> {
    let mut bytes = Bytes::open(body, FORMAT)?;
    let count = bytes.count(MOST)?;
    tallies.resize_with(places.map_or(count, <[_]>::len), Tally::default);
    let mut left = tallies.iter_mut();
    let mut next = 0;
    for place in 0..count {
        let len = bytes.count(bytes.len())?;
        let one = bytes.take(len)?;
        if places.is_none_or(|places| places.get(next) == Some(&place)) {
            next += 1;
            decode_one(day, Bytes::raw(one), left.next().ok_or(Fault::Range("a place"))?)?;
        }
    }
    bytes.end()?;
    if next == tallies.len() { Ok(()) } else { Err(Fault::Range("a place")) }
}

fn decode_one(day: Stamp, mut bytes: Bytes<'_>, tally: &mut Tally) -> std::result::Result<(), Fault> {
    let minute = |bytes: &mut Bytes<'_>| -> std::result::Result<Stamp, Fault> {
        Ok(Stamp(day.0 + bytes.count(MOST)? as i64 * Span::MINUTE.0))
    };
    let watts = |bytes: &mut Bytes<'_>| -> std::result::Result<f64, Fault> {
        let bytes = bytes.take(8)?.try_into().map_err(|_| Fault::Short)?;
        Ok(f64::from_le_bytes(bytes))
    };
    tally.bins.clear();
    tally.crossings.clear();
    (tally.first, tally.last) = (None, None);
    for _ in 0..bytes.count(MOST)? {
        let bin = bytes.take(1)?[0];
        let count = bytes.count(MOST)? as u32;
        tally.bins.push((bin, count, watts(&mut bytes)?));
    }
    for _ in 0..bytes.count(MOST)? {
        let bin = bytes.take(1)?[0];
        let more = i32::try_from(bytes.i64()?).map_err(|_| Fault::Range("a count of starts"))?;
        tally.crossings.push((bin, more));
    }
    if !tally.bins.is_empty() {
        tally.first = Some((minute(&mut bytes)?, bytes.take(1)?[0]));
        tally.last = Some((minute(&mut bytes)?, bytes.take(1)?[0]));
    }
    for peak in [&mut tally.peak_minute, &mut tally.peak_quarter] {
        *peak = None;
        if bytes.take(1)?[0] == 1 {
            let at = minute(&mut bytes)?;
            *peak = Some((watts(&mut bytes)?, at));
        }
    }
    bytes.end()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_of_a_day_reads_back() {
        let day = Stamp::from_seconds(1_772_928_000);
        let at = |minute: i64| Stamp(day.0 + minute * Span::MINUTE.0);
        let full = Tally {
            bins: vec![(0, 1200, 310.25), (83, 240, 288_000.125)],
            crossings: vec![(1, 12), (84, -12)],
            first: Some((at(0), 0)),
            last: Some((at(1439), 83)),
            peak_minute: Some((1250.5, at(77))),
            peak_quarter: None,
        };
        for tallies in [vec![], vec![Tally::default()], vec![full.clone(), Tally::default(), full.clone()]] {
            let body = encode(day, &tallies);
            assert_eq!(decode(day, &body), Ok(tallies));
            for cut in 0..body.len() {
                assert!(decode(day, &body[..cut]).is_err());
            }
        }
    }

    #[test]
    fn some_places_are_read_over_those_of_another_day() {
        let day = Stamp::from_seconds(1_772_928_000);
        let of = |watts: f64| Tally {
            bins: vec![(3, 1440, watts)],
            first: Some((day, 3)),
            last: Some((Stamp(day.0 + 1439 * Span::MINUTE.0), 3)),
            peak_minute: Some((watts, day)),
            ..Tally::default()
        };
        let body = encode(day, &[of(1.0), Tally::default(), of(3.0)]);
        let mut tallies = vec![of(9.0), of(9.0), of(9.0)];
        for (places, expected) in
            [(vec![0, 2], vec![of(1.0), of(3.0)]), (vec![1], vec![Tally::default()]), (vec![], vec![])]
        {
            assert_eq!(decode_some(day, &body, Some(&places), &mut tallies), Ok(()), "{places:?}");
            assert_eq!(tallies, expected, "{places:?}");
        }
        assert_eq!(decode_some(day, &body, Some(&[2, 3]), &mut tallies), Err(Fault::Range("a place")));
    }
}
