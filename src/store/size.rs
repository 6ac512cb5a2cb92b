//! How much room the store takes, and what for.

use std::path::Path;

use rusqlite::Connection;

use crate::units::Stamp;

use super::block;
use super::readings::{day_start, parts};
use super::{Error, FILE_NAME, Result, journal, schema};

/// The room of one table with its indexes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Part {
    /// The table.
    pub name: String,
    /// Pages that it takes, in bytes.
    pub bytes: u64,
}

/// The room that a store takes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Size {
    /// Every table, the largest first.
    pub parts: Vec<Part>,
    /// All tables together, in bytes.
    pub used: u64,
    /// Pages that are free for what comes next, in bytes.
    pub free: u64,
    /// The write-ahead log beside the file, in bytes.
    pub log: u64,
    /// Readings that are kept, sealed or not.
    pub readings: u64,
    /// UTC days of which there are readings.
    pub days: u64,
    /// The first of them.
    pub since: Option<Stamp>,
    /// Minutes before this were let go, as the settings say; `None` where none were.
    pub minutes_since: Option<Stamp>,
}

impl Size {
    /// Bytes a reading, all tables included.
    pub fn bytes_per_reading(&self) -> Option<f64> {
        (self.readings > 0).then(|| self.used as f64 / self.readings as f64)
    }
}

/// Measures the store in `directory`, whether a daemon has it open or not. Reads every block's head.
///
/// # Errors
/// When there is no store, or it cannot be read.
pub fn size(directory: &Path) -> Result<Size> {
    let path = directory.join(FILE_NAME);
    let mut db = schema::open_read_only(&path)?;
    let tx = db.transaction()?;
    let mut select = tx.prepare(
        "SELECT coalesce(nullif(tbl_name, ''), name), sum(pgsize) FROM dbstat
         LEFT JOIN sqlite_schema USING (name) WHERE aggregate = TRUE GROUP BY 1 ORDER BY 2 DESC, 1",
    )?;
    let parts: Vec<Part> = select
        .query_map([], |row| Ok(Part { name: row.get(0)?, bytes: row.get::<_, i64>(1)? as u64 }))?
        .collect::<rusqlite::Result<_>>()?;
    let pragma = |name: &str| tx.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    let free = (pragma("freelist_count")? * pragma("page_size")?) as u64;
    let (readings, days) = count(&tx)?;
    let log = std::fs::metadata(directory.join(format!("{FILE_NAME}-wal"))).map_or(0, |data| data.len());
    Ok(Size {
        used: parts.iter().map(|part| part.bytes).sum(),
        parts,
        free,
        log,
        readings,
        days: days.len() as u64,
        since: days.first().map(|day| day_start(*day)),
        minutes_since: super::keep::Kept::look_up(&tx)?.minutes,
    })
}

/// Readings, and the UTC days that have some. What is both sealed and in the journal counts once.
fn count(db: &Connection) -> Result<(u64, std::collections::BTreeSet<i64>)> {
    let mut readings = 0;
    let mut days = std::collections::BTreeSet::new();
    each_block(db, "reading_day", |key, body| {
        days.insert(parts(key).0);
        for (_, block) in block::decode_day(body).map_err(|fault| Error::damaged("reading_day", fault))? {
            readings += block::count_readings(block).map_err(|fault| Error::damaged("reading_day", fault))?;
        }
        Ok(())
    })?;
    each_block(db, "reading_hour", |key, body| {
        days.insert(parts(key).0.div_euclid(24));
        readings += block::count_readings(body).map_err(|fault| Error::damaged("reading_hour", fault))?;
        Ok(())
    })?;
    let mut select = db.prepare("SELECT id, sealed_ds FROM site")?;
    let sealed: rustc_hash::FxHashMap<i64, i64> =
        select.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<rusqlite::Result<_>>()?;
    let mut select = db.prepare("SELECT from_ds, body FROM journal")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let body = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
        let kept = journal::decode(Stamp(row.get(0)?), body).map_err(|f| Error::damaged("journal", f))?;
        for kept in
            kept.iter().filter(|kept| sealed.get(&kept.site).is_none_or(|end| kept.sample.at.0 >= *end))
        {
            readings += 1;
            days.insert(super::readings::day_of(kept.sample.at));
        }
    }
    Ok((readings, days))
}

/// Every block of a table.
pub(super) fn each_block(
    db: &Connection,
    table: &str,
    mut each: impl FnMut(i64, &[u8]) -> Result<()>,
) -> Result<()> {
    let mut select = db.prepare(&format!("SELECT key, body FROM {table} ORDER BY key"))?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        each(row.get(0)?, row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?)?;
    }
    Ok(())
}
