//! Whether what is stored can be read, and agrees with itself.
//!
//! Every block is decoded; the minutes are counted again from the readings; quarter hours and hours
//! have to be the sums of the minutes, days of the quarter hours, months of the days.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

use rusqlite::Connection;

use crate::flow::{Row, account};
use crate::site::{SeriesIndex, Site};
use crate::units::{Span, Stamp};

use super::catalog::{Catalog, Entry};
use super::readings::{day_start, hour_start, parts};
use super::recount::{extent, readings_of};
use super::rows::{self, Table};
use super::size::each_block;
use super::wire::Fault;
use super::{Error, Result, block, journal, schema, seal};

/// Findings that are listed; a file that is broken all over needs no longer list.
const MOST: usize = 1000;

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Checked {
    /// What is wrong, in words; empty where all is well. At most a thousand.
    pub findings: Vec<String>,
    /// Blocks and rows of the journal that were decoded.
    pub blocks: u64,
    /// Minutes that were counted again from readings.
    pub minutes: u64,
    /// Rows of quarter hours, days and months that were added up again.
    pub sums: u64,
    /// Minutes of splits that another map made; they are not shown and were not checked.
    pub other_rule: u64,
}

impl Checked {
    fn find(&mut self, what: String) {
        if self.findings.len() < MOST {
            self.findings.push(what);
        }
    }
}

/// Checks the store file at `path`, whether a daemon has it open or not. What it holds of sites that
/// are not among `sites` is decoded but not counted again.
///
/// # Errors
/// When it cannot be opened. What is wrong inside of it is a finding.
pub fn check(path: &Path, sites: &[Arc<Site>]) -> Result<Checked> {
    let mut db = schema::open_read_only(path)?;
    let tx = db.transaction()?;
    let mut checked = Checked::default();
    let mut select = tx.prepare("PRAGMA integrity_check")?;
    let answers: Vec<String> = select.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    for answer in answers.into_iter().filter(|answer| answer != "ok") {
        checked.find(format!("the file: {answer}"));
    }
    decode_all(&tx, &mut checked)?;
    let aside: i64 = tx.query_row("SELECT count(*) FROM set_aside", [], |row| row.get(0))?;
    if aside > 0 {
        checked.find(format!("{aside} blocks or rows were set aside earlier because they did not decode"));
    }
    // Where something does not decode, its sums cannot agree either, and saying so helps nobody.
    if checked.findings.is_empty() {
        let catalog = Catalog::look_up(&tx, sites)?;
        for (_, entry) in catalog.entries() {
            of_site(&tx, entry, &mut checked)?;
        }
    }
    Ok(checked)
}

/// Decodes a block of an hour or day, for its errors.
type Decode<'a> = &'a dyn Fn(i64, &[u8]) -> Result<(), Fault>;

fn decode_all(db: &Connection, checked: &mut Checked) -> Result<()> {
    let mut select = db.prepare("SELECT seq, from_ds, body FROM journal ORDER BY seq")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let body = row.get_ref(2)?.as_blob().map_err(rusqlite::Error::from)?;
        checked.blocks += 1;
        if let Err(fault) = journal::decode(Stamp(row.get(1)?), body) {
            checked.find(format!("journal {}: {fault}", row.get::<_, i64>(0)?));
        }
    }
    let mut look = |table: &str, decode: Decode<'_>| {
        each_block(db, table, |key, body| {
            checked.blocks += 1;
            if let Err(fault) = decode(parts(key).0, body) {
                let (unit, series) = parts(key);
                checked.find(format!("{table} {key} (unit {unit} of series {series}): {fault}"));
            }
            Ok(())
        })
    };
    look("reading_hour", &|hour, body| block::decode_readings(hour_start(hour), body).map(drop))?;
    look("reading_day", &|day, body| {
        for (hour, block) in block::decode_day(body)? {
            block::decode_readings(hour_start(day * 24 + i64::from(hour)), block)?;
        }
        Ok(())
    })?;
    look("minute_block", &|day, body| block::decode_minutes(day_start(day), body).map(drop))
}

fn of_site(db: &Connection, entry: &Entry, checked: &mut Checked) -> Result<()> {
    let mut select = db.prepare("SELECT sealed_ds FROM site WHERE id = ?1")?;
    let sealed: Option<i64> = select.query_map([entry.row], |row| row.get(0))?.next().transpose()?;
    let sealed = Stamp(sealed.unwrap_or(0));
    let unsealed = seal::unsealed(db, &[entry.row], Stamp::MIN..Stamp::MAX)?;
    let mut local_days = BTreeSet::new();
    for day in days(db, entry)? {
        let whole = day_start(day)..day_start(day + 1).min(sealed);
        let mut fail = |_, what| Err(Error::Damaged(what));
        let readings = readings_of(db, entry, &unsealed, &whole, &mut fail)?;
        let mut counted: BTreeMap<SeriesIndex, Vec<Row>> = BTreeMap::new();
        for minute in account(&entry.site, whole.clone(), &readings) {
            for (series, row) in minute.rows {
                counted.entry(series).or_default().push(row);
            }
        }
        for index in 0..entry.series.len() {
            let at = SeriesIndex(index as u32);
            minutes_of(db, entry, at, day, counted.remove(&at).unwrap_or_default(), checked)?;
        }
        local_days.insert(entry.zone.day_of(day_start(day)));
        local_days.insert(entry.zone.day_of(day_start(day + 1) - Span(1)));
    }
    let months: BTreeSet<_> = local_days.iter().map(|day| day.month()).collect();
    for index in 0..entry.series.len() {
        let at = SeriesIndex(index as u32);
        for day in &local_days {
            sum_of(db, entry, at, Table::Day, entry.zone.day_range(*day), checked)?;
        }
        for month in &months {
            sum_of(db, entry, at, Table::Month, entry.zone.month_range(*month), checked)?;
        }
    }
    Ok(())
}

/// UTC days of which the site has blocks.
fn days(db: &Connection, entry: &Entry) -> Result<BTreeSet<i64>> {
    let series: rustc_hash::FxHashSet<i64> = entry.series.iter().copied().collect();
    let mut days = BTreeSet::new();
    for (table, units) in [("reading_hour", 24), ("reading_day", 1), ("minute_block", 1)] {
        let mut select = db.prepare(&format!("SELECT key FROM {table}"))?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            let (unit, of) = parts(row.get(0)?);
            if series.contains(&of) {
                days.insert(unit.div_euclid(units));
            }
        }
    }
    Ok(days)
}

fn minutes_of(
    db: &Connection,
    entry: &Entry,
    at: SeriesIndex,
    day: i64,
    counted: Vec<Row>,
    checked: &mut Checked,
) -> Result<()> {
    let series = entry.series_row(at);
    let whole = day_start(day)..day_start(day + 1);
    let rule = entry.rules.print(at, &whole);
    let made_by = rows::rule_of_minutes(db, series, day)?;
    if made_by.is_some_and(|made_by| made_by != rule) {
        checked.other_rule += counted.len() as u64;
        return Ok(());
    }
    let stored = rows::minutes_of_day(db, series, day, rule)?;
    checked.minutes += counted.len() as u64;
    let name = || format!("{} {}", entry.site.id, entry.site.series_name(at));
    if stored != counted {
        let wrong = stored.iter().filter(|row| !counted.contains(row)).map(|row| row.start);
        let missing = counted.iter().filter(|row| !stored.contains(row)).map(|row| row.start);
        let minutes: BTreeSet<Stamp> = wrong.chain(missing).collect();
        let first =
            minutes.first().map_or_else(String::new, |at| format!(", first at {}", entry.zone.rfc3339(*at)));
        checked.find(format!(
            "{}: {} of its minutes are not what the readings give{first}",
            name(),
            minutes.len()
        ));
    }
    for (table, length, what) in
        [(Table::Quarter, Span::QUARTER, "quarter hours"), (Table::Hour, Span::HOUR, "hours")]
    {
        let found: Vec<Row> =
            rows::select(db, table, series, &whole)?.into_iter().map(|(row, _)| row).collect();
        let mut sums: Vec<Row> = Vec::new();
        for minute in &stored {
            let start = minute.start.floor(length);
            if sums.last().is_none_or(|sum| sum.start != start) {
                sums.push(Row::empty(start));
            }
            sums.last_mut().expect("one was pushed").absorb(minute);
        }
        checked.sums += found.len() as u64;
        if sums != found {
            let start = entry.zone.rfc3339(day_start(day));
            checked.find(format!(
                "{}: {what} of the UTC day that starts at {start} are not the sums of its minutes",
                name()
            ));
        }
    }
    Ok(())
}

fn sum_of(
    db: &Connection,
    entry: &Entry,
    at: SeriesIndex,
    table: Table,
    range: Range<Stamp>,
    checked: &mut Checked,
) -> Result<()> {
    let series = entry.series_row(at);
    let finer = if table == Table::Day { Table::Quarter } else { Table::Day };
    let mut sum = Row::empty(range.start);
    for (row, rule) in rows::select(db, finer, series, &range)? {
        if rule == entry.rules.print(at, &extent(&entry.zone, finer, row.start)) {
            sum.absorb(&row);
        }
    }
    let rule = entry.rules.print(at, &range);
    let stored = rows::select(db, table, series, &range)?;
    if stored.first().is_some_and(|(_, made_by)| *made_by != rule) {
        return Ok(());
    }
    checked.sums += stored.len() as u64;
    let found: Vec<Row> = stored.into_iter().map(|(row, _)| row).collect();
    let expected: Vec<Row> = if sum.is_empty() { Vec::new() } else { vec![sum] };
    if found != expected {
        checked.find(format!(
            "{} {}: the {} that starts at {} is not the sum of its parts",
            entry.site.id,
            entry.site.series_name(at),
            table.name(),
            entry.zone.rfc3339(range.start)
        ));
    }
    Ok(())
}
