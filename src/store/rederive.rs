//! Deriving sign splits again after a correction of the map, a UTC day after the other, the newest
//! first.
//!
//! What is to be done stands in the file, and each day is a transaction that also takes it off the
//! list: so it can be cut short anywhere, goes on after the next start, and does no day twice. Commits
//! go on in between. A day costs the memory of the few channels that its splits follow from.

use std::ops::Range;

use rusqlite::{Connection, params};

use crate::site::SeriesIndex;
use crate::units::Stamp;

use super::Result;
use super::catalog::{Catalog, Entry};
use super::keep::Kept;
use super::readings::{self, day_start};
use super::recount::{Outcome, Recount, Unsealed};
use super::{rows, seal};

/// Days that one step looks at which have nothing to do: some milliseconds of look-ups.
const LOOKED_AT: usize = 500;

/// A split and days of it that wait.
struct Waiting {
    id: i64,
    site: i64,
    series: i64,
    days: Range<i64>,
}

/// What a step did.
#[derive(Debug)]
pub(super) struct Step {
    /// The site that it was for (a row of `site`).
    pub site: i64,
    /// The last day that it looked at.
    pub day: Stamp,
    /// Whether it was derived; else there was nothing to do down to it.
    pub derived: bool,
    /// Days of the site that are left.
    pub left: u64,
    pub outcome: Outcome,
}

/// Whether a UTC day of a split waits to be derived again.
pub(super) fn waits(db: &Connection, series: i64, day: i64) -> Result<bool> {
    let mut select = db.prepare_cached(
        "SELECT EXISTS (SELECT 1 FROM rederive WHERE series = ?1 AND from_day <= ?2 AND to_day > ?2)",
    )?;
    Ok(select.query_row([series, day], |row| row.get(0))?)
}

fn list(db: &Connection) -> Result<Vec<Waiting>> {
    let mut select = db.prepare_cached(
        "SELECT rederive.id, site, series, from_day, to_day FROM rederive
         JOIN series ON series.id = rederive.series ORDER BY to_day DESC, rederive.id",
    )?;
    let waiting = select.query_map([], |row| {
        let days = row.get(3)?..row.get(4)?;
        Ok(Waiting { id: row.get(0)?, site: row.get(1)?, series: row.get(2)?, days })
    })?;
    Ok(waiting.collect::<rusqlite::Result<_>>()?)
}

/// Does the newest day that waits, of a site that a map in force has; `None` if there is none.
/// `sealed` tells how far a site is sealed: what is not is no block yet, and counted when it is.
pub(super) fn step(
    db: &Connection,
    catalog: &Catalog,
    sealed: impl Fn(i64) -> Stamp,
) -> Result<Option<Step>> {
    let mut waiting = list(db)?;
    // A site without a map waits for it.
    waiting.retain(|waiting| {
        catalog.entry_of(waiting.site).is_some_and(|entry| !entry.site.channels.is_empty())
    });
    let Some(first) = waiting.first() else { return Ok(None) };
    let (site, last) = (first.site, first.days.end);
    let Some(entry) = catalog.entry_of(site) else { return Ok(None) };
    waiting.retain(|waiting| waiting.site == site);
    let mut outcome = Outcome::default();
    let (mut day, mut derived) = (last, false);
    for _ in 0..LOOKED_AT {
        day -= 1;
        let splits = needy(db, catalog, entry, &waiting, day)?;
        let done = match splits.is_empty() {
            true => None,
            false => derive(db, entry, &splits, day, sealed(site))?,
        };
        add_up(db, catalog, entry, &waiting, day)?;
        if let Some(done) = done {
            (outcome, derived) = (done, true);
            break;
        }
        if waiting.iter().all(|waiting| waiting.days.start >= day) {
            break;
        }
    }
    for waiting in &mut waiting {
        waiting.days.end = waiting.days.end.min(day);
        if waiting.days.is_empty() {
            db.prepare_cached("DELETE FROM rederive WHERE id = ?1")?.execute([waiting.id])?;
        } else {
            db.prepare_cached("UPDATE rederive SET to_day = ?2 WHERE id = ?1")?
                .execute(params![waiting.id, waiting.days.end])?;
        }
    }
    let left: rustc_hash::FxHashSet<i64> = waiting.into_iter().flat_map(|waiting| waiting.days).collect();
    Ok(Some(Step { site, day: day_start(day), derived, left: left.len() as u64, outcome }))
}

/// The splits of that day that another rule made, or that nobody did.
fn needy(
    db: &Connection,
    catalog: &Catalog,
    entry: &Entry,
    waiting: &[Waiting],
    day: i64,
) -> Result<Vec<SeriesIndex>> {
    let whole = day_start(day)..day_start(day + 1);
    let mut splits = Vec::new();
    for waiting in waiting.iter().filter(|waiting| waiting.days.contains(&day)) {
        // A split that the map has no more needs no rows.
        let Some((_, series)) = catalog.series_of(waiting.series) else { continue };
        let split = series.0 as usize - entry.site.channels.len();
        let made_by = rows::rule_of_minutes(db, waiting.series, day)?;
        let needs = match made_by {
            Some(made_by) => made_by != entry.rules.print(series, &whole),
            None => entry.rules.exists(split, &whole),
        };
        if needs && !splits.contains(&series) {
            splits.push(series);
        }
    }
    Ok(splits)
}

/// Adds the local days and months up again that hold some of this day: they follow from another rule
/// than before even where nothing in the day itself does.
fn add_up(db: &Connection, catalog: &Catalog, entry: &Entry, waiting: &[Waiting], day: i64) -> Result<()> {
    let unsealed = Unsealed::default();
    let recount = Recount { db, entry, unsealed: &unsealed, sealed: Stamp::MIN, recent: &[], only: &[] };
    for waiting in waiting.iter().filter(|waiting| waiting.days.contains(&day)) {
        if let Some((_, series)) = catalog.series_of(waiting.series) {
            recount.sums_of_another_rule(series, &(day_start(day)..day_start(day + 1)))?;
        }
    }
    Ok(())
}

/// Derives them; `None` where there is nothing to derive, or nothing kept to derive it from: what
/// another map made then stays as it is, unseen.
fn derive(
    db: &Connection,
    entry: &Entry,
    splits: &[SeriesIndex],
    day: i64,
    sealed: Stamp,
) -> Result<Option<Outcome>> {
    let whole = day_start(day)..day_start(day + 1);
    if whole.start >= sealed || day_start(day) < Kept::look_up(db)?.countable() {
        return Ok(None);
    }
    let channels = entry.channels_of(splits);
    let window = entry.window_of(channels.iter().copied(), std::slice::from_ref(&whole));
    let unsealed = seal::unsealed(db, &[entry.row], window)?;
    // A mean of the next day's first second reaches into this one, and an instant of the day before.
    let near = day_start(day - 1)..day_start(day + 2);
    let (mut own, mut kept) = (false, false);
    for channel in channels {
        let row = entry.channel_rows()[channel];
        let samples = unsealed.get(&row).map_or(&[][..], Vec::as_slice);
        own = own || samples.iter().any(|sample| whole.contains(&sample.at)) || readings::any(db, row, day)?;
        kept = kept || own || samples.iter().any(|sample| near.contains(&sample.at));
        for day in [day - 1, day + 1] {
            kept = kept || readings::any(db, row, day)?;
        }
    }
    if !kept {
        return Ok(None);
    }
    let mut splits = splits.to_vec();
    if !own {
        let recount = Recount { db, entry, unsealed: &unsealed, sealed, recent: &[], only: &splits };
        // What cannot be had again stays, and keeps none of the others from being right.
        let losing = recount.would_lose(day)?;
        splits.retain(|split| !losing.contains(split));
    }
    if splits.is_empty() {
        return Ok(None);
    }
    let recount = Recount { db, entry, unsealed: &unsealed, sealed, recent: &[], only: &splits };
    let outcome = recount.derive(day)?;
    for split in splits {
        if rows::rule_of_minutes(db, entry.series_row(split), day)?.is_some() {
            return Ok(Some(outcome));
        }
    }
    Ok(None)
}
