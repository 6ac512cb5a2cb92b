//! Every row of a site against what it follows from, a UTC day after the other.
//!
//! A check only looks; a repair walks the same way and puts what should be there in place of what
//! is. Where readings are known to be lost, or were let go, what had been made from them stands.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use rusqlite::{Connection, OptionalExtension, params};
use rustc_hash::FxHashMap;

use crate::calendar::{LocalDay, LocalMonth};
use crate::flow::{Row, account};
use crate::reading::Sample;
use crate::site::SeriesIndex;
use crate::units::{Span, Stamp};

use super::catalog::{Entry, NO_ROW};
use super::check::Checked;
use super::decode::Bad;
use super::finding::{Finding, rebuilt_from};
use super::keep::Kept;
use super::readings::{self, day_of, day_start, hour_of, hour_start, key, parts};
use super::recount::{Unsealed, date_of, extent, name_of, readings_of};
use super::rows::{self, Table};
use super::shelf::Looked;
use super::{Result, block, journal, month_days, run_days, week_sums};

/// How far a counter's difference may reach: as far as its neighbours are looked for.
const COUNTER_REACH: Span = Span(31 * Span::DAY.0);

/// A walk over one site.
pub(super) struct Walk<'a> {
    pub db: &'a Connection,
    pub entry: &'a Entry,
    pub kept: Kept,
    /// What does not decode; it was reported.
    pub bad: &'a Bad,
    /// Whether to put right what is wrong; the connection must be able to write.
    pub mend: bool,
    pub checked: &'a mut Checked,
}

/// The minutes of a day as the readings give them.
#[derive(Default)]
struct Counted {
    rows: FxHashMap<SeriesIndex, Vec<Row>>,
    /// Stretches whose readings are lost: what there was of minutes stands.
    stand: Vec<Range<Stamp>>,
    /// Stretches that the writer is about to count again.
    pending: Vec<Range<Stamp>>,
}

impl Walk<'_> {
    /// Walks it all. A repair does each day in a transaction of its own.
    pub(super) fn site(&mut self) -> Result<()> {
        if self.entry.row == NO_ROW {
            return Ok(());
        }
        let sealed: Option<i64> = self
            .db
            .query_row("SELECT sealed_ds FROM site WHERE id = ?1", [self.entry.row], |row| row.get(0))
            .optional()?;
        let sealed = Stamp(sealed.unwrap_or(0)).floor(Span::HOUR);
        for day in self.days()? {
            self.step(|walk| walk.day(day, sealed))?;
        }
        for index in 0..self.entry.series.len() {
            self.step(|walk| walk.sums(SeriesIndex(index as u32)))?;
        }
        self.step(Self::run_days)?;
        self.step(Self::kept_beside)
    }

    fn step(&mut self, step: impl FnOnce(&mut Self) -> Result<()>) -> Result<()> {
        if self.mend {
            self.db.execute_batch("BEGIN IMMEDIATE")?;
        }
        step(self)?;
        if self.mend {
            self.db.execute_batch("COMMIT")?;
        }
        Ok(())
    }

    /// UTC days of which the site has blocks or quarter hours.
    fn days(&self) -> Result<BTreeSet<i64>> {
        let series: rustc_hash::FxHashSet<i64> = self.entry.series.iter().copied().collect();
        let mut days = BTreeSet::new();
        for (table, units) in [("reading_hour", 24), ("reading_day", 1), ("minute_block", 1)] {
            let mut select = self.db.prepare(&format!("SELECT key FROM {table}"))?;
            let mut rows = select.query([])?;
            while let Some(row) = rows.next()? {
                let (unit, of) = parts(row.get(0)?);
                if series.contains(&of) {
                    days.insert(unit.div_euclid(units));
                }
            }
        }
        let mut select = self.db.prepare(
            "SELECT start_s FROM quarter WHERE series = ?1 UNION ALL SELECT start_s FROM hour WHERE series = ?1",
        )?;
        for series in &self.entry.series {
            let mut rows = select.query([series])?;
            while let Some(row) = rows.next()? {
                days.insert(day_of(Stamp::from_seconds(row.get(0)?)));
            }
        }
        Ok(days)
    }

    fn day(&mut self, day: i64, sealed: Stamp) -> Result<()> {
        let whole = day_start(day)..day_start(day + 1);
        if self.kept.minutes.is_some_and(|from| whole.start < from) {
            // Only the sums are left, and they follow from nothing that is kept.
            return Ok(());
        }
        let countable = whole.start >= self.kept.countable();
        let mut counted = match countable {
            true => Some(self.count(whole.start..whole.end.min(sealed).max(whole.start))?),
            false => None,
        };
        for index in 0..self.entry.series.len() {
            self.series_day(SeriesIndex(index as u32), day, counted.as_mut())?;
        }
        Ok(())
    }

    /// Counts the minutes of a stretch of one day, and finds out which of them cannot be counted.
    fn count(&mut self, range: Range<Stamp>) -> Result<Counted> {
        let entry = self.entry;
        let mut counted = Counted::default();
        if range.start >= range.end {
            return Ok(counted);
        }
        let counts = (0..entry.channel_rows().len()).any(|channel| entry.is_counter(channel));
        let reach = if counts { COUNTER_REACH } else { entry.widest_reach() };
        let unsealed = unsealed(self.db, entry, range.start - reach..range.end + reach)?;
        let mut lost = readings::lost(self.db, entry.channel_rows())?;
        let sealed =
            readings_of(self.db, entry, &Unsealed::default(), &range, |_| true, &mut |stretch, _| {
                lost.push(stretch);
                Ok(())
            })?;
        // Blocks are decoded a second time only where the journal has something to add.
        let all = match unsealed.is_empty() {
            true => sealed.clone(),
            false => readings_of(self.db, entry, &unsealed, &range, |_| true, &mut |_, _| Ok(()))?,
        };
        for (channel, (sealed, all)) in sealed.iter().zip(&all).enumerate() {
            let missing = self.missing(channel, &range, all, &lost)?;
            lost.extend(missing);
            let reach = if entry.reaches_on(channel) { Span::DAY } else { entry.reach(channel) };
            // What is behind the stretch is of the open hour, and no news to what was sealed.
            let late = |sample: &&Sample| sample.at < range.end && sealed.binary_search(sample).is_err();
            for sample in all.iter().filter(late) {
                counted.pending.push(sample.at - reach..sample.at + reach);
            }
        }
        counted.stand.extend(self.bridged(&lost, &range)?);
        let reach = if counts { Span::DAY } else { entry.widest_reach() };
        counted.stand.extend(lost.into_iter().map(|lost| lost.start - reach..lost.end + reach));
        counted.stand.retain(|stand| stand.start < range.end && stand.end > range.start);
        counted.stand.sort_by_key(|stand| stand.start);
        counted.stand.dedup();
        for minute in account(&entry.site, range, &all) {
            for (series, row) in minute.rows {
                counted.rows.entry(series).or_default().push(row);
            }
        }
        Ok(counted)
    }

    /// What counters bridge beside stretches whose readings are lost: from the last reading before to the first after
    /// them a counter's minutes followed from readings that are not there any more.
    fn bridged(&self, lost: &[Range<Stamp>], range: &Range<Stamp>) -> Result<Vec<Range<Stamp>>> {
        let near = |lost: &&Range<Stamp>| {
            lost.start - COUNTER_REACH < range.end && lost.end + COUNTER_REACH > range.start
        };
        let mut bridged = Vec::new();
        for (channel, series) in self.entry.channel_rows().iter().enumerate() {
            if !self.entry.is_counter(channel) {
                continue;
            }
            for lost in lost.iter().filter(near) {
                let before = readings::last_before(self.db, *series, lost.start, &mut |_, _| Ok(()))?;
                let after = readings::first_from(self.db, *series, lost.end, &mut |_, _| Ok(()))?;
                let from = before.map_or(lost.start - COUNTER_REACH, |sample| sample.at);
                bridged.push(from..after.map_or(lost.end + COUNTER_REACH, |sample| sample.at));
            }
        }
        Ok(bridged)
    }

    /// Hours whose minutes know something that no reading says: their readings are gone. Taken note of,
    /// so that nothing counts those minutes away.
    fn missing(
        &mut self,
        channel: usize,
        range: &Range<Stamp>,
        samples: &[Sample],
        lost: &[Range<Stamp>],
    ) -> Result<Vec<Range<Stamp>>> {
        let at = SeriesIndex(channel as u32);
        let (series, day) = (self.entry.series_row(at), day_of(range.start));
        let mut hours = BTreeSet::new();
        // A gap that a counter bridges has no reading for as long as it likes.
        if self.entry.is_counter(channel) || self.bad.contains(&("minute_block", key(day, series))) {
            return Ok(Vec::new());
        }
        let reach = self.entry.reach(channel);
        // The first reading of the next day says what the last minute of this one ends with.
        let next = rows::minutes_of_day(self.db, series, day + 1, 0).unwrap_or_default();
        let known = next.first().is_some_and(|row| row.start == range.end && row.covered > Span::ZERO);
        let gone = known && samples.last().is_none_or(|last| last.at < range.end);
        for row in rows::minutes_of_day(self.db, series, day, 0)? {
            let (from, to) = (row.start - reach, row.start + Span::MINUTE + reach);
            let first = samples.partition_point(|sample| sample.at < from);
            let read = samples.get(first).is_some_and(|sample| sample.at < to);
            let noted = lost.iter().any(|lost| lost.start < to && lost.end > from);
            if row.covered > Span::ZERO && !read && !noted && range.contains(&row.start) {
                hours.insert(hour_of(row.start));
            }
        }
        for hour in &hours {
            let remedy = "they are lost: `store repair` takes note of that; the minutes made from them stay";
            self.find("readings-missing", "reading_hour", at, hour_start(*hour), |_| {
                ("there are minutes of this hour and no readings".into(), remedy.into())
            });
            if self.mend {
                self.db.execute(
                    "INSERT INTO set_aside (origin, key, why, body, repaired)
                     VALUES ('reading_hour', ?1, 'its readings were not there', x'', 1)",
                    params![key(*hour, series)],
                )?;
            }
        }
        let mut lost: Vec<_> = hours.into_iter().map(|hour| hour_start(hour)..hour_start(hour + 1)).collect();
        if gone {
            lost.push(range.end..range.end + Span::HOUR);
        }
        Ok(lost)
    }

    fn find(
        &mut self,
        id: &'static str,
        table: &str,
        at: SeriesIndex,
        since: Stamp,
        words: impl FnOnce(&str) -> (String, String),
    ) {
        let since = self.entry.zone.rfc3339(since);
        let place = format!("{table}, {} {}", self.entry.site.id, self.entry.site.series_name(at));
        let (what, remedy) = words(&since);
        self.checked.find(Finding { id, what, place, since: Some(since), remedy });
    }

    /// The minutes and quarter hours of one series and day.
    fn series_day(&mut self, at: SeriesIndex, day: i64, counted: Option<&mut Counted>) -> Result<()> {
        let series = self.entry.series_row(at);
        let whole = day_start(day)..day_start(day + 1);
        let rule = self.entry.rules.print(at, &whole);
        let fresh = counted.as_ref().and_then(|counted| counted.rows.get(&at)).map_or(0, Vec::len);
        if rows::rule_of_minutes(self.db, series, day)?.is_some_and(|made_by| made_by != rule) {
            self.checked.other_rule += fresh as u64;
            return Ok(());
        }
        let bad = self.bad.contains(&("minute_block", key(day, series)));
        // A split that the map in force has not made yet is no loss: it is to be counted.
        let stored = self.minutes(series, day, rule)?.unwrap_or_default();
        let wanted = match counted {
            None => stored.clone(),
            Some(counted) => {
                self.checked.minutes += fresh as u64;
                let fresh = counted.rows.remove(&at).unwrap_or_default();
                self.wanted(&stored, fresh, counted)
            }
        };
        if wanted != stored && !bad {
            let minutes = differing(&stored, &wanted);
            let first = minutes.first().copied().unwrap_or(whole.start);
            let what = format!("{} of its minutes are not what the readings give", minutes.len());
            self.find("minutes-differ", "minute_block", at, first, |_| (what, rebuilt_from("readings")));
        }
        if self.mend && wanted != stored {
            rows::put_minutes(self.db, series, day, rule, &wanted)?;
            run_days::forget(self.db, self.entry.row, &whole)?;
        }
        self.sums_of_minutes(at, Table::Quarter, &whole, (&stored, &wanted))?;
        self.sums_of_minutes(at, Table::Hour, &whole, (&stored, &wanted))
    }

    /// The minutes of a day; `None` where there is no block, or one that does not decode.
    fn minutes(&self, series: i64, day: i64, rule: i64) -> Result<Option<Vec<Row>>> {
        let mut select =
            self.db.prepare_cached("SELECT body FROM minute_block WHERE key = ?1 AND rule = ?2")?;
        let body: Option<Vec<u8>> =
            select.query_row(params![key(day, series), rule], |row| row.get(0)).optional()?;
        Ok(body.and_then(|body| block::decode_minutes(day_start(day), &body).ok()))
    }

    /// What should be there: as counted, but what stands stays, and what is pending is left alone.
    fn wanted(&mut self, stored: &[Row], fresh: Vec<Row>, counted: &Counted) -> Vec<Row> {
        let inside = |ranges: &[Range<Stamp>], start: Stamp| {
            let minute = start..start + Span::MINUTE;
            ranges.iter().any(|range| range.start < minute.end && range.end > minute.start)
        };
        let mut wanted: BTreeMap<Stamp, Row> = fresh.into_iter().map(|row| (row.start, row)).collect();
        let before: BTreeMap<Stamp, &Row> = stored.iter().map(|row| (row.start, row)).collect();
        let starts: BTreeSet<Stamp> = wanted.keys().chain(before.keys()).copied().collect();
        for start in starts {
            let pending = inside(&counted.pending, start);
            self.checked.pending += u64::from(pending);
            if pending && !self.mend {
                match before.get(&start) {
                    Some(row) => wanted.insert(start, **row),
                    None => wanted.remove(&start),
                };
            } else if inside(&counted.stand, start)
                && let Some(row) = before.get(&start)
            {
                wanted.insert(start, **row);
            }
        }
        wanted.into_values().collect()
    }

    /// Quarter hours or hours: the sums of the minutes.
    fn sums_of_minutes(
        &mut self,
        at: SeriesIndex,
        table: Table,
        whole: &Range<Stamp>,
        (stored, wanted): (&[Row], &[Row]),
    ) -> Result<()> {
        let series = self.entry.series_row(at);
        let (length, id, words) = match table {
            Table::Quarter => (Span::QUARTER, "quarters-differ", "quarter hours"),
            _ => (Span::HOUR, "hours-differ", "hours"),
        };
        let found = rows::select(self.db, table, series, whole)?;
        let found: Vec<Row> = found.into_iter().map(|(row, _)| row).collect();
        self.checked.sums += found.len() as u64;
        let sums = summed(wanted, length);
        if found == sums {
            return Ok(());
        }
        let starts = differing(&found, &sums);
        // Where the minutes are wrong, that was said; saying the same of their sums helps nobody.
        if found != summed(stored, length) {
            let first = starts.first().copied().unwrap_or(whole.start);
            let what = format!("{} {words} are not the sums of their minutes", starts.len());
            self.find(id, table.name(), at, first, |_| (what, rebuilt_from("minutes")));
        }
        if self.mend {
            week_sums::forget(self.db, self.entry.row, whole)?;
            for start in starts {
                let sum = sums.iter().find(|sum| sum.start == start).copied();
                let rule = self.entry.rules.print(at, &(start..start + length));
                let row = sum.unwrap_or_else(|| Row::empty(start));
                rows::put(self.db, table, series, (row, rule), None)?;
            }
        }
        Ok(())
    }

    /// Days from quarter hours and months from days, a month in memory at a time.
    fn sums(&mut self, at: SeriesIndex) -> Result<()> {
        let series = self.entry.series_row(at);
        let mut span: Option<(i64, i64)> = None;
        for table in ["quarter", "day", "month"] {
            let sql = format!("SELECT min(start_s), max(start_s) FROM {table} WHERE series = ?1");
            let ends: (Option<i64>, Option<i64>) =
                self.db.query_row(&sql, [series], |row| Ok((row.get(0)?, row.get(1)?)))?;
            if let (Some(first), Some(last)) = ends {
                let (from, to) = span.unwrap_or((first, last));
                span = Some((from.min(first), to.max(last)));
            }
        }
        let Some((first, last)) = span else { return Ok(()) };
        let mut month = self.entry.zone.month_of(Stamp::from_seconds(first));
        let end = self.entry.zone.month_of(Stamp::from_seconds(last));
        while month <= end {
            self.month(at, month)?;
            month = month.next();
        }
        Ok(())
    }

    fn month(&mut self, at: SeriesIndex, month: LocalMonth) -> Result<()> {
        let (series, entry) = (self.entry.series_row(at), self.entry);
        let range = entry.zone.month_range(month);
        let mut days: BTreeMap<LocalDay, Row> = BTreeMap::new();
        for (row, rule) in rows::select(self.db, Table::Quarter, series, &range)? {
            if rule == entry.rules.print(at, &(row.start..row.start + Span::QUARTER)) {
                let day = entry.zone.day_of(row.start);
                let empty = || Row::empty(entry.zone.day_range(day).start);
                days.entry(day).or_insert_with(empty).absorb(&row);
            }
        }
        let mut wanted = BTreeMap::new();
        for (day, row) in days {
            let rule = entry.rules.print(at, &entry.zone.day_range(day));
            wanted.insert(row.start, (row, rule, date_of(day)));
        }
        self.table(at, Table::Day, &range, wanted)?;
        // Of the days as they are now: a day that is wrong was said to be, and a repair has put it right.
        let mut sum = Row::empty(range.start);
        for (day, rule) in rows::select(self.db, Table::Day, series, &range)? {
            if rule == entry.rules.print(at, &extent(&entry.zone, Table::Day, day.start)) {
                sum.absorb(&day);
            }
        }
        let wanted = match sum.is_empty() {
            true => BTreeMap::new(),
            false => BTreeMap::from([(sum.start, (sum, entry.rules.print(at, &range), name_of(month)))]),
        };
        self.table(at, Table::Month, &range, wanted)
    }

    /// What is kept of days against their minutes. What is wrong is taken away: the daemon makes it anew.
    fn run_days(&mut self) -> Result<()> {
        let always = Stamp(0)..Stamp::from_seconds(i64::from(u32::MAX));
        for (day, rule, body) in run_days::bodies(self.db, self.entry.row, &always)? {
            // Of another map, or another zone: it is not used.
            if rule != self.entry.day_rules.of_day(&day) {
                continue;
            }
            self.checked.sums += 1;
            let what = match (run_days::decode(day.start, &body), run_days::count(self.db, self.entry, &day))
            {
                (Err(fault), _) => fault.to_string(),
                // A minute that does not decode was told of.
                (_, Err(super::Error::Damaged(_))) => continue,
                (_, Err(error)) => return Err(error),
                (Ok(kept), Ok(counted)) if kept == counted.tallies => continue,
                _ => "the run times of the day that starts here are not those of its minutes".to_owned(),
            };
            self.is_not_kept_right("runs-differ", "run_day", "minutes", &day, what);
            if self.mend {
                run_days::forget(self.db, self.entry.row, &day)?;
            }
        }
        Ok(())
    }

    /// The days of months that are kept together against the days one by one, and the sums by slot of the week
    /// against the quarter hours; what is wrong is taken away as well.
    fn kept_beside(&mut self) -> Result<()> {
        self.beside("month-days-differ", "month_days", "days", month_days::wrong, month_days::forget)?;
        self.beside("week-sums-differ", "week_sum", "quarter hours", week_sums::wrong, week_sums::forget)
    }

    fn beside(
        &mut self,
        id: &'static str,
        table: &str,
        finer: &str,
        wrong: fn(&Connection, &Entry) -> Result<Looked>,
        forget: fn(&Connection, i64, &Range<Stamp>) -> Result<()>,
    ) -> Result<()> {
        let (looked, wrong) = wrong(self.db, self.entry)?;
        self.checked.sums += looked;
        for (range, what) in wrong {
            self.is_not_kept_right(id, table, finer, &range, what);
            if self.mend {
                forget(self.db, self.entry.row, &range)?;
            }
        }
        Ok(())
    }

    /// Something that is kept in `table`, and follows from what is `finer`, is wrong.
    fn is_not_kept_right(
        &mut self,
        id: &'static str,
        table: &str,
        finer: &str,
        range: &Range<Stamp>,
        what: String,
    ) {
        self.checked.find(Finding {
            id,
            what,
            place: format!("{table}, {}", self.entry.site.id),
            since: Some(self.entry.zone.rfc3339(range.start)),
            remedy: format!("`store repair` takes it away, and the daemon makes it anew from the {finer}"),
        });
    }

    /// The rows of `table` in a month against what they should be.
    fn table(
        &mut self,
        at: SeriesIndex,
        table: Table,
        range: &Range<Stamp>,
        mut wanted: BTreeMap<Stamp, (Row, i64, String)>,
    ) -> Result<()> {
        let series = self.entry.series_row(at);
        let zone = self.entry.zone.clone();
        let (name, finer, of) = match table {
            Table::Day => ("day", "quarter hours", zone.day_of(range.start)),
            _ => ("month", "days", zone.day_of(range.start)),
        };
        let mut put: Vec<(Row, i64, String)> = Vec::new();
        for (found, made_by) in rows::select(self.db, table, series, range)? {
            let extent = extent(&zone, table, found.start);
            let want = wanted.remove(&found.start);
            if extent.start == found.start && made_by != self.entry.rules.print(at, &extent) {
                continue;
            }
            self.checked.sums += 1;
            match want {
                Some((row, ..)) if row == found => {}
                Some(want) => put.push(want),
                None => put.push((Row::empty(found.start), 0, date_of(of))),
            }
        }
        put.extend(wanted.into_values());
        put.sort_by_key(|(row, ..)| row.start);
        for (row, rule, date) in put {
            let what = format!("the {name} that starts here is not the sum of its {finer}");
            self.find(
                if table == Table::Day { "day-differs" } else { "month-differs" },
                name,
                at,
                row.start,
                |_| (what, rebuilt_from(finer)),
            );
            if self.mend {
                month_days::forget(self.db, self.entry.row, range)?;
                rows::put(self.db, table, series, (row, rule), Some(&date))?;
            }
        }
        Ok(())
    }
}

/// The readings of the journal of one site in `range`, without the rows that do not decode.
fn unsealed(db: &Connection, entry: &Entry, range: Range<Stamp>) -> Result<Unsealed> {
    let mut unsealed = Unsealed::default();
    let mut select = db
        .prepare_cached("SELECT from_ds, body FROM journal WHERE to_ds > ?1 AND from_ds < ?2 ORDER BY seq")?;
    let mut rows = select.query([range.start.0, range.end.0])?;
    while let Some(row) = rows.next()? {
        let body = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
        let Ok(kept) = journal::decode(Stamp(row.get(0)?), body) else { continue };
        for kept in kept {
            if kept.site == entry.row && range.contains(&kept.sample.at) {
                unsealed.entry(kept.series).or_default().push(kept.sample);
            }
        }
    }
    for samples in unsealed.values_mut() {
        // Of two with one time the one that was committed later holds.
        samples.reverse();
        samples.sort_by_key(|sample| sample.at);
        samples.dedup_by_key(|sample| sample.at);
    }
    Ok(unsealed)
}

/// Quarter hours or hours from the minutes of a day.
fn summed(minutes: &[Row], length: Span) -> Vec<Row> {
    let mut sums: Vec<Row> = Vec::new();
    for minute in minutes {
        let start = minute.start.floor(length);
        if sums.last().is_none_or(|sum| sum.start != start) {
            sums.push(Row::empty(start));
        }
        if let Some(sum) = sums.last_mut() {
            sum.absorb(minute);
        }
    }
    sums.retain(|sum| !sum.is_empty());
    sums
}

/// Where the two are not the same.
fn differing(one: &[Row], two: &[Row]) -> BTreeSet<Stamp> {
    let only = |these: &[Row], those: &[Row]| -> Vec<Stamp> {
        let others: BTreeMap<Stamp, &Row> = those.iter().map(|row| (row.start, row)).collect();
        these.iter().filter(|row| others.get(&row.start) != Some(row)).map(|row| row.start).collect()
    };
    only(one, two).into_iter().chain(only(two, one)).collect()
}
