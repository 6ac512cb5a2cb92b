//! Sealing: hours that are over go from the journal into blocks and rows.
//!
//! It goes on between commits, in steps that are a transaction each: a group of sites after the
//! other is merged and its minutes counted; then the journal's rows are thinned out, a stretch at a
//! time; then days that are over are joined. A journal that holds more than memory should is sealed in
//! slices of hours, each like a seal of its own. Merging is idempotent and rows go only after every group is
//! done, so a seal can be cut short anywhere and done again.

use std::collections::{BTreeMap, VecDeque};
use std::ops::Range;

use rusqlite::{Connection, params};
use rustc_hash::{FxHashMap, FxHashSet};

use crate::reading::Sample;
use crate::units::{Span, Stamp};

use super::catalog::{Catalog, Entry};
use super::journal::{self, Kept};
use super::readings::{self, hour_of, hour_start};
use super::recent::Placed;
use super::recount::{Outcome, Recount, Unsealed};
use super::wire::Fault;
use super::writer::Progress;
use super::{Error, Result};

/// Readings that a group of sites may have in memory: 16 MB, and as much again as they are merged.
/// Small where tests run, so that they seal in slices too.
const GROUP: usize = if cfg!(test) { 10_000 } else { 1_000_000 };

/// Bytes of the journal that one step thins out: some 10 ms on a slow card.
const STRETCH: usize = 4 << 20;

/// Series that one step joins to a day.
const JOINED: usize = 200;

/// A seal on its way.
#[derive(Debug)]
pub(super) struct Sealing {
    /// Hours that end at or before this are sealed.
    pub before: Stamp,
    /// The journal's last row when it began; later ones are the next seal's.
    last: i64,
    /// Sites that are merged together, by row of `site`.
    pub groups: VecDeque<Vec<i64>>,
    /// For each counter, its last reading that would otherwise go: the next one is a difference to it,
    /// however long it takes to come.
    last_gone: FxHashMap<i64, Stamp>,
    /// The journal is thinned out up to this row.
    pub thinned: i64,
}

impl Sealing {
    /// Looks what there is to seal up to `before`, and takes a slice of it that ends after `beyond`.
    /// Sites without a map in force are sealed too: their readings are kept, and counted when their map
    /// is back.
    pub(super) fn begin(db: &Connection, before: Stamp, beyond: Stamp, catalog: &Catalog) -> Result<Self> {
        // Readings by hour and site; a row counts where it begins.
        let mut hours: BTreeMap<i64, FxHashMap<i64, usize>> = BTreeMap::new();
        let mut last = 0;
        each_row(db, Stamp::MIN..Stamp::MAX, |seq, from, body| {
            last = seq;
            if from < before {
                let counts = hours.entry(hour_of(from)).or_default();
                for section in journal::sections(from, body)? {
                    *counts.entry(section.site).or_default() += section.readings;
                }
            }
            Ok(())
        })?;
        let mut counts: FxHashMap<i64, usize> = catalog.entries().map(|(_, entry)| (entry.row, 0)).collect();
        let mut slice = before;
        for (hour, more) in hours {
            let full =
                |(site, more): (&i64, &usize)| counts.get(site).is_some_and(|n| *n > 0 && n + more > GROUP);
            if hour_start(hour) > beyond && more.iter().any(full) {
                slice = hour_start(hour);
                break;
            }
            more.into_iter().for_each(|(site, more)| *counts.entry(site).or_default() += more);
        }
        let mut counts: Vec<(i64, usize)> = counts.into_iter().collect();
        counts.sort_unstable();
        let mut groups: VecDeque<Vec<i64>> = VecDeque::new();
        let mut room = 0;
        for (site, count) in counts {
            if count > room || groups.is_empty() {
                groups.push_back(Vec::new());
                room = GROUP;
            }
            room = room.saturating_sub(count);
            groups.back_mut().expect("one was pushed").push(site);
        }
        Ok(Self { before: slice, last, groups, last_gone: FxHashMap::default(), thinned: 0 })
    }

    /// The readings of these sites that a seal needs.
    pub(super) fn gather(&mut self, db: &Connection, catalog: &Catalog, sites: &[i64]) -> Result<Unsealed> {
        let reach = sites.iter().filter_map(|site| catalog.entry_of(*site)).map(Entry::widest_reach).max();
        let until = self.before + reach.unwrap_or(Span::ZERO) + Span::MINUTE;
        let unsealed = unsealed(db, sites, Stamp::MIN..until)?;
        for (series, samples) in unsealed.iter().filter(|(series, _)| catalog.is_counter(**series)) {
            let keep = catalog.keep_from(*series, self.before);
            let gone = samples.partition_point(|sample| sample.at < keep);
            if let Some(last) = samples[..gone].last() {
                self.last_gone.insert(*series, last.at);
            }
        }
        Ok(unsealed)
    }

    /// Thins out a stretch of the journal; up to which row, if there was any. What stays of its rows
    /// goes into one row in the place of the last of them.
    pub(super) fn thin_out(&self, db: &Connection, catalog: &Catalog) -> Result<Option<i64>> {
        let mut kept: Vec<Kept> = Vec::new();
        let mut gone: Vec<i64> = Vec::new();
        let (mut bytes, mut end) = (0, None);
        let mut select = db.prepare_cached(
            "SELECT seq, from_ds, body FROM journal WHERE seq > ?1 AND seq <= ?2 ORDER BY seq",
        )?;
        let mut rows = select.query([self.thinned, self.last])?;
        while let Some(row) = rows.next()? {
            let (seq, from) = (row.get(0)?, Stamp(row.get(1)?));
            end = Some(seq);
            if from >= self.before {
                // Nothing of it is sealed. Rows before it must stay before it.
                if gone.is_empty() { continue } else { break }
            }
            let body = row.get_ref(2)?.as_blob().map_err(rusqlite::Error::from)?;
            let readings = journal::decode(from, body).map_err(|f| damaged(seq, f))?;
            kept.extend(readings.into_iter().filter(|reading| self.stays(reading, catalog)));
            gone.push(seq);
            bytes += body.len();
            if bytes >= STRETCH {
                break;
            }
        }
        drop(rows);
        for seq in &gone {
            db.prepare_cached("DELETE FROM journal WHERE seq = ?1")?.execute([seq])?;
        }
        if let (Some(seq), Some(coded)) = (gone.last(), journal::encode(kept)) {
            db.prepare_cached("INSERT INTO journal (seq, from_ds, to_ds, body) VALUES (?1, ?2, ?3, ?4)")?
                .execute(params![seq, coded.range.start.0, coded.range.end.0, coded.body])?;
        }
        Ok(end)
    }

    /// Whether a reading stays in the journal: it is of an open hour, or who replays the journal needs
    /// it to know what the first of the open hour cover.
    fn stays(&self, reading: &Kept, catalog: &Catalog) -> bool {
        reading.sample.at >= catalog.keep_from(reading.series, self.before)
            || self.last_gone.get(&reading.series) == Some(&reading.sample.at)
    }
}

/// Joins the hours of days that are over; whether there may be more.
pub(super) fn join(db: &Connection, before: Stamp) -> Result<bool> {
    readings::join(db, before, JOINED)
}

/// The sealing of one site.
pub(super) struct Job<'a> {
    /// Row of `site`.
    pub site: i64,
    /// Its map, if one is in force.
    pub entry: Option<&'a Entry>,
    /// Hours that end at or before this are merged.
    pub before: Stamp,
    /// Minutes before this go to blocks: `before`, or later if a seal went further.
    pub sealed: Stamp,
}

impl Job<'_> {
    /// Merges the readings, and counts the minutes that they change.
    pub(super) fn run(&self, db: &Connection, unsealed: &Unsealed, recent: &[Placed]) -> Result<Outcome> {
        let Self { site, entry, before, sealed } = *self;
        let mut damage = Vec::new();
        let mut touched = Vec::new();
        let mut series_of_site = db.prepare_cached("SELECT id FROM series WHERE site = ?1")?;
        let rows: Vec<i64> =
            series_of_site.query_map([site], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
        for series in rows {
            let Some(samples) = unsealed.get(&series) else { continue };
            let channel = entry.and_then(|e| e.channel_rows().iter().position(|row| *row == series));
            let over = samples.partition_point(|sample| sample.at < before);
            for of_hour in samples[..over].chunk_by(|a, b| hour_of(a.at) == hour_of(b.at)) {
                let hour = hour_of(of_hour[0].at);
                if readings::merge(db, series, hour, of_hour, &mut damage)?
                    && let (Some(entry), Some(channel)) = (entry, channel)
                {
                    touched.push(reach_of(db, entry, channel, samples, of_hour)?);
                }
            }
        }
        let Some(entry) = entry else { return Ok(Outcome { damage, ..Outcome::default() }) };
        // Minutes that were shown and whose readings are all of the next hour.
        touched.extend(recent.first().map(|(_, first)| first.start..before));
        for range in &mut touched {
            range.end = range.end.min(sealed);
        }
        let mut outcome = Recount { db, entry, unsealed, sealed, recent, only: &[] }.run(touched)?;
        outcome.damage.splice(0..0, damage);
        Ok(outcome)
    }
}

/// Which time the readings of an hour can change: their own and what is within their reach; for a
/// counter up to the readings on either side.
pub(super) fn reach_of(
    db: &Connection,
    entry: &Entry,
    channel: usize,
    unsealed: &[Sample],
    of_hour: &[Sample],
) -> Result<Range<Stamp>> {
    let hour = hour_of(of_hour[0].at);
    let reach = entry.reach(channel);
    let mut range = hour_start(hour) - reach..hour_start(hour + 1) + reach;
    if entry.is_counter(channel) {
        let series = entry.channel_rows()[channel];
        let (first, last) = (of_hour[0].at, of_hour[of_hour.len() - 1].at);
        let mut ignore = |_, _| Ok(());
        let before = readings::last_before(db, series, first, &mut ignore)?;
        let after = readings::first_from(db, series, last + Span(1), &mut ignore)?;
        let next = unsealed.partition_point(|sample| sample.at <= last);
        range.start = before.map_or(range.start, |sample| sample.at.min(range.start));
        for sample in after.iter().chain(unsealed.get(next)) {
            range.end = range.end.max(sample.at);
        }
    }
    Ok(range)
}

/// The readings of the journal of these sites, by series: each by time, of equals the last one.
pub(super) fn unsealed(db: &Connection, sites: &[i64], range: Range<Stamp>) -> Result<Unsealed> {
    let sites: FxHashSet<i64> = sites.iter().copied().collect();
    let mut unsealed = Unsealed::default();
    let mut readings: Vec<Kept> = Vec::new();
    each_row(db, range.clone(), |_, from, body| {
        for section in journal::sections(from, body)? {
            if sites.contains(&section.site) {
                readings.clear();
                section.decode(&mut readings)?;
                for kept in readings.iter().filter(|kept| range.contains(&kept.sample.at)) {
                    unsealed.entry(kept.series).or_default().push(kept.sample);
                }
            }
        }
        Ok(())
    })?;
    for samples in unsealed.values_mut() {
        // Stable, so that the later of two equals stands behind.
        samples.sort_by_key(|sample| sample.at);
        samples.dedup_by(|later, kept| {
            let same = later.at == kept.at;
            if same {
                *kept = *later;
            }
            same
        });
    }
    Ok(unsealed)
}

/// Every row of the journal that has a reading in `range`, in the order of the commits.
fn each_row(
    db: &Connection,
    range: Range<Stamp>,
    mut each: impl FnMut(i64, Stamp, &[u8]) -> Result<(), Fault>,
) -> Result<()> {
    let mut select = db.prepare_cached(
        "SELECT seq, from_ds, body FROM journal WHERE to_ds > ?1 AND from_ds < ?2 ORDER BY seq",
    )?;
    let mut rows = select.query([range.start.0, range.end.0])?;
    while let Some(row) = rows.next()? {
        let seq = row.get(0)?;
        let body = row.get_ref(2)?.as_blob().map_err(rusqlite::Error::from)?;
        each(seq, Stamp(row.get(1)?), body).map_err(|fault| damaged(seq, fault))?;
    }
    Ok(())
}

fn damaged(seq: i64, fault: Fault) -> Error {
    Error::damaged(format_args!("journal row {seq}"), fault)
}

/// Sets aside every row of the journal that does not decode; what they were.
pub(super) fn mend(db: &Connection) -> Result<Vec<String>> {
    let mut bad = Vec::new();
    let mut select = db.prepare_cached("SELECT seq, from_ds, body FROM journal ORDER BY seq")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let body = row.get_ref(2)?.as_blob().map_err(rusqlite::Error::from)?;
        if let Err(fault) = journal::decode(Stamp(row.get(1)?), body) {
            bad.push((row.get::<_, i64>(0)?, fault, body.to_vec()));
        }
    }
    drop(rows);
    let mut what = Vec::new();
    for (seq, fault, body) in bad {
        what.push(readings::set_aside(db, ("journal", seq), fault, &body)?);
        db.execute("DELETE FROM journal WHERE seq = ?1", [seq])?;
    }
    Ok(what)
}

/// Stretches that readings in the journal may have changed after their hours were sealed: a run that
/// ended before it had counted them leaves them to the next.
pub(super) fn left_late(
    db: &Connection,
    catalog: &Catalog,
    progress: &FxHashMap<i64, Progress>,
) -> Result<Vec<(i64, Range<Stamp>)>> {
    let sealed = |site: i64| progress.get(&site).map_or(Stamp::MIN, |progress| progress.sealed);
    let latest = progress.values().map(|progress| progress.sealed).max().unwrap_or(Stamp::MIN);
    let mut late: Vec<(i64, Range<Stamp>)> = Vec::new();
    each_row(db, Stamp::MIN..latest, |_, from, body| {
        for kept in journal::decode(from, body)? {
            let Some((site, series)) = catalog.series_of(kept.series) else { continue };
            // What a seal leaves in the journal to reach into the open hour is not late. What is late
            // among that, and a counter's, is counted when the next seal merges it.
            let stays = catalog.keep_from(kept.series, sealed(kept.site));
            if kept.sample.at >= stays || catalog.is_counter(kept.series) {
                continue;
            }
            let reach = catalog.entry(site).map_or(Span::ZERO, |entry| entry.reach(series.0 as usize));
            let range = kept.sample.at - reach..kept.sample.at + reach;
            match late.last_mut() {
                Some((other, last)) if *other == kept.site && range.start <= last.end => {
                    *last = last.start.min(range.start)..last.end.max(range.end);
                }
                _ => late.push((kept.site, range)),
            }
        }
        Ok(())
    })?;
    for (site, range) in &mut late {
        range.end = range.end.min(sealed(*site));
    }
    Ok(late)
}
