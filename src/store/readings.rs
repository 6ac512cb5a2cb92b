//! The tables of sealed readings: merging an hour, joining a day, reading a stretch.

use std::ops::Range;

use rusqlite::{Connection, OptionalExtension, params};

use crate::reading::Sample;
use crate::units::{Span, Stamp};

use super::wire::Fault;
use super::{Result, block};

/// How far back or forward another reading of a counter is looked for: a counter's difference may
/// bridge any gap, but a search has to end somewhere.
const FARTHEST: i64 = 31;

const SERIES_BITS: u32 = 24;

/// The key of a block: hours or days since 1970, then the series.
pub(super) fn key(unit: i64, series: i64) -> i64 {
    (unit << SERIES_BITS) | series
}

/// Unit and series of a key.
pub(super) fn parts(key: i64) -> (i64, i64) {
    (key >> SERIES_BITS, key & ((1 << SERIES_BITS) - 1))
}

/// Hours since 1970.
pub(super) fn hour_of(at: Stamp) -> i64 {
    at.0.div_euclid(Span::HOUR.0)
}

/// UTC days since 1970.
pub(super) fn day_of(at: Stamp) -> i64 {
    at.0.div_euclid(Span::DAY.0)
}

/// When an hour starts.
pub(super) fn hour_start(hour: i64) -> Stamp {
    Stamp(hour * Span::HOUR.0)
}

/// When a UTC day starts.
pub(super) fn day_start(day: i64) -> Stamp {
    Stamp(day * Span::DAY.0)
}

/// Puts something that does not decode away, where it harms nobody, and says so.
pub(super) fn set_aside(
    db: &Connection,
    (origin, key): (&str, i64),
    fault: Fault,
    body: &[u8],
) -> Result<String> {
    db.prepare_cached("INSERT INTO set_aside (origin, key, why, body) VALUES (?1, ?2, ?3, ?4)")?
        .execute(params![origin, key, fault.to_string(), body])?;
    Ok(format!("{origin} {key}: {fault}; it is kept in the table set_aside"))
}

/// The origin, in `set_aside`, of minutes that another map made and that cannot be made again.
pub(super) const FORMER: &str = "minute_block, of another map";

/// Puts a body aside that decodes and has no place any more, once. It is known to be lost, so a repair has
/// nothing to do about it.
pub(super) fn lay_aside(db: &Connection, (origin, key): (&str, i64), why: &str, body: &[u8]) -> Result<()> {
    db.prepare_cached(
        "INSERT INTO set_aside (origin, key, why, body, repaired) SELECT ?1, ?2, ?3, ?4, 1
         WHERE NOT EXISTS (SELECT 1 FROM set_aside WHERE origin = ?1 AND key = ?2 AND body = ?4)",
    )?
    .execute(params![origin, key, why, body])?;
    Ok(())
}

/// Stretches whose sealed readings of any of these series were set aside: what is there now is not
/// all that there was.
pub(super) fn lost(db: &Connection, series: &[i64]) -> Result<Vec<Range<Stamp>>> {
    let mut select = db.prepare_cached("SELECT origin, key FROM set_aside WHERE origin LIKE 'reading%'")?;
    let mut rows = select.query([])?;
    let mut lost = Vec::new();
    while let Some(row) = rows.next()? {
        let (unit, of) = parts(row.get(1)?);
        if series.contains(&of) {
            lost.push(match row.get_ref(0)?.as_str().map_err(rusqlite::Error::from)? {
                "reading_day" => day_start(unit)..day_start(unit + 1),
                _ => hour_start(unit)..hour_start(unit + 1),
            });
        }
    }
    Ok(lost)
}

/// Whether any sealed readings of a series in a UTC day are kept.
pub(super) fn any(db: &Connection, series: i64, day: i64) -> Result<bool> {
    if exists(db, "reading_day", key(day, series))? {
        return Ok(true);
    }
    for hour in day * 24..day * 24 + 24 {
        if exists(db, "reading_hour", key(hour, series))? {
            return Ok(true);
        }
    }
    Ok(false)
}

fn exists(db: &Connection, table: &str, key: i64) -> Result<bool> {
    let mut select = db.prepare_cached(&format!("SELECT EXISTS (SELECT 1 FROM {table} WHERE key = ?1)"))?;
    Ok(select.query_row([key], |row| row.get(0))?)
}

fn body(db: &Connection, table: &str, key: i64) -> Result<Option<Vec<u8>>> {
    let mut select = db.prepare_cached(&format!("SELECT body FROM {table} WHERE key = ?1"))?;
    Ok(select.query_row([key], |row| row.get(0)).optional()?)
}

fn put(db: &Connection, table: &str, key: i64, body: &[u8]) -> Result<()> {
    let sql = format!("INSERT INTO {table} (key, body) VALUES (?1, ?2) ON CONFLICT DO UPDATE SET body = ?2");
    db.prepare_cached(&sql)?.execute(params![key, body])?;
    Ok(())
}

/// Both by time; where both have a time, `new` holds.
pub(super) fn merged(old: &[Sample], new: &[Sample]) -> Vec<Sample> {
    let mut all = Vec::with_capacity(old.len() + new.len());
    let mut old = old.iter().copied().peekable();
    for sample in new {
        while let Some(before) = old.next_if(|other| other.at < sample.at) {
            all.push(before);
        }
        old.next_if(|other| other.at == sample.at);
        all.push(*sample);
    }
    all.extend(old);
    all
}

/// Merges readings of one hour into its block; whether that changed anything. Readings stand by
/// time without doubles; a block that does not decode is set aside, and `damage` told.
pub(super) fn merge(
    db: &Connection,
    series: i64,
    hour: i64,
    new: &[Sample],
    damage: &mut Vec<String>,
) -> Result<bool> {
    let (day, of_day) = (hour.div_euclid(24), hour.rem_euclid(24) as u8);
    let day_key = key(day, series);
    let Some(joined) = body(db, "reading_day", day_key)? else {
        let hour_key = key(hour, series);
        let old = body(db, "reading_hour", hour_key)?;
        let old = old.as_deref().map(|body| (body, ("reading_hour", hour_key)));
        let Some(block) = merge_block(db, hour, old, new, damage)? else { return Ok(false) };
        put(db, "reading_hour", hour_key, &block)?;
        return Ok(true);
    };
    let mut hours = match block::decode_day(&joined) {
        Ok(hours) => hours,
        Err(fault) => {
            damage.push(set_aside(db, ("reading_day", day_key), fault, &joined)?);
            Vec::new()
        }
    };
    let place = hours.binary_search_by_key(&of_day, |(hour, _)| *hour);
    let old = place.ok().map(|index| (hours[index].1, ("reading_day", day_key)));
    let Some(block) = merge_block(db, hour, old, new, damage)? else { return Ok(false) };
    match place {
        Ok(index) => hours[index].1 = &block,
        Err(index) => hours.insert(index, (of_day, &block)),
    }
    put(db, "reading_day", day_key, &block::encode_day(hours))?;
    Ok(true)
}

fn merge_block(
    db: &Connection,
    hour: i64,
    old: Option<(&[u8], (&str, i64))>,
    new: &[Sample],
    damage: &mut Vec<String>,
) -> Result<Option<Vec<u8>>> {
    let start = hour_start(hour);
    let before = match old {
        None => Vec::new(),
        Some((body, place)) => match block::decode_readings(start, body) {
            Ok(before) => before,
            Err(fault) => {
                damage.push(set_aside(db, place, fault, body)?);
                Vec::new()
            }
        },
    };
    let all = merged(&before, new);
    Ok((all != before).then(|| block::encode_readings(start, &all)))
}

/// Joins the hours of one day that is over, of at most `most` series, into a row a series; whether
/// there was anything to join before `before`.
pub(super) fn join(db: &Connection, before: Stamp, most: usize) -> Result<bool> {
    let end = day_of(before) * 24;
    let first: Option<i64> = db
        .prepare_cached("SELECT min(key) FROM reading_hour WHERE key < ?1")?
        .query_row([key(end, 0)], |row| row.get(0))?;
    let Some(first) = first else { return Ok(false) };
    let day = parts(first).0.div_euclid(24);
    let (from, to) = (key(day * 24, 0), key(day * 24 + 24, 0));
    let series: Vec<i64> = db
        .prepare_cached(
            "SELECT DISTINCT key & 0xffffff FROM reading_hour WHERE key >= ?1 AND key < ?2 LIMIT ?3",
        )?
        .query_map(params![from, to, most as i64], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    for series in series {
        let mut hours = Vec::new();
        for hour in 0..24 {
            let hour_key = key(day * 24 + i64::from(hour), series);
            if let Some(body) = body(db, "reading_hour", hour_key)? {
                hours.push((hour, body));
                db.prepare_cached("DELETE FROM reading_hour WHERE key = ?1")?.execute([hour_key])?;
            }
        }
        let joined = block::encode_day(hours.iter().map(|(hour, body)| (*hour, body.as_slice())));
        put(db, "reading_day", key(day, series), &joined)?;
    }
    Ok(true)
}

/// What to do about a block that does not decode: the stretch that it held, and what is wrong.
/// A reader fails; the writer goes on without it.
pub(super) type OnDamage<'a> = &'a mut dyn FnMut(Range<Stamp>, String) -> Result<()>;

/// Appends the sealed readings of a series in `range`, by time.
pub(super) fn load(
    db: &Connection,
    series: i64,
    range: &Range<Stamp>,
    into: &mut Vec<Sample>,
    on_damage: OnDamage<'_>,
) -> Result<()> {
    if range.start >= range.end {
        return Ok(());
    }
    let last = Stamp(range.end.0 - 1);
    for day in day_of(range.start)..=day_of(last) {
        let hours = day * 24..day * 24 + 24;
        let hours = hours.start.max(hour_of(range.start))..hours.end.min(hour_of(last) + 1);
        let day_key = key(day, series);
        if let Some(joined) = body(db, "reading_day", day_key)? {
            let place = format!("reading_day {day_key}");
            let blocks = match block::decode_day(&joined) {
                Ok(blocks) => blocks,
                Err(fault) => {
                    on_damage(day_start(day)..day_start(day + 1), format!("{place}: {fault}"))?;
                    continue;
                }
            };
            for (hour, block) in blocks {
                let hour = day * 24 + i64::from(hour);
                if hours.contains(&hour) {
                    append(&place, hour, block, range, into, on_damage)?;
                }
            }
            continue;
        }
        for hour in hours {
            let hour_key = key(hour, series);
            if let Some(block) = body(db, "reading_hour", hour_key)? {
                append(&format!("reading_hour {hour_key}"), hour, &block, range, into, on_damage)?;
            }
        }
    }
    Ok(())
}

fn append(
    place: &str,
    hour: i64,
    block: &[u8],
    range: &Range<Stamp>,
    into: &mut Vec<Sample>,
    on_damage: OnDamage<'_>,
) -> Result<()> {
    match block::decode_readings(hour_start(hour), block) {
        Ok(samples) => into.extend(samples.into_iter().filter(|sample| range.contains(&sample.at))),
        Err(fault) => {
            let stretch = hour_start(hour)..hour_start(hour + 1);
            on_damage(stretch, format!("{place}, hour {}: {fault}", hour.rem_euclid(24)))?;
        }
    }
    Ok(())
}

/// The last sealed reading before `at`, within a month.
pub(super) fn last_before(
    db: &Connection,
    series: i64,
    at: Stamp,
    on_damage: OnDamage<'_>,
) -> Result<Option<Sample>> {
    let Some(kept) = days_kept(db)? else { return Ok(None) };
    let first = kept.start.max(day_of(at) - FARTHEST);
    for day in (first..=day_of(at).min(kept.end - 1)).rev() {
        let hours = (day * 24..day * 24 + 24).rev().filter(|hour| hour_start(*hour) < at);
        let found = first_known(db, series, day, hours, &(Stamp::MIN..at), on_damage)?;
        if let Some(last) = found.last() {
            return Ok(Some(*last));
        }
    }
    Ok(None)
}

/// The first sealed reading at or after `at`, within a month.
pub(super) fn first_from(
    db: &Connection,
    series: i64,
    at: Stamp,
    on_damage: OnDamage<'_>,
) -> Result<Option<Sample>> {
    let Some(kept) = days_kept(db)? else { return Ok(None) };
    let last = (kept.end - 1).min(day_of(at) + FARTHEST);
    for day in kept.start.max(day_of(at))..=last {
        let hours = (day * 24..day * 24 + 24).filter(|hour| hour_start(hour + 1) > at);
        let found = first_known(db, series, day, hours, &(at..Stamp::MAX), on_damage)?;
        if let Some(first) = found.first() {
            return Ok(Some(*first));
        }
    }
    Ok(None)
}

/// The UTC days from the first to the last of which any readings are sealed, of whatever series: nothing has to be
/// looked for beyond them.
fn days_kept(db: &Connection) -> Result<Option<Range<i64>>> {
    let mut days: Option<Range<i64>> = None;
    for (table, units) in [("reading_hour", 24), ("reading_day", 1)] {
        for which in ["min", "max"] {
            let mut select = db.prepare_cached(&format!("SELECT {which}(key) FROM {table}"))?;
            if let Some(key) = select.query_row([], |row| row.get::<_, Option<i64>>(0))? {
                let day = parts(key).0.div_euclid(units);
                let known = days.unwrap_or(day..day + 1);
                days = Some(known.start.min(day)..known.end.max(day + 1));
            }
        }
    }
    Ok(days)
}

/// The readings in `range` of the first of these hours of a day that has any: no more is decoded than that takes.
fn first_known(
    db: &Connection,
    series: i64,
    day: i64,
    mut hours: impl Iterator<Item = i64>,
    range: &Range<Stamp>,
    on_damage: OnDamage<'_>,
) -> Result<Vec<Sample>> {
    let mut samples = Vec::new();
    let day_key = key(day, series);
    let Some(joined) = body(db, "reading_day", day_key)? else {
        while samples.is_empty()
            && let Some(hour) = hours.next()
        {
            let hour_key = key(hour, series);
            if let Some(block) = body(db, "reading_hour", hour_key)? {
                append(&format!("reading_hour {hour_key}"), hour, &block, range, &mut samples, on_damage)?;
            }
        }
        return Ok(samples);
    };
    let place = format!("reading_day {day_key}");
    match block::decode_day(&joined) {
        Ok(blocks) => {
            while samples.is_empty()
                && let Some(hour) = hours.next()
            {
                let of_day = hour.rem_euclid(24) as u8;
                if let Some((_, block)) = blocks.iter().find(|(hour, _)| *hour == of_day) {
                    append(&place, hour, block, range, &mut samples, on_damage)?;
                }
            }
        }
        Err(fault) => on_damage(day_start(day)..day_start(day + 1), format!("{place}: {fault}"))?,
    }
    Ok(samples)
}

#[cfg(test)]
mod tests {
    use super::super::Error;
    use super::*;

    fn sample(at: i64, value: i64) -> Sample {
        Sample { at: Stamp(at), value }
    }

    fn file() -> (tempfile::TempDir, Connection) {
        let directory = tempfile::tempdir().unwrap();
        let db = super::super::schema::open(&directory.path().join("test.db")).unwrap();
        (directory, db)
    }

    fn fail(_: Range<Stamp>, what: String) -> Result<()> {
        Err(Error::Damaged(what))
    }

    fn all(db: &Connection) -> Vec<Sample> {
        let mut samples = Vec::new();
        load(db, 5, &(Stamp(0)..Stamp(10 * Span::DAY.0)), &mut samples, &mut fail).unwrap();
        samples
    }

    #[test]
    fn of_two_the_new_one_holds() {
        let (one, two) = ([sample(1, 1), sample(3, 3)], [sample(2, 20), sample(3, 30), sample(4, 40)]);
        assert_eq!(merged(&one, &two), [sample(1, 1), sample(2, 20), sample(3, 30), sample(4, 40)]);
        assert_eq!(merged(&[], &one), one);
        assert_eq!(merged(&one, &[]), one);
    }

    #[test]
    fn merging_twice_is_merging_once_before_and_after_the_day_is_joined() {
        let (_directory, db) = file();
        let mut damage = Vec::new();
        let hour = 24 + 7;
        let at = |tenths: i64| hour * Span::HOUR.0 + tenths;
        let first = [sample(at(0), 1), sample(at(10), 2)];
        assert!(merge(&db, 5, hour, &first, &mut damage).unwrap());
        assert!(!merge(&db, 5, hour, &first, &mut damage).unwrap());
        assert_eq!(all(&db), first);
        // Not over yet; over.
        assert!(!join(&db, hour_start(47), 100).unwrap());
        assert!(join(&db, hour_start(48), 100).unwrap());
        assert!(!join(&db, hour_start(48), 100).unwrap());
        assert_eq!(all(&db), first);
        assert!(!merge(&db, 5, hour, &first, &mut damage).unwrap());
        assert!(merge(&db, 5, hour, &[sample(at(5), 9)], &mut damage).unwrap());
        assert!(merge(&db, 5, hour + 2, &[sample(at(72_001), 8)], &mut damage).unwrap());
        let expected = [sample(at(0), 1), sample(at(5), 9), sample(at(10), 2), sample(at(72_001), 8)];
        assert_eq!(all(&db), expected);
        assert_eq!(last_before(&db, 5, Stamp(at(10)), &mut fail).unwrap(), Some(sample(at(5), 9)));
        assert_eq!(first_from(&db, 5, Stamp(at(11)), &mut fail).unwrap(), Some(sample(at(72_001), 8)));
        assert_eq!(first_from(&db, 6, Stamp(0), &mut fail).unwrap(), None);
        assert_eq!(damage, [""; 0]);
    }

    #[test]
    fn a_damaged_block_is_set_aside_and_the_hour_goes_on() {
        let (_directory, db) = file();
        put(&db, "reading_hour", key(31, 5), b"rubbish").unwrap();
        let mut damage = Vec::new();
        let new = [sample(31 * Span::HOUR.0, 1)];
        assert!(merge(&db, 5, 31, &new, &mut damage).unwrap());
        assert_eq!(all(&db), new);
        assert_eq!(damage.len(), 1);
        let kept: Vec<u8> = db.query_row("SELECT body FROM set_aside", [], |row| row.get(0)).unwrap();
        assert_eq!(kept, b"rubbish");
    }
}
