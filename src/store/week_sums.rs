//! The quarter hours of local days, months, three months and years that are over, added up by slot of the week, so
//! that a typical day of a year need not read a million rows.
//!
//! They follow from the quarter hours, the zone, and which of the rows the map in force has. Whoever changes
//! quarter hours forgets the stretches that they are in, in the same transaction; what another map made has
//! another rule, and is not used. What is missing is made by the writer when it has nothing else to do.

use std::ops::Range;

use rusqlite::Connection;

use crate::history::{Level, SLOTS, Stretch, WeekSums};
use crate::site::SeriesIndex;
use crate::units::{Span, Stamp};

use super::catalog::Entry;
use super::shelf::{Looked, Shelf, Wrong};
use super::source::stored;
use super::wire::{self, Bytes, Fault};
use super::{Result, columns};

const FORMAT: u8 = 2;

/// The number changes whenever the same quarter hours come to be added up otherwise.
const WHAT: &str = "week sums 1";

/// Days that one step looks at which have nothing to do: some milliseconds of look-ups.
const LOOKED_AT: usize = 200;

/// Stretches that one step makes: some milliseconds each, and one commit for all of them.
const AT_ONCE: usize = 8;

fn shelf(stretch: Stretch) -> Shelf {
    let (number, longest) = match stretch {
        Stretch::Day => (0, Span(26 * Span::HOUR.0)),
        Stretch::Month => (1, Span(32 * Span::DAY.0)),
        Stretch::Year => (2, Span(367 * Span::DAY.0)),
        Stretch::ThreeMonths => (3, Span(93 * Span::DAY.0)),
    };
    Shelf { table: "week_sum", stretch: Some(number), longest }
}

/// The fingerprint of what is added up over a stretch.
fn rule(entry: &Entry, range: &Range<Stamp>) -> i64 {
    columns::rule(WHAT, entry, range)
}

/// The sums of exactly that stretch as the map in force has them, if they are kept. What does not decode is
/// not there.
pub(super) fn select(
    db: &Connection,
    entry: &Entry,
    stretch: Stretch,
    range: &Range<Stamp>,
) -> Result<Option<WeekSums>> {
    shelf(stretch).find(db, entry.row, range, rule(entry, range), |body| decode(entry, body).ok())
}

/// A row without its body: its id, of what stretch, from when to when, and the rule.
type Place = (i64, Stretch, Range<Stamp>, i64);

/// The rows of a site as they stand, the shorter stretches first.
fn all(db: &Connection, site: i64) -> Result<Vec<Place>> {
    let mut select = db.prepare_cached(
        "SELECT id, stretch, start_s, end_s, rule FROM week_sum WHERE site = ?1
         ORDER BY CASE stretch WHEN 2 THEN 4 ELSE stretch END, start_s",
    )?;
    let found = select.query_map([site], |row| {
        let stretch = match row.get(1)? {
            0 => Stretch::Day,
            1 => Stretch::Month,
            2 => Stretch::Year,
            _ => Stretch::ThreeMonths,
        };
        let range = Stamp::from_seconds(row.get(2)?)..Stamp::from_seconds(row.get(3)?);
        Ok((row.get(0)?, stretch, range, row.get(4)?))
    })?;
    Ok(found.collect::<rusqlite::Result<_>>()?)
}

/// Takes the stretches away that `range` touches.
pub(super) fn forget(db: &Connection, site: i64, range: &Range<Stamp>) -> Result<()> {
    Stretch::ALL.into_iter().try_for_each(|stretch| shelf(stretch).forget(db, site, range))
}

/// Adds a stretch up: a day from its quarter hours, a longer one from the next shorter ones, as far as
/// those are kept and not `doubted`. `None` of what cannot be kept.
fn made(
    db: &Connection,
    entry: &Entry,
    stretch: Stretch,
    range: &Range<Stamp>,
    doubted: &[Wrong],
) -> Result<Option<WeekSums>> {
    if stretch.finer().is_none() {
        if !WeekSums::fits(&entry.zone, range) {
            return Ok(None);
        }
        let mut rows = Vec::new();
        for at in (0..entry.series.len() as u32).map(SeriesIndex) {
            rows.extend(
                stored(db, entry, at, Level::Quarter, range, false)?.into_iter().map(|row| (at, row)),
            );
        }
        return Ok(Some(WeekSums::of_day(&entry.zone, range, &rows)));
    }
    let mut parts = Vec::new();
    for (finer, part) in parts_of(entry, stretch, range) {
        let doubted_too = doubted.iter().any(|(range, _)| *range == part);
        let kept = if doubted_too { None } else { select(db, entry, finer, &part)? };
        let sums = match kept {
            Some(sums) => Some(sums),
            None => made(db, entry, finer, &part, doubted)?,
        };
        let Some(sums) = sums else { return Ok(None) };
        parts.push(sums);
    }
    Ok(Some(WeekSums::together(parts)))
}

/// The next shorter stretches that it is made of; nothing of a day.
fn parts_of(entry: &Entry, stretch: Stretch, range: &Range<Stamp>) -> Vec<(Stretch, Range<Stamp>)> {
    let mut parts = Vec::new();
    let mut start = range.start;
    while let Some(finer) = stretch.finer()
        && start < range.end
    {
        let part = finer.range(&entry.zone, start);
        start = part.end;
        parts.push((finer, part));
    }
    parts
}

/// Makes the newest stretches that are missing of those that `waiting` touches and that are sealed; what of it
/// still waits after that, which is empty when all is done.
pub(super) fn step(
    db: &Connection,
    entry: &Entry,
    waiting: &Range<Stamp>,
    sealed: Stamp,
) -> Result<Range<Stamp>> {
    let mut left = waiting.clone();
    let mut put_now = 0;
    for _ in 0..LOOKED_AT {
        if left.start >= left.end {
            break;
        }
        let day = Stretch::Day.range(&entry.zone, left.end - Span(1));
        // What the day is in comes when the first of its days that waits is done.
        for stretch in Stretch::ALL.into_iter().rev() {
            let range = stretch.range(&entry.zone, day.start);
            let is_last = range.start >= day.start || left.start >= day.start;
            if range.end <= sealed && is_last && !is_there(db, entry, stretch, &range)? {
                // Of the first month and the first year that are known, too, what they are made of can be looked up.
                for (stretch, range) in parts_of(entry, stretch, &range).into_iter().chain([(stretch, range)])
                {
                    if !is_there(db, entry, stretch, &range)?
                        && let Some(sums) = made(db, entry, stretch, &range, &[])?
                    {
                        let body = encode(entry, &sums);
                        shelf(stretch).put(db, entry.row, &range, rule(entry, &range), &body)?;
                        put_now += 1;
                    }
                }
            }
        }
        left.end = day.start;
        if put_now >= AT_ONCE {
            break;
        }
    }
    Ok(left)
}

fn is_there(db: &Connection, entry: &Entry, stretch: Stretch, range: &Range<Stamp>) -> Result<bool> {
    shelf(stretch).is_there(db, entry.row, range, rule(entry, range))
}

/// What is kept of a site and is not what its quarter hours say, and why; sums of another map, or another
/// zone, are not looked at. Says of how many it looked.
pub(super) fn wrong(db: &Connection, entry: &Entry) -> Result<Looked> {
    let (mut looked, mut wrong) = (0, Vec::new());
    for (id, stretch, range, of) in all(db, entry.row)? {
        if of != rule(entry, &range) {
            continue;
        }
        looked += 1;
        let mut select = db.prepare_cached("SELECT body FROM week_sum WHERE id = ?1")?;
        let body: Vec<u8> = select.query_row([id], |row| row.get(0))?;
        let what = match decode(entry, &body) {
            Err(fault) => fault.to_string(),
            Ok(sums) if Some(&sums) == made(db, entry, stretch, &range, &wrong)?.as_ref() => continue,
            Ok(_) => "the sums by slot of the week that start here are not those of its quarter hours".into(),
        };
        wrong.push((range, what));
    }
    Ok((looked, wrong))
}

fn encode(entry: &Entry, sums: &WeekSums) -> Vec<u8> {
    let mut body = wire::begin(FORMAT);
    wire::put_u64(&mut body, sums.slots.len() as u64);
    let slots: Vec<i64> = sums.slots.iter().map(|slot| i64::from(*slot)).collect();
    wire::put_column(&mut body, &slots);
    wire::put_column(&mut body, &sums.lengths);
    wire::put_column(&mut body, &sums.days);
    columns::put(&mut body, entry, &sums.series);
    wire::finish(body)
}

fn decode(entry: &Entry, body: &[u8]) -> std::result::Result<WeekSums, Fault> {
    let mut bytes = Bytes::open(body, FORMAT)?;
    let count = bytes.count(SLOTS)?;
    let slots = bytes.column(count)?;
    if !slots.is_sorted_by(|one, other| one < other)
        || slots.iter().any(|slot| !(0..SLOTS as i64).contains(slot))
    {
        return Err(Fault::Range("a slot"));
    }
    let (lengths, days) = (bytes.column(count)?, bytes.column(count)?);
    let series = columns::read(&mut bytes, entry, count)?;
    bytes.end()?;
    Ok(WeekSums { slots: slots.into_iter().map(|slot| slot as u16).collect(), lengths, days, series })
}
