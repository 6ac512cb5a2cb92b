//! Minutes from readings, and their sums: what sealing, late readings and corrections have in
//! common.
//!
//! Every minute comes from [`account`], over the sealed readings and those of the journal, so it
//! does not matter when a reading came or how often this is done.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use rusqlite::Connection;
use rustc_hash::FxHashMap;

use crate::calendar::{LocalDay, LocalMonth};
use crate::flow::{Row, account};
use crate::reading::Sample;
use crate::site::{ChannelIndex, SeriesIndex};
use crate::units::{Span, Stamp};

use super::catalog::Entry;
use super::keep::Kept;
use super::readings::{self, OnDamage, day_of, day_start, merged};
use super::recent::Placed;
use super::rederive;
use super::rows::{self, Table};
use super::{Result, counted, month_days, run_days, week_sums};

/// The readings of the journal, by row of `series`; each by time without doubles.
pub(super) type Unsealed = FxHashMap<i64, Vec<Sample>>;

/// What a recount did.
#[derive(Debug, Default)]
pub(super) struct Outcome {
    /// Minutes whose rows are others than before, as ranges.
    pub changed: Vec<Range<Stamp>>,
    /// The rows of the minutes that are not sealed yet.
    pub recent: Vec<(Stamp, Vec<Placed>)>,
    /// From the first to the last of the sealed minutes that are others than before.
    pub resealed: Option<Range<Stamp>>,
    /// What did not decode and was set aside.
    pub damage: Vec<String>,
}

impl Outcome {
    fn reseal(&mut self, range: &Range<Stamp>) {
        let known = self.resealed.take().unwrap_or_else(|| range.clone());
        self.resealed = Some(known.start.min(range.start)..known.end.max(range.end));
    }
}

/// One recount of one site.
pub(super) struct Recount<'a> {
    pub db: &'a Connection,
    pub entry: &'a Entry,
    pub unsealed: &'a Unsealed,
    /// Minutes before this go to blocks.
    pub sealed: Stamp,
    /// The unsealed minutes as they are.
    pub recent: &'a [Placed],
    /// The splits to compute; all series if there are none here.
    pub only: &'a [SeriesIndex],
}

/// Sorted, whole minutes, without overlap.
pub(super) fn tidy(mut ranges: Vec<Range<Stamp>>) -> Vec<Range<Stamp>> {
    for range in &mut ranges {
        *range = range.start.floor(Span::MINUTE)..Stamp(range.end.0 + Span::MINUTE.0 - 1).floor(Span::MINUTE);
    }
    ranges.retain(|range| range.start < range.end);
    ranges.sort_by_key(|range| range.start);
    let mut tidy: Vec<Range<Stamp>> = Vec::with_capacity(ranges.len());
    for range in ranges {
        match tidy.last_mut() {
            Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
            _ => tidy.push(range),
        }
    }
    tidy
}

impl Recount<'_> {
    /// Computes the minutes of these ranges again and brings blocks and sums in line.
    pub(super) fn run(&self, ranges: Vec<Range<Stamp>>) -> Result<Outcome> {
        let mut outcome = Outcome::default();
        let mut days = BTreeSet::new();
        // No further than minutes are closed.
        let shown = self.recent.last().map_or(self.sealed, |(_, row)| row.start + Span::MINUTE);
        let until = self.sealed.max(shown);
        // Tidy first: every range has the counters beside it looked up.
        let ranges = counted::whole_stretches(self.db, self.entry, self.unsealed, tidy(ranges), until)?;
        for piece in self.sealed_pieces(tidy(ranges.clone()))? {
            self.sealed_day(piece, &mut days, &mut outcome)?;
        }
        self.sums(days)?;
        for range in tidy(ranges) {
            self.unsealed_minutes(range.start.max(self.sealed)..range.end, &mut outcome)?;
        }
        outcome.changed = tidy(std::mem::take(&mut outcome.changed));
        Ok(outcome)
    }

    /// The sealed parts of the ranges, cut by UTC day. A day whose splits were made by another rule
    /// is taken whole, so that a block never mixes rules.
    fn sealed_pieces(&self, ranges: Vec<Range<Stamp>>) -> Result<Vec<Range<Stamp>>> {
        let mut pieces: BTreeMap<i64, Vec<Range<Stamp>>> = BTreeMap::new();
        // What readings were let go of is never counted again.
        let countable = Kept::look_up(self.db)?.countable();
        for range in ranges {
            let range = range.start.max(countable)..range.end.min(self.sealed);
            if range.start >= range.end {
                continue;
            }
            for day in day_of(range.start)..=day_of(Stamp(range.end.0 - 1)) {
                let piece = range.start.max(day_start(day))..range.end.min(day_start(day + 1));
                pieces.entry(day).or_default().push(piece);
            }
        }
        for (day, pieces) in &mut pieces {
            let whole = day_start(*day)..day_start(day + 1);
            for (series, row) in self.splits() {
                let made_by = rows::rule_of_minutes(self.db, row, *day)?;
                if made_by.is_some_and(|made_by| made_by != self.entry.rules.print(series, &whole))
                    || rederive::waits(self.db, row, *day)?
                {
                    *pieces = vec![whole.start..whole.end.min(self.sealed)];
                    break;
                }
            }
        }
        Ok(pieces.into_values().flatten().collect())
    }

    fn wants(&self, series: SeriesIndex) -> bool {
        self.only.is_empty() || self.only.contains(&series)
    }

    /// Derives the splits of a UTC day again, as far as it is sealed.
    pub(super) fn derive(&self, day: i64) -> Result<Outcome> {
        let mut outcome = Outcome::default();
        let mut days = BTreeSet::new();
        let range = day_start(day)..day_start(day + 1).min(self.sealed);
        if range.start < range.end {
            self.sealed_day(range, &mut days, &mut outcome)?;
        }
        self.sums(days)?;
        Ok(outcome)
    }

    /// Those splits of which deriving a UTC day that has no readings of its own would leave less than what
    /// is stored, by whatever rule.
    ///
    /// What its neighbours' readings give of such a day is a minute at either end. Where its own were there
    /// once, what another map made of them is more than that. So an end of a split that the map does not
    /// have on that day is no loss, but all else of it is.
    pub(super) fn would_lose(&self, day: i64) -> Result<Vec<SeriesIndex>> {
        let whole = day_start(day)..day_start(day + 1);
        let range = whole.start..whole.end.min(self.sealed);
        let (fresh, _) = self.account(&range, &mut Vec::new())?;
        let channels = self.entry.site.channels.len();
        let is_end = |row: &Row| row.start == whole.start || row.start + Span::MINUTE == whole.end;
        let mut losing = Vec::new();
        for split in self.only {
            let (former, _) = rows::former_minutes(self.db, self.entry.series_row(*split), day)?;
            let fresh = fresh.get(split).map_or(&[][..], Vec::as_slice);
            let is_there = self.entry.rules.exists(split.0 as usize - channels, &whole);
            if missing(&former, fresh).any(|row| is_there || !is_end(row)) {
                losing.push(*split);
            }
        }
        Ok(losing)
    }

    /// Puts aside what another map made of a day, where some of it cannot be made again because the readings
    /// of that time are lost; says so.
    fn lay_aside(&self, at: SeriesIndex, day: i64, fresh: &[Row], lost: &Lost) -> Result<Option<String>> {
        let series = self.entry.series_row(at);
        let (former, body) = rows::former_minutes(self.db, series, day)?;
        let is_lost = |row: &&Row| {
            lost.iter().any(|lost| lost.start < row.start + Span::MINUTE && lost.end > row.start)
        };
        // What is left of a minute may be its last second.
        let gone = known_less(&former, fresh).filter(is_lost).count();
        if gone == 0 {
            return Ok(None);
        }
        let why = format!(
            "another map made it, and {gone} of its minutes cannot be derived again: their readings are lost"
        );
        readings::lay_aside(self.db, (readings::FORMER, readings::key(day, series)), &why, &body)?;
        let name = self.entry.site.series_name(at);
        let date = self.entry.zone.rfc3339(day_start(day));
        Ok(Some(format!("minutes of {} {name}, {date}: {why}; it is kept in set_aside", self.entry.site.id)))
    }

    fn splits(&self) -> impl Iterator<Item = (SeriesIndex, i64)> {
        let channels = self.entry.site.channels.len();
        let rows = self.entry.series.iter().enumerate().skip(channels);
        rows.map(|(index, row)| (SeriesIndex(index as u32), *row))
    }

    /// A stretch of sealed minutes inside of one UTC day.
    fn sealed_day(
        &self,
        range: Range<Stamp>,
        days: &mut BTreeSet<(SeriesIndex, LocalDay)>,
        outcome: &mut Outcome,
    ) -> Result<()> {
        let (mut fresh, lost) = self.account(&range, &mut outcome.damage)?;
        let day = day_of(range.start);
        let whole = day_start(day)..day_start(day + 1);
        for (index, series) in self.entry.series.iter().enumerate() {
            let at = SeriesIndex(index as u32);
            if !self.wants(at) {
                continue;
            }
            let rule = self.entry.rules.print(at, &whole);
            let of_another = rows::rule_of_minutes(self.db, *series, day)?.is_some_and(|by| by != rule);
            let mut fresh = fresh.remove(&at).unwrap_or_default();
            let stored = rows::minutes_to_change(self.db, *series, day, rule, &mut outcome.damage)?;
            let inside = |row: &&Row| range.contains(&row.start);
            let old: Vec<Row> = stored.iter().filter(inside).copied().collect();
            if !lost.is_empty() {
                // Where readings cannot be read any more, what was made from them still stands.
                // Up to where a reading matters: the first one that is lost said how the minute before ends.
                let reach = self.entry.widest_reach();
                let is_lost = |row: &Row| {
                    let (from, to) = (row.start - reach, row.start + Span::MINUTE + reach);
                    lost.iter().any(|lost| lost.start < to && lost.end > from)
                };
                // Where nothing stands, what is still known of a minute is better than none: all of it, of
                // series that the loss is none of; its end, which the first reading after the loss says.
                let known = |row: &Row| old.iter().any(|old| old.start == row.start);
                fresh.retain(|row| !(is_lost(row) && known(row)));
                fresh.extend(old.iter().filter(|row| is_lost(row)));
                fresh.sort_by_key(|row| row.start);
            }
            let shown =
                self.recent.iter().filter(|(other, row)| other == series && range.contains(&row.start));
            // A minute is either sealed or recent; what was shown of it before is what counts.
            let mut before = old.clone();
            before.extend(shown.map(|(_, row)| *row));
            before.sort_by_key(|row| row.start);
            before.dedup_by_key(|row| row.start);
            outcome.changed.extend(differences(&before, &fresh));
            if old == fresh && !of_another {
                continue;
            }
            if of_another && !lost.is_empty() {
                outcome.damage.extend(self.lay_aside(at, day, &fresh, &lost)?);
            }
            let resealed = if of_another { Some(range.clone()) } else { stretch(&old, &fresh) };
            if let Some(resealed) = resealed {
                run_days::forget(self.db, self.entry.row, &resealed)?;
                week_sums::forget(self.db, self.entry.row, &resealed)?;
                outcome.reseal(&resealed);
            }
            let mut all: Vec<Row> = stored.into_iter().filter(|row| !range.contains(&row.start)).collect();
            all.extend(fresh);
            all.sort_by_key(|row| row.start);
            rows::put_minutes(self.db, *series, day, rule, &all)?;
            self.sums_of_minutes(at, Table::Quarter, Span::QUARTER, &range, &all)?;
            self.sums_of_minutes(at, Table::Hour, Span::HOUR, &range, &all)?;
            let mut start = range.start.floor(Span::QUARTER);
            while start < range.end {
                days.insert((at, self.entry.zone.day_of(start)));
                start = start + Span::QUARTER;
            }
        }
        Ok(())
    }

    /// The quarter hours, or hours, that `range` touches, from all minutes of the day.
    fn sums_of_minutes(
        &self,
        at: SeriesIndex,
        table: Table,
        length: Span,
        range: &Range<Stamp>,
        minutes: &[Row],
    ) -> Result<()> {
        let mut start = range.start.floor(length);
        while start < range.end {
            let whole = start..start + length;
            let from = minutes.partition_point(|row| row.start < whole.start);
            let to = minutes.partition_point(|row| row.start < whole.end);
            let mut sum = Row::empty(start);
            minutes[from..to].iter().for_each(|row| sum.absorb(row));
            let rule = self.entry.rules.print(at, &whole);
            rows::put(self.db, table, self.entry.series_row(at), (sum, rule), None)?;
            start = whole.end;
        }
        Ok(())
    }

    /// The days, and the months that they are in.
    fn sums(&self, days: BTreeSet<(SeriesIndex, LocalDay)>) -> Result<()> {
        let months: BTreeSet<_> = days.iter().map(|(series, day)| (*series, day.month())).collect();
        for (series, day) in days {
            self.sum(series, Table::Day, self.entry.zone.day_range(day), &date_of(day))?;
        }
        for (series, month) in months {
            self.sum(series, Table::Month, self.entry.zone.month_range(month), &name_of(month))?;
        }
        Ok(())
    }

    /// The days and months that touch `range` and were made by another rule. One of which nothing is left
    /// that the rule in force made stays: it holds again if the map is put back.
    pub(super) fn sums_of_another_rule(&self, at: SeriesIndex, range: &Range<Stamp>) -> Result<()> {
        let zone = &self.entry.zone;
        let last = range.end - Span(1);
        let mut day = zone.day_of(range.start);
        while day <= zone.day_of(last) {
            let extent = zone.day_range(day);
            if self.is_of_another_rule(at, Table::Day, &extent)? {
                self.sum(at, Table::Day, extent, &date_of(day))?;
            }
            day = day.next();
        }
        let mut month = zone.month_of(range.start);
        while month <= zone.month_of(last) {
            let extent = zone.month_range(month);
            if self.is_of_another_rule(at, Table::Month, &extent)? {
                self.sum(at, Table::Month, extent, &name_of(month))?;
            }
            month = month.next();
        }
        Ok(())
    }

    /// A day or month from the rows of the next finer table that were made by the rule in force.
    fn sum(&self, at: SeriesIndex, table: Table, range: Range<Stamp>, date: &str) -> Result<()> {
        let rules = &self.entry.rules;
        let series = self.entry.series_row(at);
        let finer = if table == Table::Day { Table::Quarter } else { Table::Day };
        let mut sum = Row::empty(range.start);
        for (row, rule) in rows::select(self.db, finer, series, &range)? {
            if rule == rules.print(at, &extent(&self.entry.zone, finer, row.start)) {
                sum.absorb(&row);
            }
        }
        if sum.is_empty() && self.is_of_another_rule(at, table, &range)? {
            return Ok(());
        }
        if table == Table::Day {
            month_days::forget(self.db, self.entry.row, &range)?;
        }
        rows::put(self.db, table, series, (sum, rules.print(at, &range)), Some(date))
    }

    /// Whether the row of that day or month is there and another rule than the one in force made it.
    fn is_of_another_rule(&self, at: SeriesIndex, table: Table, extent: &Range<Stamp>) -> Result<bool> {
        let print = self.entry.rules.print(at, extent);
        let starts = extent.start..extent.start + Span(1);
        let found = rows::select(self.db, table, self.entry.series_row(at), &starts)?;
        Ok(found.iter().any(|(_, rule)| *rule != print))
    }

    /// Closed minutes that are not sealed yet.
    fn unsealed_minutes(&self, range: Range<Stamp>, outcome: &mut Outcome) -> Result<()> {
        if range.start >= range.end {
            return Ok(());
        }
        let (fresh, _) = self.account(&range, &mut outcome.damage)?;
        let mut minutes: BTreeMap<Stamp, Vec<Placed>> = BTreeMap::new();
        for (series, rows) in fresh {
            for row in rows {
                minutes.entry(row.start).or_default().push((self.entry.series_row(series), row));
            }
        }
        let mut start = range.start;
        while start < range.end {
            let mut new = minutes.remove(&start).unwrap_or_default();
            let mut old: Vec<Placed> =
                self.recent.iter().filter(|(_, row)| row.start == start).copied().collect();
            new.sort_by_key(|(series, _)| *series);
            old.sort_by_key(|(series, _)| *series);
            if new != old {
                outcome.changed.push(start..start + Span::MINUTE);
            }
            outcome.recent.push((start, new));
            start = start + Span::MINUTE;
        }
        Ok(())
    }

    /// The rows of every minute in `range`, by series, each by time; and the stretches whose readings
    /// cannot be read.
    fn account(&self, range: &Range<Stamp>, damage: &mut Vec<String>) -> Result<(BySeries, Lost)> {
        let mut lost = readings::lost(self.db, self.entry.channel_rows())?;
        let mut on_damage = |stretch, what| {
            lost.push(stretch);
            damage.push(what);
            Ok(())
        };
        let channels = self.entry.channels_of(self.only);
        let wanted = |channel: usize| self.only.is_empty() || channels.contains(&channel);
        let readings = readings_of(self.db, self.entry, self.unsealed, range, wanted, &mut on_damage)?;
        let mut by_series = BySeries::default();
        for minute in account(&self.entry.site, range.clone(), &readings) {
            for (series, row) in minute.rows {
                by_series.entry(series).or_default().push(row);
            }
        }
        Ok((by_series, lost))
    }
}

type BySeries = FxHashMap<SeriesIndex, Vec<Row>>;
type Lost = Vec<Range<Stamp>>;

/// What the minutes of `range` follow from, by channel; nothing of a channel that is not wanted.
pub(super) fn readings_of(
    db: &Connection,
    entry: &Entry,
    unsealed: &Unsealed,
    range: &Range<Stamp>,
    wanted: impl Fn(usize) -> bool,
    on_damage: OnDamage<'_>,
) -> Result<Vec<Vec<Sample>>> {
    let mut all = Vec::with_capacity(entry.channel_rows().len());
    let pairs = entry.site.beside();
    for (channel, series) in entry.channel_rows().iter().enumerate() {
        if !wanted(channel) {
            all.push(Vec::new());
            continue;
        }
        let is = |one: ChannelIndex| one.0 as usize == channel;
        let (mut counts, mut is_power) = (Vec::new(), false);
        for (power, counter) in pairs.iter().filter(|(power, counter)| is(*power) || is(*counter)) {
            is_power = is(*power);
            let counter = counter.0 as usize;
            counts.push(counted::counter_around(db, entry, counter, unsealed, range, on_damage)?);
        }
        if is_power {
            all.push(counted::power_around(db, entry, channel, unsealed, (range, &counts), on_damage)?);
            continue;
        }
        if let Some(counts) = counts.pop() {
            all.push(counts);
            continue;
        }
        let reach = entry.reach(channel);
        let window = range.start - reach..range.end + reach;
        let mut sealed = Vec::new();
        readings::load(db, *series, &window, &mut sealed, on_damage)?;
        let unsealed = unsealed.get(series).map_or(&[][..], Vec::as_slice);
        let from = unsealed.partition_point(|sample| sample.at < window.start);
        let to = unsealed.partition_point(|sample| sample.at < window.end);
        let mut samples = merged(&sealed, &unsealed[from..to]);
        if entry.is_counter(channel) {
            // A counter's difference bridges any gap, so its neighbours matter however far.
            let before = readings::last_before(db, *series, window.start, on_damage)?;
            let before = before.into_iter().chain(unsealed[..from].last().copied()).max_by_key(|s| s.at);
            let after = readings::first_from(db, *series, window.end, on_damage)?;
            let after = after.into_iter().chain(unsealed[to..].first().copied()).min_by_key(|s| s.at);
            samples.splice(0..0, before);
            samples.extend(after);
        }
        all.push(samples);
    }
    Ok(all)
}

/// Adds all days and months of a site up anew from its quarter hours, which know no zone: for a map
/// that has another zone than before.
pub(super) fn rezone(db: &Connection, entry: &Entry) -> Result<()> {
    let always = Stamp::MIN..Stamp::MAX;
    month_days::forget(db, entry.row, &always)?;
    for (index, series) in entry.series.iter().enumerate() {
        let at = SeriesIndex(index as u32);
        for table in [Table::Day, Table::Month] {
            db.execute(&format!("DELETE FROM {} WHERE series = ?1", table.name()), [series])?;
        }
        let mut days: BTreeMap<LocalDay, Row> = BTreeMap::new();
        let mut months: BTreeMap<LocalMonth, Row> = BTreeMap::new();
        for (row, rule) in rows::select(db, Table::Quarter, *series, &always)? {
            if rule != entry.rules.print(at, &(row.start..row.start + Span::QUARTER)) {
                continue;
            }
            let day = entry.zone.day_of(row.start);
            let start = || Row::empty(entry.zone.day_range(day).start);
            days.entry(day).or_insert_with(start).absorb(&row);
            let start = || Row::empty(entry.zone.month_range(day.month()).start);
            months.entry(day.month()).or_insert_with(start).absorb(&row);
        }
        for (day, sum) in days {
            let rule = entry.rules.print(at, &entry.zone.day_range(day));
            rows::put(db, Table::Day, *series, (sum, rule), Some(&date_of(day)))?;
        }
        for (month, sum) in months {
            let rule = entry.rules.print(at, &entry.zone.month_range(month));
            rows::put(db, Table::Month, *series, (sum, rule), Some(&name_of(month)))?;
        }
    }
    Ok(())
}

/// Adds hours up from quarter hours where a site has none yet: files of the first format have no
/// hours.
pub(super) fn fill_hours(db: &Connection, entry: &Entry) -> Result<()> {
    let mut missing = db.prepare_cached(
        "SELECT EXISTS (SELECT 1 FROM quarter WHERE series = ?1)
            AND NOT EXISTS (SELECT 1 FROM hour WHERE series = ?1)",
    )?;
    for (index, series) in entry.series.iter().enumerate() {
        if !missing.query_row([series], |row| row.get(0))? {
            continue;
        }
        let at = SeriesIndex(index as u32);
        let mut hours: BTreeMap<Stamp, Row> = BTreeMap::new();
        for (row, rule) in rows::select(db, Table::Quarter, *series, &(Stamp::MIN..Stamp::MAX))? {
            if rule == entry.rules.print(at, &(row.start..row.start + Span::QUARTER)) {
                let start = row.start.floor(Span::HOUR);
                hours.entry(start).or_insert_with(|| Row::empty(start)).absorb(&row);
            }
        }
        for (start, sum) in hours {
            let rule = entry.rules.print(at, &(start..start + Span::HOUR));
            rows::put(db, Table::Hour, *series, (sum, rule), None)?;
        }
    }
    Ok(())
}

/// How the rows of days are named.
pub(super) fn date_of(day: LocalDay) -> String {
    let (year, month, of_month) = day.civil();
    format!("{year:04}-{month:02}-{of_month:02}")
}

/// How the rows of months are named.
pub(super) fn name_of(month: LocalMonth) -> String {
    let (year, number) = month.civil();
    format!("{year:04}-{number:02}")
}

/// From where to where a row of that table reaches.
pub(super) fn extent(zone: &crate::calendar::Zone, table: Table, start: Stamp) -> Range<Stamp> {
    match table {
        Table::Quarter => start..start + Span::QUARTER,
        Table::Hour => start..start + Span::HOUR,
        Table::Day => zone.day_range(zone.day_of(start)),
        Table::Month => zone.month_range(zone.month_of(start)),
    }
}

/// The minutes of `former` that know something and are not in `fresh`. Both by time.
fn missing<'a>(former: &'a [Row], fresh: &'a [Row]) -> impl Iterator<Item = &'a Row> {
    former.iter().filter(|row| {
        row.covered > Span::ZERO && fresh.binary_search_by_key(&row.start, |fresh| fresh.start).is_err()
    })
}

/// The minutes of `former` of which `fresh` knows less, or nothing. Both by time.
fn known_less<'a>(former: &'a [Row], fresh: &'a [Row]) -> impl Iterator<Item = &'a Row> {
    former.iter().filter(|row| {
        let at = fresh.binary_search_by_key(&row.start, |fresh| fresh.start);
        row.covered > at.map_or(Span::ZERO, |at| fresh[at].covered)
    })
}

/// From the first to the last minute that is not the same in both. Both by time.
fn stretch(old: &[Row], new: &[Row]) -> Option<Range<Stamp>> {
    let same = old.iter().zip(new).take_while(|(old, new)| old == new).count();
    let (old, new) = (&old[same..], &new[same..]);
    let start = [old, new].into_iter().filter_map(|rows| rows.first()).map(|row| row.start).min()?;
    let last = [old, new].into_iter().filter_map(|rows| rows.last()).map(|row| row.start).max()?;
    Some(start..last + Span::MINUTE)
}

/// The minutes that are in only one of the two, or in both with other figures. Both by time.
fn differences(old: &[Row], new: &[Row]) -> Vec<Range<Stamp>> {
    let mut minutes = BTreeMap::new();
    for row in old {
        minutes.insert(row.start, Some(row));
    }
    for row in new {
        match minutes.remove(&row.start) {
            Some(Some(other)) if other == row => {}
            _ => {
                minutes.insert(row.start, None);
            }
        }
    }
    minutes.into_keys().map(|start| start..start + Span::MINUTE).collect()
}
