//! The days of months that are over, all series together, so that a year of days is read from twelve rows in place
//! of 365 of each series.
//!
//! They follow from the rows of `day`, and hold under the map whose rows they are. Whoever writes one of those
//! forgets the months that it is in, in the same transaction; what another map made has another rule, and is not
//! used. What is missing is made by the writer when it has nothing else to do.

use std::ops::Range;

use rusqlite::Connection;

use crate::flow::Row;
use crate::history::{Column, Level, SeriesSums};
use crate::site::SeriesIndex;
use crate::units::{Span, Stamp};

use super::catalog::Entry;
use super::shelf::{Looked, Shelf};
use super::source::stored;
use super::wire::{self, Bytes, Fault};
use super::{Result, columns};

const FORMAT: u8 = 1;

/// The number changes whenever the same days come to be laid together otherwise.
const WHAT: &str = "month days 1";

/// More days than a month has, so that a bad length takes no memory.
const MOST: usize = 40;

const SHELF: Shelf = Shelf { table: "month_days", stretch: None, longest: Span(32 * Span::DAY.0) };

/// Months that one step looks at which have nothing to do: some milliseconds of look-ups.
const LOOKED_AT: usize = 200;

/// Months that one step makes: some milliseconds each, and one commit for all of them.
const AT_ONCE: usize = 8;

/// The days of a month, without their extremes.
#[derive(Debug, PartialEq, Eq)]
struct MonthDays {
    /// When each of them starts, and how long it lasts in 0.1 s.
    starts: Vec<Stamp>,
    lengths: Vec<i64>,
    /// Of each series of which something is known, rising: its energy, and what is not covered.
    series: Vec<SeriesSums>,
}

impl MonthDays {
    /// Appends the rows of a series whose start lies in `range`.
    fn rows(&self, series: SeriesIndex, range: &Range<Stamp>, to: &mut Vec<Row>) {
        let Ok(at) = self.series.binary_search_by_key(&series, |known| known.series) else { return };
        let known = &self.series[at];
        let days = self.starts.iter().zip(&self.lengths).enumerate();
        to.extend(days.filter(|(_, (start, _))| range.contains(start)).filter_map(
            |(day, (start, length))| known.row(day, *length).map(|row| Row { start: *start, ..row }),
        ));
    }
}

/// The days of a range, in which some months are kept.
pub(super) struct Days {
    parts: Vec<(Range<Stamp>, Option<MonthDays>)>,
}

impl Days {
    /// What is kept of the range.
    pub(super) fn select(db: &Connection, entry: &Entry, range: &Range<Stamp>) -> Result<Self> {
        let mut parts: Vec<(Range<Stamp>, Option<MonthDays>)> = Vec::new();
        let mut start = range.start;
        while start < range.end {
            let month = month_at(entry, start);
            let part = start..month.end.min(range.end);
            start = part.end;
            let days = select(db, entry, &month)?;
            match (parts.last_mut(), &days) {
                (Some((open, None)), None) => open.end = part.end,
                _ => parts.push((part, days)),
            }
        }
        Ok(Self { parts })
    }

    /// The rows of a series, by time: those of months that are kept, and the others one by one.
    pub(super) fn rows(&self, db: &Connection, entry: &Entry, at: SeriesIndex) -> Result<Vec<Row>> {
        let kept = self.parts.iter().filter_map(|(_, kept)| kept.as_ref());
        let mut rows = Vec::with_capacity(kept.map(|days| days.starts.len()).sum());
        for (range, kept) in &self.parts {
            match kept {
                Some(days) => days.rows(at, range, &mut rows),
                None => rows.extend(stored(db, entry, at, Level::Day, range, false)?),
            }
        }
        Ok(rows)
    }
}

fn month_at(entry: &Entry, at: Stamp) -> Range<Stamp> {
    entry.zone.month_range(entry.zone.month_of(at))
}

fn rule(entry: &Entry, month: &Range<Stamp>) -> i64 {
    columns::rule(WHAT, entry, month)
}

/// The days of exactly that month as the map in force has them, if they are kept. What does not decode is not
/// there.
fn select(db: &Connection, entry: &Entry, month: &Range<Stamp>) -> Result<Option<MonthDays>> {
    SHELF.find(db, entry.row, month, rule(entry, month), |body| decode(entry, body).ok())
}

/// Takes the months away that `range` touches.
pub(super) fn forget(db: &Connection, site: i64, range: &Range<Stamp>) -> Result<()> {
    SHELF.forget(db, site, range)
}

/// Lays the rows of a month together; `None` where one of them is of no day that the month has.
fn made(db: &Connection, entry: &Entry, month: &Range<Stamp>) -> Result<Option<MonthDays>> {
    let mut days = MonthDays { starts: Vec::new(), lengths: Vec::new(), series: Vec::new() };
    let mut day = entry.zone.day_of(month.start);
    loop {
        let range = entry.zone.day_range(day);
        if range.start >= month.end {
            break;
        }
        // A day that the clock left out has no row.
        if !range.is_empty() {
            days.starts.push(range.start);
            days.lengths.push((range.end - range.start).0);
        }
        day = day.next();
    }
    for at in (0..entry.series.len() as u32).map(SeriesIndex) {
        let none = || vec![0; days.starts.len()];
        let (mut energy_in, mut energy_out, mut uncovered) = (none(), none(), days.lengths.clone());
        let rows = stored(db, entry, at, Level::Day, month, false)?;
        for row in &rows {
            let Ok(day) = days.starts.binary_search(&row.start) else { return Ok(None) };
            (energy_in[day], energy_out[day]) = (row.energy_in.0, row.energy_out.0);
            uncovered[day] -= row.covered.0;
        }
        if !rows.is_empty() {
            days.series.push(SeriesSums {
                energy_in: Column::of(energy_in),
                energy_out: Column::of(energy_out),
                uncovered: Column::of(uncovered),
                ..SeriesSums::zeros(at)
            });
        }
    }
    Ok(Some(days))
}

/// Makes the newest months that are missing of those that `waiting` touches and that are sealed; what of it
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
        if left.start >= left.end || put_now >= AT_ONCE {
            break;
        }
        let month = month_at(entry, left.end - Span(1));
        if month.end <= sealed
            && !is_there(db, entry, &month)?
            && let Some(days) = made(db, entry, &month)?
        {
            SHELF.put(db, entry.row, &month, rule(entry, &month), &encode(entry, &days))?;
            put_now += 1;
        }
        left.end = month.start;
    }
    Ok(left)
}

/// Whether it is kept as the map in force has it.
pub(super) fn is_there(db: &Connection, entry: &Entry, month: &Range<Stamp>) -> Result<bool> {
    SHELF.is_there(db, entry.row, month, rule(entry, month))
}

/// What is kept of a site and is not what its days say, and why; months of another map, or another zone, are not
/// looked at. Says of how many it looked.
pub(super) fn wrong(db: &Connection, entry: &Entry) -> Result<Looked> {
    let (mut looked, mut wrong) = (0, Vec::new());
    let mut select =
        db.prepare_cached("SELECT start_s, end_s, rule, body FROM month_days WHERE site = ?1")?;
    let mut found = select.query([entry.row])?;
    while let Some(row) = found.next()? {
        let month = Stamp::from_seconds(row.get(0)?)..Stamp::from_seconds(row.get(1)?);
        if row.get::<_, i64>(2)? != rule(entry, &month) {
            continue;
        }
        looked += 1;
        let body = row.get_ref(3)?.as_blob().map_err(rusqlite::Error::from)?;
        let what = match decode(entry, body) {
            Err(fault) => fault.to_string(),
            Ok(days) if Some(&days) == made(db, entry, &month)?.as_ref() => continue,
            Ok(_) => "what is kept of the days of the month that starts here is not what they say".to_owned(),
        };
        wrong.push((month, what));
    }
    Ok((looked, wrong))
}

fn encode(entry: &Entry, days: &MonthDays) -> Vec<u8> {
    let mut body = wire::begin(FORMAT);
    wire::put_u64(&mut body, days.starts.len() as u64);
    let starts: Vec<i64> = days.starts.iter().map(|start| start.seconds()).collect();
    wire::put_column(&mut body, &starts);
    wire::put_column(&mut body, &days.lengths);
    columns::put(&mut body, entry, &days.series);
    wire::finish(body)
}

fn decode(entry: &Entry, body: &[u8]) -> std::result::Result<MonthDays, Fault> {
    let mut bytes = Bytes::open(body, FORMAT)?;
    let count = bytes.count(MOST)?;
    let starts = bytes.column(count)?;
    if !starts.is_sorted_by(|one, other| one < other) {
        return Err(Fault::Range("a day"));
    }
    let lengths = bytes.column(count)?;
    let series = columns::read(&mut bytes, entry, count)?;
    bytes.end()?;
    Ok(MonthDays { starts: starts.into_iter().map(Stamp::from_seconds).collect(), lengths, series })
}
