//! Rows for history: the stored ones with the unsealed minutes folded in.

use std::ops::Range;
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension};

use crate::flow::{Row, account};
use crate::history::{self, DayRuns, Level, Stretch, WeekSums};
use crate::reading::{Sample, SiteIndex};
use crate::site::{ChannelIndex, SeriesIndex};
use crate::units::{Span, Stamp};

use super::catalog::{Catalog, Entry};
use super::month_days::Days;
use super::recent::Placed;
use super::recount::{extent, readings_of};
use super::rows::{self, Table};
use super::shared::Shared;
use super::{Error, Result, readings, record, rezoned, run_days, seal, week_sums};

/// How much of a journal an offline reader counts at most: as much as a running daemon shows.
const UNSEALED: Span = Span(2 * Span::DAY.0);

/// What the store says of one site at one moment: all answers of one source belong together,
/// whatever is written meanwhile. Short-lived: while one is open, the write-ahead log cannot be
/// cut short.
#[derive(Debug)]
pub struct Source {
    shared: Arc<Shared>,
    site: SiteIndex,
    snapshot: Option<Snapshot>,
}

#[derive(Debug)]
struct Snapshot {
    db: Connection,
    catalog: Arc<Catalog>,
    /// Minutes that are in no block, by series, each by time.
    recent: Vec<Vec<Row>>,
}

impl Source {
    pub(super) fn new(shared: Arc<Shared>, site: SiteIndex) -> Self {
        Self { shared, site, snapshot: None }
    }

    /// The readings of a channel in `range`, sealed or not, by time.
    ///
    /// # Errors
    /// When the file cannot be read, or a block in it.
    pub fn readings(&mut self, channel: ChannelIndex, range: Range<Stamp>) -> Result<Vec<Sample>> {
        let site = self.site;
        let snapshot = self.snapshot()?;
        let Some(entry) = snapshot.catalog.entry(site) else { return Ok(Vec::new()) };
        let series = entry.series_row(SeriesIndex(channel.0));
        let mut sealed = Vec::new();
        readings::load(&snapshot.db, series, &range, &mut sealed, &mut fail)?;
        let unsealed = seal::unsealed(&snapshot.db, &[entry.row], range)?;
        Ok(readings::merged(&sealed, unsealed.get(&series).map_or(&[], Vec::as_slice)))
    }

    /// From the first minute of which the store knows something to the end of the last.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn extent(&mut self) -> Result<Option<Range<Stamp>>> {
        let site = self.site;
        let snapshot = self.snapshot()?;
        let Some(entry) = snapshot.catalog.entry(site) else { return Ok(None) };
        let mut span: Option<Range<Stamp>> = None;
        let mut add = |start: Stamp, end: Stamp| {
            let known = span.clone().unwrap_or(start..end);
            span = Some(known.start.min(start)..known.end.max(end));
        };
        let mut select =
            snapshot.db.prepare_cached("SELECT min(start_s), max(start_s) FROM quarter WHERE series = ?1")?;
        for series in &entry.series {
            let found: (Option<i64>, Option<i64>) =
                select.query_row([series], |row| Ok((row.get(0)?, row.get(1)?)))?;
            if let (Some(first), Some(last)) = found {
                add(Stamp::from_seconds(first), Stamp::from_seconds(last) + Span::QUARTER);
            }
        }
        for rows in &snapshot.recent {
            if let (Some(first), Some(last)) = (rows.first(), rows.last()) {
                add(first.start, last.start + Span::MINUTE);
            }
        }
        Ok(span)
    }

    /// The rows of some series; coarser ones without their extremes, where nobody wants those.
    fn read(
        &mut self,
        level: Level,
        range: Range<Stamp>,
        series: &[SeriesIndex],
        extremes: bool,
    ) -> Result<Vec<(SeriesIndex, Row)>> {
        let site = self.site;
        let snapshot = self.snapshot()?;
        let Some(entry) = snapshot.catalog.entry(site) else { return Ok(Vec::new()) };
        if entry.other_days && level >= Level::Day {
            let table = if level == Level::Day { Table::Day } else { Table::Month };
            let zone = entry.zone.clone();
            let until = extent(&zone, table, range.end - Span(1)).end.max(range.end);
            let quarters = self.read(Level::Quarter, range.start..until, series, extremes)?;
            return Ok(rezoned::added_up(quarters, &zone, table, &range));
        }
        // Extremes are not kept there.
        let days = (level == Level::Day && !extremes)
            .then(|| Days::select(&snapshot.db, entry, &range))
            .transpose()?;
        let mut all = Vec::new();
        for at in series.iter().copied() {
            // A series that the map in force has not.
            let Some(recent) = snapshot.recent.get(at.0 as usize) else { continue };
            let mut rows = match &days {
                Some(days) => days.rows(&snapshot.db, entry, at)?,
                None => stored(&snapshot.db, entry, at, level, &range, extremes)?,
            };
            // Minutes come by time, so the interval of one is mostly that of the one before. One that
            // starts before the range is of an interval that does too.
            let mut interval = Stamp(0)..Stamp(0);
            for row in &recent[recent.partition_point(|row| row.start < range.start)..] {
                if !interval.contains(&row.start) {
                    interval = interval_of(entry, level, row.start);
                }
                let start = interval.start;
                if start >= range.end {
                    break;
                }
                if start < range.start {
                    continue;
                }
                let place = rows.partition_point(|row| row.start < start);
                if rows.get(place).is_none_or(|row| row.start != start) {
                    rows.insert(place, Row::empty(start));
                }
                rows[place].absorb(row);
            }
            all.extend(rows.into_iter().map(|row| (at, row)));
        }
        Ok(all)
    }

    fn snapshot(&mut self) -> Result<&Snapshot> {
        if self.snapshot.is_none() {
            let catalog = self.shared.catalog();
            let entry = catalog.entry(self.site);
            // Before the transaction begins: see `Shared::recent`.
            let shown = entry
                .map(|entry| self.shared.recent().rows(entry.row, &(Stamp::MIN..Stamp::MAX)))
                .unwrap_or_default();
            let db = self.shared.connection()?;
            db.execute_batch("BEGIN")?;
            let mut recent = Vec::new();
            if let Some(entry) = entry {
                let sealed = sealed_until(&db, entry.row)?;
                let shown =
                    if self.shared.is_offline() { count_unsealed(&db, entry, sealed)? } else { shown };
                recent.resize_with(entry.series.len(), Vec::new);
                for (series, row) in shown.into_iter().filter(|(_, row)| row.start >= sealed) {
                    if let Some((_, at)) = catalog.series_of(series) {
                        recent[at.0 as usize].push(row);
                    }
                }
            }
            self.snapshot = Some(Snapshot { db, catalog, recent });
        }
        Ok(self.snapshot.as_ref().expect("it was just made"))
    }
}

impl Drop for Source {
    fn drop(&mut self) {
        if let Some(Snapshot { db, .. }) = self.snapshot.take()
            && db.execute_batch("COMMIT").is_ok()
        {
            self.shared.give_back(db);
        }
    }
}

impl history::Source for Source {
    type Error = Error;

    fn day_runs(
        &mut self,
        range: Range<Stamp>,
        places: &[usize],
        each: &mut dyn FnMut(&DayRuns) -> bool,
    ) -> Result<()> {
        let site = self.site;
        let snapshot = self.snapshot()?;
        let Some(entry) = snapshot.catalog.entry(site) else { return Ok(()) };
        run_days::each(&snapshot.db, entry.row, &range, places, each)
    }

    fn week_sums(&mut self, stretch: Stretch, range: &Range<Stamp>) -> Result<Option<WeekSums>> {
        let site = self.site;
        let snapshot = self.snapshot()?;
        let Some(entry) = snapshot.catalog.entry(site) else { return Ok(None) };
        week_sums::select(&snapshot.db, entry, stretch, range)
    }

    fn begins(&mut self) -> Result<Option<Stamp>> {
        let site = self.site;
        let snapshot = self.snapshot()?;
        let Some(entry) = snapshot.catalog.entry(site) else { return Ok(None) };
        rows::first_quarter(&snapshot.db, entry.channel_rows())
    }

    fn rederiving(&mut self) -> Result<Vec<Range<Stamp>>> {
        let site = self.site;
        let offline = self.shared.is_offline();
        let snapshot = self.snapshot()?;
        let Some(entry) = snapshot.catalog.entry(site) else { return Ok(Vec::new()) };
        record::left(&snapshot.db, entry, offline)
    }

    fn rows(&mut self, level: Level, range: Range<Stamp>) -> Result<Vec<(SeriesIndex, Row)>> {
        let site = self.site;
        let entries = self.snapshot()?.catalog.entry(site).map_or(0, |entry| entry.series.len());
        let all: Vec<SeriesIndex> = (0..entries as u32).map(SeriesIndex).collect();
        self.read(level, range, &all, true)
    }

    fn rows_of(
        &mut self,
        level: Level,
        range: Range<Stamp>,
        series: &[SeriesIndex],
    ) -> Result<Vec<(SeriesIndex, Row)>> {
        self.read(level, range, series, false)
    }
}

/// The sealed rows, as far as the rule in force made them.
pub(super) fn stored(
    db: &Connection,
    entry: &Entry,
    at: SeriesIndex,
    level: Level,
    range: &Range<Stamp>,
    extremes: bool,
) -> Result<Vec<Row>> {
    let series = entry.series_row(at);
    let table = match level {
        Level::Minute => return rows::minutes(db, series, range, |day| entry.rules.print(at, day)),
        Level::Quarter => Table::Quarter,
        Level::Hour => Table::Hour,
        Level::Day => Table::Day,
        Level::Month => Table::Month,
    };
    let always = entry.rules.always(at);
    let ruled = match extremes {
        true => rows::select(db, table, series, range)?,
        false => rows::without_extremes(db, table, series, range, always)?,
    };
    let holds = |row: &Row, rule: i64| {
        let in_force = || entry.rules.print(at, &extent(&entry.zone, table, row.start));
        rule == always.unwrap_or_else(in_force)
    };
    Ok(ruled.into_iter().filter(|(row, rule)| holds(row, *rule)).map(|(row, _)| row).collect())
}

/// The interval of that level that a minute belongs to.
fn interval_of(entry: &Entry, level: Level, minute: Stamp) -> Range<Stamp> {
    match level {
        Level::Minute => minute..minute + Span::MINUTE,
        Level::Quarter => extent(&entry.zone, Table::Quarter, minute.floor(Span::QUARTER)),
        Level::Hour => extent(&entry.zone, Table::Hour, minute.floor(Span::HOUR)),
        Level::Day => extent(&entry.zone, Table::Day, minute),
        Level::Month => extent(&entry.zone, Table::Month, minute),
    }
}

fn sealed_until(db: &Connection, site: i64) -> Result<Stamp> {
    let mut select = db.prepare_cached("SELECT sealed_ds FROM site WHERE id = ?1")?;
    Ok(Stamp(select.query_row([site], |row| row.get(0)).optional()?.unwrap_or(0)))
}

/// The minutes that no seal has reached, up to the newest reading: what a running daemon has in memory.
fn count_unsealed(db: &Connection, entry: &Entry, sealed: Stamp) -> Result<Vec<Placed>> {
    let unsealed = seal::unsealed(db, &[entry.row], Stamp::MIN..Stamp::MAX)?;
    let first = unsealed.values().filter_map(|samples| samples.first()).map(|sample| sample.at).min();
    let last = unsealed.values().filter_map(|samples| samples.last()).map(|sample| sample.at).max();
    let (Some(first), Some(last)) = (first, last) else { return Ok(Vec::new()) };
    let end = last.floor(Span::MINUTE);
    let start = sealed.max((first - entry.widest_reach()).floor(Span::MINUTE)).max(end - UNSEALED);
    if start >= end {
        return Ok(Vec::new());
    }
    let readings = readings_of(db, entry, &unsealed, &(start..end), |_| true, &mut fail)?;
    let minutes = account(&entry.site, start..end, &readings);
    let placed = |(series, row): (SeriesIndex, Row)| (entry.series_row(series), row);
    Ok(minutes.into_iter().flat_map(|minute| minute.rows).map(placed).collect())
}

/// A reader that cannot read says so.
fn fail(_: Range<Stamp>, what: String) -> Result<()> {
    Err(Error::Damaged(what))
}
