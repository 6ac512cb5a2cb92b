//! What the splits and figures of each site followed from under the last map, kept in the file: so a
//! corrected map is compared with the one before, however long ago the daemon ran with it.
//!
//! Where the rule of a split differs, its rows have to be derived again; where a figure differs,
//! central stores have to be told again. Both become work in the file, in the transaction that puts
//! the new map on record.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use rusqlite::{Connection, params};

use crate::site::{SeriesIndex, Site, figure_fingerprint, figure_name};
use crate::units::{Span, Stamp};

use super::Result;
use super::catalog::{Entry, NO_ROW};
use super::readings::{day_of, day_start};
use super::rule::NOTHING;

/// Since when which fingerprint holds, by time; 0 where there is no such sum.
type Steps = Vec<(Stamp, i64)>;

/// The steps of every split (`split:grid`) and figure (`site/import`) of a site, by name.
type Record = BTreeMap<String, Steps>;

/// What the map in force says.
fn of(entry: &Entry) -> Record {
    let site: &Site = &entry.site;
    let mut record = Record::new();
    for split in 0..site.splits.len() {
        let series = site.split_series(split);
        let steps = entry.rules.steps(split).iter().map(|(since, print)| {
            let print = if *print == NOTHING { 0 } else { *print as i64 };
            (*since, print)
        });
        record.insert(site.series_name(series), steps.collect());
    }
    for (number, epoch) in site.epochs.iter().enumerate() {
        for figure in &epoch.plan.figures {
            let Some(name) = figure_name(site, figure.key) else { continue };
            let print = figure_fingerprint(site, epoch, figure) as i64;
            let steps = record.entry(name).or_default();
            // It may have been absent since the last epoch that has it.
            let next = site.epochs.get(number + 1).map(|epoch| epoch.span.start);
            if steps.last() == Some(&(epoch.span.start, 0)) {
                steps.pop();
            }
            if steps.last().is_none_or(|(_, before)| *before != print) {
                steps.push((epoch.span.start, print));
            }
            steps.extend(next.map(|next| (next, 0)));
        }
    }
    record
}

fn load(db: &Connection, site: i64) -> Result<Record> {
    let mut select =
        db.prepare_cached("SELECT name, from_ds, print FROM rule WHERE site = ?1 ORDER BY name, from_ds")?;
    let mut rows = select.query([site])?;
    let mut record = Record::new();
    while let Some(row) = rows.next()? {
        record.entry(row.get(0)?).or_default().push((Stamp(row.get(1)?), row.get(2)?));
    }
    Ok(record)
}

fn save(db: &Connection, site: i64, record: &Record) -> Result<()> {
    db.prepare_cached("DELETE FROM rule WHERE site = ?1")?.execute([site])?;
    let mut insert =
        db.prepare_cached("INSERT INTO rule (site, name, from_ds, print) VALUES (?1, ?2, ?3, ?4)")?;
    for (name, steps) in record {
        for (since, print) in steps {
            insert.execute(params![site, name, since.0, print])?;
        }
    }
    Ok(())
}

/// What holds at a moment.
fn at(steps: &Steps, moment: Stamp) -> i64 {
    let after = steps.partition_point(|(since, _)| *since <= moment);
    after.checked_sub(1).map_or(0, |last| steps[last].1)
}

/// Where the two differ within `extent`, by time, as long as they can be.
fn differences(old: &Steps, new: &Steps, extent: &Range<Stamp>) -> Vec<Range<Stamp>> {
    let cuts = old.iter().chain(new).map(|(since, _)| *since).filter(|since| extent.contains(since));
    let cuts: BTreeSet<Stamp> = cuts.chain([extent.start, extent.end]).collect();
    let cuts: Vec<Stamp> = cuts.into_iter().collect();
    let mut differences: Vec<Range<Stamp>> = Vec::new();
    for pair in cuts.windows(2).filter(|pair| at(old, pair[0]) != at(new, pair[0])) {
        match differences.last_mut() {
            Some(last) if last.end == pair[0] => last.end = pair[1],
            _ => differences.push(pair[0]..pair[1]),
        }
    }
    differences
}

/// How much of a site's past a change of its map can touch.
struct Extents {
    /// From the first minute that is kept to where it is sealed, in full local months: a day or month
    /// changes its rule as a whole, whenever in it the map does.
    sealed: Range<Stamp>,
    /// From the first minute to where central stores were told.
    told: Range<Stamp>,
}

/// `None` where nothing is kept.
fn extents(db: &Connection, entry: &Entry) -> Result<Option<Extents>> {
    let mut first: Option<Stamp> = None;
    let mut select = db.prepare_cached("SELECT min(start_s) FROM quarter WHERE series = ?1")?;
    for series in entry.channel_rows() {
        let found: Option<i64> = select.query_row([series], |row| row.get(0))?;
        let found = found.map(Stamp::from_seconds);
        first = first.into_iter().chain(found).min();
    }
    let Some(first) = first else { return Ok(None) };
    let ends = "SELECT sealed_ds, marked_ds FROM site WHERE id = ?1";
    let (sealed, marked) =
        db.query_row(ends, [entry.row], |row| Ok((Stamp(row.get(0)?), Stamp(row.get(1)?))))?;
    let month = |at: Stamp| entry.zone.month_range(entry.zone.month_of(at));
    Ok(Some(Extents {
        sealed: month(first).start..month(sealed.max(first)).end,
        told: first..marked.max(first),
    }))
}

/// Puts the map in force on record, and the work that follows from what it changes.
pub(super) fn update(db: &Connection, entry: &Entry) -> Result<()> {
    // A site whose map is gone keeps what is on record until it is back.
    if entry.site.channels.is_empty() || entry.row == NO_ROW {
        return Ok(());
    }
    let (old, new) = (load(db, entry.row)?, of(entry));
    if old == new {
        return Ok(());
    }
    if let Some(Extents { sealed, told }) = extents(db, entry)? {
        for (series, range) in to_derive(entry, &old, &new, &sealed) {
            db.prepare_cached("INSERT INTO rederive (series, from_day, to_day) VALUES (?1, ?2, ?3)")?
                .execute(params![
                    entry.series_row(series),
                    day_of(range.start),
                    day_of(Stamp(range.end.0 - 1)) + 1
                ])?;
        }
        // Without a record nobody knows what was told under: a file from before records were kept.
        if !old.is_empty() {
            for (range, figures) in to_tell(&old, &new, &told) {
                let minute = |at: Stamp| at.0.div_euclid(Span::MINUTE.0);
                db.prepare_cached(
                    "INSERT INTO correction (site, from_minute, to_minute, figures) VALUES (?1, ?2, ?3, ?4)",
                )?
                .execute(params![
                    entry.row,
                    minute(range.start),
                    minute(Stamp(range.end.0 - 1)) + 1,
                    figures.join("\n")
                ])?;
            }
        }
    }
    save(db, entry.row, &new)
}

/// The stretches of each split that follow from another rule than before.
fn to_derive(
    entry: &Entry,
    old: &Record,
    new: &Record,
    extent: &Range<Stamp>,
) -> Vec<(SeriesIndex, Range<Stamp>)> {
    let site = &entry.site;
    let nothing = Steps::new();
    let mut work = Vec::new();
    for split in 0..site.splits.len() {
        let series = site.split_series(split);
        let name = site.series_name(series);
        let old = old.get(&name).unwrap_or(&nothing);
        let differ = differences(old, &new[&name], extent);
        work.extend(differ.into_iter().map(|range| (series, range)));
    }
    work
}

/// The stretches in which figures differ, with the names of those.
fn to_tell(old: &Record, new: &Record, extent: &Range<Stamp>) -> Vec<(Range<Stamp>, Vec<String>)> {
    let nothing = Steps::new();
    let names: BTreeSet<&String> =
        old.keys().chain(new.keys()).filter(|name| !name.starts_with("split:")).collect();
    let mut changed: BTreeMap<&String, Vec<Range<Stamp>>> = BTreeMap::new();
    let mut cuts = BTreeSet::new();
    for name in names {
        let [old, new] = [old, new].map(|record| record.get(name).unwrap_or(&nothing));
        let differ = differences(old, new, extent);
        cuts.extend(differ.iter().flat_map(|range| [range.start, range.end]));
        if !differ.is_empty() {
            changed.insert(name, differ);
        }
    }
    let cuts: Vec<Stamp> = cuts.into_iter().collect();
    let mut work: Vec<(Range<Stamp>, Vec<String>)> = Vec::new();
    for pair in cuts.windows(2) {
        let differs = |ranges: &[Range<Stamp>]| ranges.iter().any(|range| range.contains(&pair[0]));
        let figures: Vec<String> =
            changed.iter().filter(|(_, ranges)| differs(ranges)).map(|(name, _)| (*name).clone()).collect();
        match work.last_mut() {
            _ if figures.is_empty() => {}
            Some((range, same)) if range.end == pair[0] && *same == figures => range.end = pair[1],
            _ => work.push((pair[0]..pair[1], figures)),
        }
    }
    work
}

/// Where splits of a site have yet to be derived again: what is left of the work, and, for a reader
/// whose map no writer may have seen yet (`unseen`), what will be.
pub(super) fn left(db: &Connection, entry: &Entry, unseen: bool) -> Result<Vec<Range<Stamp>>> {
    let mut left = Vec::new();
    let mut select = db.prepare_cached(
        "SELECT DISTINCT from_day, to_day FROM rederive JOIN series ON series.id = rederive.series
         WHERE series.site = ?1",
    )?;
    let mut rows = select.query([entry.row])?;
    while let Some(row) = rows.next()? {
        left.push(day_start(row.get(0)?)..day_start(row.get(1)?));
    }
    drop(rows);
    if !unseen {
        return Ok(left);
    }
    let (old, new) = (load(db, entry.row)?, of(entry));
    // With no record there is nothing to compare with: a file that only a newer writer has to see.
    if old != new
        && !old.is_empty()
        && let Some(Extents { sealed, .. }) = extents(db, entry)?
    {
        left.extend(to_derive(entry, &old, &new, &sealed).into_iter().map(|(_, range)| range));
    }
    Ok(left)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steps(list: &[(i64, i64)]) -> Steps {
        list.iter().map(|(since, print)| (Stamp(*since), *print)).collect()
    }

    #[test]
    fn stretches_differ_where_the_prints_do() {
        let all = i64::MIN;
        let check = |old: &[(i64, i64)], new: &[(i64, i64)], expected: &[(i64, i64)]| {
            let found = differences(&steps(old), &steps(new), &(Stamp(0)..Stamp(1000)));
            let found: Vec<_> = found.iter().map(|range| (range.start.0, range.end.0)).collect();
            assert_eq!(found, expected, "{old:?} {new:?}");
        };
        check(&[], &[], &[]);
        check(&[(all, 1)], &[(all, 1)], &[]);
        check(&[(all, 1)], &[(all, 2)], &[(0, 1000)]);
        check(&[], &[(all, 2)], &[(0, 1000)]);
        check(&[(all, 1)], &[(all, 1), (400, 2)], &[(400, 1000)]);
        check(&[(all, 1), (300, 2)], &[(all, 1), (400, 2)], &[(300, 400)]);
        check(&[(all, 1), (300, 0)], &[(all, 1), (2000, 2)], &[(300, 1000)]);
        check(&[(all, 1), (300, 2), (600, 1)], &[(all, 2)], &[(0, 300), (600, 1000)]);
    }

    #[test]
    fn what_to_tell_is_cut_where_other_figures_change() {
        let all = i64::MIN;
        let record = |list: &[(&str, &[(i64, i64)])]| -> Record {
            list.iter().map(|(name, list)| ((*name).to_owned(), steps(list))).collect()
        };
        let old = record(&[
            ("circuit/a", &[(all, 1)]),
            ("circuit/b", &[(all, 0), (500, 2)]),
            ("split:grid", &[(all, 1)]),
            ("site/grid", &[(all, 9)]),
        ]);
        let new = record(&[
            ("circuit/a", &[(all, 1), (200, 0)]),
            ("circuit/b", &[(all, 0), (200, 2)]),
            ("split:grid", &[(all, 2)]),
            ("site/grid", &[(all, 9)]),
        ]);
        let found = to_tell(&old, &new, &(Stamp(0)..Stamp(1000)));
        let a = "circuit/a".to_owned();
        let b = "circuit/b".to_owned();
        assert_eq!(found, [(Stamp(200)..Stamp(500), vec![a.clone(), b]), (Stamp(500)..Stamp(1000), vec![a])]);
    }
}
