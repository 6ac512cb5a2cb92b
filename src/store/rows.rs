//! The tables of rows: minutes in blocks; quarter hours, hours, days and months one row each.

use std::ops::Range;

use rusqlite::{Connection, OptionalExtension, ToSql, params};

use crate::flow::Row;
use crate::units::{Energy, Span, Stamp};

use super::readings::{day_of, day_start, key, set_aside};
use super::{Error, Result, block};

/// One of the tables of plain rows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Table {
    Quarter,
    Hour,
    Day,
    Month,
}

impl Table {
    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Quarter => "quarter",
            Self::Hour => "hour",
            Self::Day => "day",
            Self::Month => "month",
        }
    }
}

/// A row and the fingerprint of the rule that made it.
pub(super) type Ruled = (Row, i64);

/// The rows of a series whose start lies in `range`, by start.
pub(super) fn select(db: &Connection, table: Table, series: i64, range: &Range<Stamp>) -> Result<Vec<Ruled>> {
    let sql =
        format!("SELECT {SUMS}, rule, low, high FROM {} WHERE {IN_RANGE} ORDER BY start_s", table.name());
    read(db, &sql, params![series, bound(range.start), bound(range.end)], |row| {
        let found = Row {
            min: row.get::<_, Option<i32>>(5)?.unwrap_or(i32::MAX),
            max: row.get::<_, Option<i32>>(6)?.unwrap_or(i32::MIN),
            ..sums_of(row)?
        };
        Ok((found, row.get(4)?))
    })
}

/// The same rows without their extremes, of which energy does not follow: a year of rows is read much faster. Where
/// one `rule` alone holds, only those that it made.
pub(super) fn without_extremes(
    db: &Connection,
    table: Table,
    series: i64,
    range: &Range<Stamp>,
    rule: Option<i64>,
) -> Result<Vec<Ruled>> {
    let (name, from, to) = (table.name(), bound(range.start), bound(range.end));
    match rule {
        Some(rule) => {
            let sql = format!("SELECT {SUMS} FROM {name} WHERE {IN_RANGE} AND rule = ?4 ORDER BY start_s");
            read(db, &sql, params![series, from, to, rule], |row| Ok((sums_of(row)?, rule)))
        }
        None => {
            let sql = format!("SELECT {SUMS}, rule FROM {name} WHERE {IN_RANGE} ORDER BY start_s");
            read(db, &sql, params![series, from, to], |row| Ok((sums_of(row)?, row.get(4)?)))
        }
    }
}

/// The first whole second at or after `at`: what bounds starts and ends, which are whole seconds.
pub(super) fn bound(at: Stamp) -> i64 {
    Stamp(at.0.saturating_add(9)).seconds()
}

const SUMS: &str = "start_s, energy_in, energy_out, covered";
const IN_RANGE: &str = "series = ?1 AND start_s >= ?2 AND start_s < ?3";

/// What [`SUMS`] says.
fn sums_of(row: &rusqlite::Row<'_>) -> rusqlite::Result<Row> {
    Ok(Row {
        energy_in: Energy(row.get(1)?),
        energy_out: Energy(row.get(2)?),
        covered: Span(row.get(3)?),
        ..Row::empty(Stamp::from_seconds(row.get(0)?))
    })
}

fn read(
    db: &Connection,
    sql: &str,
    params: &[&dyn ToSql],
    row_of: impl Fn(&rusqlite::Row<'_>) -> rusqlite::Result<Ruled>,
) -> Result<Vec<Ruled>> {
    let mut select = db.prepare_cached(sql)?;
    let mut rows = select.query(params)?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push(row_of(row)?);
    }
    Ok(found)
}

/// Puts a row in place of what is there; an empty one takes it away. `date` is the local day or
/// month of the tables that have one.
pub(super) fn put(
    db: &Connection,
    table: Table,
    series: i64,
    (row, rule): Ruled,
    date: Option<&str>,
) -> Result<()> {
    let start = row.start.seconds();
    let name = table.name();
    if row.is_empty() {
        db.prepare_cached(&format!("DELETE FROM {name} WHERE series = ?1 AND start_s = ?2"))?
            .execute(params![series, start])?;
        return Ok(());
    }
    let seen = row.covered > Span::ZERO;
    let (low, high) = (seen.then_some(row.min), seen.then_some(row.max));
    let (energy_in, energy_out, covered) = (row.energy_in.0, row.energy_out.0, row.covered.0);
    if let Some(date) = date {
        db.prepare_cached(&format!("REPLACE INTO {name} VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)"))?
            .execute(params![series, start, rule, energy_in, energy_out, covered, low, high, date])?;
    } else {
        db.prepare_cached(&format!("REPLACE INTO {name} VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)"))?
            .execute(params![series, start, rule, energy_in, energy_out, covered, low, high])?;
    }
    Ok(())
}

/// The fingerprint of the rule that made the minutes of a series in a UTC day, if there are any.
pub(super) fn rule_of_minutes(db: &Connection, series: i64, day: i64) -> Result<Option<i64>> {
    let mut select = db.prepare_cached("SELECT rule FROM minute_block WHERE key = ?1")?;
    Ok(select.query_row([key(day, series)], |row| row.get(0)).optional()?)
}

/// The sealed minutes of a series in a UTC day, if they were made by `rule`.
pub(super) fn minutes_of_day(db: &Connection, series: i64, day: i64, rule: i64) -> Result<Vec<Row>> {
    let mut select = db.prepare_cached("SELECT body FROM minute_block WHERE key = ?1 AND rule = ?2")?;
    let body: Option<Vec<u8>> =
        select.query_row(params![key(day, series), rule], |row| row.get(0)).optional()?;
    let Some(body) = body else { return Ok(Vec::new()) };
    let place = || format!("minute_block {}", key(day, series));
    block::decode_minutes(day_start(day), &body).map_err(|fault| Error::damaged(place(), fault))
}

/// The sealed minutes of a series in a UTC day, whichever rule made them, and their body; nothing where
/// they do not decode.
pub(super) fn former_minutes(db: &Connection, series: i64, day: i64) -> Result<(Vec<Row>, Vec<u8>)> {
    let mut select = db.prepare_cached("SELECT body FROM minute_block WHERE key = ?1")?;
    let body: Option<Vec<u8>> = select.query_row([key(day, series)], |row| row.get(0)).optional()?;
    let body = body.unwrap_or_default();
    Ok((block::decode_minutes(day_start(day), &body).unwrap_or_default(), body))
}

/// Like [`minutes_of_day`], for the writer: a block that does not decode is set aside.
pub(super) fn minutes_to_change(
    db: &Connection,
    series: i64,
    day: i64,
    rule: i64,
    damage: &mut Vec<String>,
) -> Result<Vec<Row>> {
    let mut select = db.prepare_cached("SELECT body FROM minute_block WHERE key = ?1 AND rule = ?2")?;
    let body: Option<Vec<u8>> =
        select.query_row(params![key(day, series), rule], |row| row.get(0)).optional()?;
    let Some(body) = body else { return Ok(Vec::new()) };
    match block::decode_minutes(day_start(day), &body) {
        Ok(rows) => Ok(rows),
        Err(fault) => {
            damage.push(set_aside(db, ("minute_block", key(day, series)), fault, &body)?);
            Ok(Vec::new())
        }
    }
}

/// Puts the minutes of a series in a UTC day in place of what is there.
pub(super) fn put_minutes(db: &Connection, series: i64, day: i64, rule: i64, rows: &[Row]) -> Result<()> {
    let key = key(day, series);
    if rows.is_empty() {
        db.prepare_cached("DELETE FROM minute_block WHERE key = ?1")?.execute([key])?;
        return Ok(());
    }
    let body = block::encode_minutes(day_start(day), rows);
    db.prepare_cached("REPLACE INTO minute_block (key, rule, body) VALUES (?1, ?2, ?3)")?
        .execute(params![key, rule, body])?;
    Ok(())
}

/// The sealed minutes of a series in `range`, day by day; `rule` gives the fingerprint in force.
pub(super) fn minutes(
    db: &Connection,
    series: i64,
    range: &Range<Stamp>,
    rule: impl Fn(&Range<Stamp>) -> i64,
) -> Result<Vec<Row>> {
    let mut rows = Vec::new();
    if range.start >= range.end {
        return Ok(rows);
    }
    for day in day_of(range.start)..=day_of(Stamp(range.end.0 - 1)) {
        let of_day = minutes_of_day(db, series, day, rule(&(day_start(day)..day_start(day + 1))))?;
        rows.extend(of_day.into_iter().filter(|row| range.contains(&row.start)));
    }
    Ok(rows)
}

/// From when on there are quarter hours of any of these series.
pub(super) fn first_quarter(db: &Connection, series: &[i64]) -> Result<Option<Stamp>> {
    let mut select = db.prepare_cached("SELECT min(start_s) FROM quarter WHERE series = ?1")?;
    let mut first: Option<Stamp> = None;
    for one in series {
        let found: Option<i64> = select.query_row([one], |row| row.get(0))?;
        first = first.into_iter().chain(found.map(Stamp::from_seconds)).min();
    }
    Ok(first)
}
