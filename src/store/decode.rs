//! Decoding everything that is there, and putting away what does not decode.

use rusqlite::{Connection, params};
use rustc_hash::FxHashSet;

use crate::units::Stamp;

use super::check::Checked;
use super::finding::{Finding, Names, rebuilt_from};
use super::readings::{day_start, hour_start, key, parts, set_aside};
use super::size::each_block;
use super::wire::Fault;
use super::{Result, block, journal};

/// Blocks that do not decode: table and key. Of a day's readings only some hours may be bad.
pub(super) type Bad = FxHashSet<(&'static str, i64)>;

/// Decodes every block and every row of the journal; what does not is a finding.
pub(super) fn all(db: &Connection, names: &Names, checked: &mut Checked) -> Result<Bad> {
    let mut bad = Bad::default();
    let mut select = db.prepare("SELECT seq, from_ds, body FROM journal ORDER BY seq")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let body = row.get_ref(2)?.as_blob().map_err(rusqlite::Error::from)?;
        checked.blocks += 1;
        let (seq, from) = (row.get(0)?, Stamp(row.get(1)?));
        if let Err(fault) = journal::decode(from, body) {
            bad.insert(("journal", seq));
            checked.find(Finding {
                id: "journal-unreadable",
                what: fault.to_string(),
                place: format!("journal, row {seq}"),
                since: Some(crate::calendar::Zone::utc().rfc3339(from)),
                remedy: "its readings are lost: `store repair` sets it aside".into(),
            });
        }
    }
    let lost = "it is lost: `store repair` sets it aside and keeps the minutes made from it";
    blocks(db, names, ("reading_hour", lost), checked, &mut bad, |hour, body| match block::decode_readings(
        hour_start(hour),
        body,
    ) {
        Ok(_) => Vec::new(),
        Err(fault) => vec![(hour_start(hour), fault)],
    })?;
    blocks(db, names, ("reading_day", lost), checked, &mut bad, |day, body| match bad_hours(day, body) {
        Ok(hours) => hours.into_iter().map(|(hour, fault)| (hour_start(hour), fault)).collect(),
        Err(fault) => vec![(day_start(day), fault)],
    })?;
    let rebuilt = rebuilt_from("readings");
    blocks(
        db,
        names,
        ("minute_block", &rebuilt),
        checked,
        &mut bad,
        |day, body| match block::decode_minutes(day_start(day), body) {
            Ok(_) => Vec::new(),
            Err(fault) => vec![(day_start(day), fault)],
        },
    )?;
    hidden(db, names, checked)?;
    Ok(bad)
}

/// The blocks of one table; `faults` says what is wrong with one.
fn blocks(
    db: &Connection,
    names: &Names,
    (table, remedy): (&'static str, &str),
    checked: &mut Checked,
    bad: &mut Bad,
    faults: impl Fn(i64, &[u8]) -> Vec<(Stamp, Fault)>,
) -> Result<()> {
    each_block(db, table, |key, body| {
        checked.blocks += 1;
        let (unit, series) = parts(key);
        for (at, fault) in faults(unit, body) {
            bad.insert((table, key));
            let (place, since) = names.place(table, series, at);
            let (what, remedy) = (fault.to_string(), remedy.to_owned());
            checked.find(Finding { id: "block-unreadable", what, place, since, remedy });
        }
        Ok(())
    })
}

/// The hours of a day's block that do not decode; an error where not even its hours can be told apart.
fn bad_hours(day: i64, body: &[u8]) -> Result<Vec<(i64, Fault)>, Fault> {
    let mut bad = Vec::new();
    for (hour, block) in block::decode_day(body)? {
        let hour = day * 24 + i64::from(hour);
        if let Err(fault) = block::decode_readings(hour_start(hour), block) {
            bad.push((hour, fault));
        }
    }
    Ok(bad)
}

/// Hours beside the row of their day: nobody reads them.
fn hidden(db: &Connection, names: &Names, checked: &mut Checked) -> Result<()> {
    for hour_key in hidden_hours(db)? {
        let (hour, series) = parts(hour_key);
        let (place, since) = names.place("reading_hour", series, hour_start(hour));
        checked.find(Finding {
            id: "hour-hidden",
            what: "there is a row of its day, which hides it".into(),
            place,
            since,
            remedy: "`store repair` merges it into the day".into(),
        });
    }
    Ok(())
}

fn hidden_hours(db: &Connection) -> Result<Vec<i64>> {
    let mut select = db.prepare(
        "SELECT key FROM reading_hour WHERE EXISTS (SELECT 1 FROM reading_day d
         WHERE d.key = ((reading_hour.key >> 24) / 24 << 24) + (reading_hour.key & 0xffffff)) ORDER BY key",
    )?;
    let keys = select.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    Ok(keys)
}

/// Puts away what does not decode, merges hidden hours, and writes the journal's columns anew.
/// Every block is a transaction of its own.
pub(super) fn put_away(db: &mut Connection, bad: &Bad) -> Result<()> {
    for (table, row) in bad {
        let tx = db.transaction()?;
        match *table {
            "journal" => journal_row(&tx, *row)?,
            "reading_day" => day_row(&tx, *row)?,
            table => whole_row(&tx, table, *row)?,
        }
        tx.commit()?;
    }
    for hour_key in hidden_hours(db)? {
        let (hour, series) = parts(hour_key);
        let tx = db.transaction()?;
        let body: Vec<u8> =
            tx.query_row("SELECT body FROM reading_hour WHERE key = ?1", [hour_key], |row| row.get(0))?;
        if let Ok(samples) = block::decode_readings(hour_start(hour), &body) {
            super::readings::merge(&tx, series, hour, &samples, &mut Vec::new())?;
            tx.execute("DELETE FROM reading_hour WHERE key = ?1", [hour_key])?;
        }
        tx.commit()?;
    }
    let tx = db.transaction()?;
    journal_columns(&tx)?;
    tx.commit()?;
    Ok(())
}

fn journal_row(db: &Connection, seq: i64) -> Result<()> {
    let (from, body): (i64, Vec<u8>) =
        db.query_row("SELECT from_ds, body FROM journal WHERE seq = ?1", [seq], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })?;
    if let Err(fault) = journal::decode(Stamp(from), &body) {
        set_aside(db, ("journal", seq), fault, &body)?;
        db.execute("DELETE FROM journal WHERE seq = ?1", [seq])?;
    }
    Ok(())
}

fn whole_row(db: &Connection, table: &str, row: i64) -> Result<()> {
    let (unit, _) = parts(row);
    let body: Vec<u8> =
        db.query_row(&format!("SELECT body FROM {table} WHERE key = ?1"), [row], |r| r.get(0))?;
    let fault = match table {
        "minute_block" => block::decode_minutes(day_start(unit), &body).err(),
        _ => block::decode_readings(hour_start(unit), &body).err(),
    };
    if let Some(fault) = fault {
        set_aside(db, (table, row), fault, &body)?;
        db.execute(&format!("DELETE FROM {table} WHERE key = ?1"), [row])?;
    }
    Ok(())
}

/// Of a day only the bad hours go, each under its own key.
fn day_row(db: &Connection, row: i64) -> Result<()> {
    let (day, series) = parts(row);
    let body: Vec<u8> = db.query_row("SELECT body FROM reading_day WHERE key = ?1", [row], |r| r.get(0))?;
    let bad = match bad_hours(day, &body) {
        Ok(bad) => bad,
        Err(fault) => {
            set_aside(db, ("reading_day", row), fault, &body)?;
            db.execute("DELETE FROM reading_day WHERE key = ?1", [row])?;
            return Ok(());
        }
    };
    let mut good = Vec::new();
    for (of_day, block) in block::decode_day(&body).unwrap_or_default() {
        let hour = day * 24 + i64::from(of_day);
        match bad.iter().find(|(other, _)| *other == hour) {
            Some((_, fault)) => {
                set_aside(db, ("reading_hour", key(hour, series)), *fault, block)?;
            }
            None => good.push((of_day, block)),
        }
    }
    if good.is_empty() {
        db.execute("DELETE FROM reading_day WHERE key = ?1", [row])?;
    } else {
        let body = block::encode_day(good);
        db.execute("UPDATE reading_day SET body = ?2 WHERE key = ?1", params![row, body])?;
    }
    Ok(())
}

fn journal_columns(db: &Connection) -> Result<()> {
    let mut wrong: Vec<(i64, Vec<journal::Kept>)> = Vec::new();
    let mut select = db.prepare("SELECT seq, from_ds, to_ds, body FROM journal ORDER BY seq")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let (from, to) = (Stamp(row.get(1)?), Stamp(row.get(2)?));
        let body = row.get_ref(3)?.as_blob().map_err(rusqlite::Error::from)?;
        let Ok(kept) = journal::decode(from, body) else { continue };
        let first = kept.iter().map(|kept| kept.sample.at).min();
        let last = kept.iter().map(|kept| kept.sample.at.0 + 1).max();
        if (first, last) != (Some(from), Some(to.0)) {
            wrong.push((row.get(0)?, kept));
        }
    }
    drop(rows);
    for (seq, kept) in wrong {
        db.execute("DELETE FROM journal WHERE seq = ?1", [seq])?;
        if let Some(coded) = journal::encode(kept) {
            db.execute(
                "INSERT INTO journal (seq, from_ds, to_ds, body) VALUES (?1, ?2, ?3, ?4)",
                params![seq, coded.range.start.0, coded.range.end.0, coded.body],
            )?;
        }
    }
    Ok(())
}
