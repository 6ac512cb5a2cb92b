//! Whether what is stored can be read, and agrees with itself.
//!
//! Every block is decoded; the minutes are counted again from the readings; quarter hours have to be
//! the sums of the minutes, days of the quarter hours, months of the days; the journal and the
//! outbox have to be what their own columns say. A day of one site is in memory at a time.

use std::path::Path;
use std::sync::Arc;

use rusqlite::Connection;

use crate::site::Site;
use crate::units::{Span, Stamp};

use super::catalog::Catalog;
use super::decode;
use super::finding::{Finding, Names};
use super::keep::Kept;
use super::readings::{FORMER, day_start, hour_start, parts};
use super::walk::Walk;
use super::{Result, journal, schema};

/// Findings that are listed; a file that is broken all over needs no longer list.
const MOST: usize = 1000;

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Checked {
    /// What is wrong; empty where all is well. At most a thousand.
    pub findings: Vec<Finding>,
    /// What a repair has seen and could not make good. At most a thousand.
    pub lost: Vec<Finding>,
    /// Blocks and rows of the journal that were decoded.
    pub blocks: u64,
    /// Minutes that were counted again from readings.
    pub minutes: u64,
    /// Rows of quarter hours, days and months that were added up again.
    pub sums: u64,
    /// Minutes of splits that another map made; they are not shown and were not checked.
    pub other_rule: u64,
    /// Minutes that the writer is about to count again, because readings came late.
    pub pending: u64,
    /// Readings before this were let go, because the settings say so.
    pub readings_since: Option<Stamp>,
    /// Minutes before this were let go, because the settings say so.
    pub minutes_since: Option<Stamp>,
}

impl Checked {
    pub(super) fn find(&mut self, finding: Finding) {
        if self.findings.len() < MOST {
            self.findings.push(finding);
        }
    }

    fn lose(&mut self, finding: Finding) {
        if self.lost.len() < MOST {
            self.lost.push(finding);
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
    let whole = integrity(&tx)?;
    for what in &whole {
        checked.find(Finding {
            id: "file",
            what: what.clone(),
            place: "the file".into(),
            since: None,
            remedy: "`store repair` saves every row that can still be read, or restore a backup".into(),
        });
    }
    // A file whose pages are broken gives an error at any statement.
    match contents(&tx, sites, &mut checked) {
        Err(error) if whole.is_empty() => Err(error),
        _ => Ok(checked),
    }
}

/// What SQLite says of the file itself; nothing where it is whole.
pub(super) fn integrity(db: &Connection) -> Result<Vec<String>> {
    let ask = || -> rusqlite::Result<Vec<String>> {
        let mut select = db.prepare("PRAGMA integrity_check")?;
        select.query_map([], |row| row.get(0))?.collect()
    };
    match ask() {
        Ok(answers) => Ok(answers.into_iter().filter(|answer| answer != "ok").collect()),
        // Some damage it cannot even look at.
        Err(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::DatabaseCorrupt) => {
            Ok(vec![error.to_string()])
        }
        Err(error) => Err(error.into()),
    }
}

fn contents(db: &Connection, sites: &[Arc<Site>], checked: &mut Checked) -> Result<()> {
    let names = Names::look_up(db)?;
    let kept = Kept::look_up(db)?;
    checked.readings_since = kept.readings;
    checked.minutes_since = kept.minutes;
    let bad = decode::all(db, &names, checked)?;
    columns_of_journal(db, &names, checked)?;
    outbox(db, &names, checked)?;
    aside(db, &names, kept, checked)?;
    let catalog = Catalog::look_up(db, sites)?;
    for (_, entry) in catalog.entries() {
        Walk { db, entry: &entry.as_in_file(), kept, bad: &bad, mend: false, checked }.site()?;
    }
    Ok(())
}

/// The journal's rows say when their readings begin and end; who looks for a stretch goes by that.
pub(super) fn columns_of_journal(db: &Connection, names: &Names, checked: &mut Checked) -> Result<()> {
    let mut select = db.prepare("SELECT seq, from_ds, to_ds, body FROM journal ORDER BY seq")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let seq: i64 = row.get(0)?;
        let (from, to) = (Stamp(row.get(1)?), Stamp(row.get(2)?));
        let Ok(kept) = journal::decode(from, row.get_ref(3)?.as_blob().map_err(rusqlite::Error::from)?)
        else {
            continue;
        };
        let first = kept.iter().map(|kept| kept.sample.at).min();
        let last = kept.iter().map(|kept| kept.sample.at + Span(1)).max();
        if (first, last) != (Some(from), Some(to)) {
            checked.find(Finding {
                id: "journal-times",
                what: "its readings do not begin and end where the row says".into(),
                place: format!("journal, row {seq}"),
                since: Some(crate::calendar::Zone::utc().rfc3339(from)),
                remedy: "`store repair` writes it anew".into(),
            });
        }
        if let Some(stray) = kept.iter().find(|kept| !names.knows(kept.series)) {
            let (place, since) = names.place("journal", stray.series, stray.sample.at);
            checked.find(Finding {
                id: "no-name",
                what: format!("row {seq} holds readings of a series that is not listed"),
                place,
                since,
                remedy: "restore a backup; the readings stay as they are".into(),
            });
        }
    }
    Ok(())
}

/// Marks that could never be sent, and cursors that would pass over new ones.
pub(super) fn outbox(db: &Connection, names: &Names, checked: &mut Checked) -> Result<()> {
    let mut find = |id, place: String, what: String, remedy: &str| {
        checked.find(Finding { id, what, place, since: None, remedy: remedy.into() });
    };
    let mut select = db.prepare("SELECT seq, site, from_minute, to_minute FROM outbox ORDER BY seq")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let (seq, site): (i64, i64) = (row.get(0)?, row.get(1)?);
        let (from, to): (i64, i64) = (row.get(2)?, row.get(3)?);
        if names.site(site).is_none() || from >= to {
            let what = format!("it marks the minutes {from} to {to} of site {site}, which cannot be");
            find("outbox-mark", format!("outbox, row {seq}"), what, "`store repair` takes it away");
        }
    }
    let last: i64 = db.query_row(
        "SELECT max(coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'outbox'), 0),
                    coalesce((SELECT max(seq) FROM outbox), 0))",
        [],
        |row| row.get(0),
    )?;
    let mut select = db.prepare("SELECT central, seq FROM central_cursor WHERE seq > ?1 ORDER BY central")?;
    let mut rows = select.query([last])?;
    while let Some(row) = rows.next()? {
        let (central, seq): (String, i64) = (row.get(0)?, row.get(1)?);
        let what = format!("{central} has row {seq}, and no row after {last} was ever written");
        let remedy = "`store repair` sets it to the last row";
        find("outbox-cursor", format!("central_cursor, {central}"), what, remedy);
    }
    let mut select = db.prepare("SELECT name, sealed_ds FROM site WHERE sealed_ds % 36000 <> 0")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let name: String = row.get(0)?;
        let what = format!("sealed_ds is {}, which is no whole hour", row.get::<_, i64>(1)?);
        find("site", format!("site, {name}"), what, "`store repair` takes it down to a whole hour");
    }
    Ok(())
}

/// What does not decode and was put away, by the daemon or by a repair.
pub(super) fn aside(db: &Connection, names: &Names, kept: Kept, checked: &mut Checked) -> Result<()> {
    let mut select =
        db.prepare("SELECT id, origin, key, why, repaired, length(body) FROM set_aside ORDER BY id")?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let (id, origin, key): (i64, String, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let (why, repaired, len): (String, bool, i64) = (row.get(3)?, row.get(4)?, row.get(5)?);
        let (unit, series) = parts(key);
        let (place, since) = match origin.as_str() {
            "reading_hour" => names.place(&origin, series, hour_start(unit)),
            "reading_day" | "minute_block" | FORMER => names.place(&origin, series, day_start(unit)),
            _ => (format!("{origin}, row {key}"), None),
        };
        let bytes = if len > 0 { format!(" ({len} bytes, row {id} of set_aside)") } else { String::new() };
        let what = format!("set aside, because {why}{bytes}");
        if !repaired {
            let remedy = match origin.as_str() {
                "minute_block" => "`store repair` makes it anew from the readings",
                _ => "it is lost: `store repair` takes note of that",
            };
            checked.find(Finding { id: "set-aside", what, place, since, remedy: remedy.into() });
        } else if origin != "minute_block" || day_start(unit) < kept.countable() {
            let remedy = match origin.as_str() {
                FORMER => "the map in force knows nothing of that time".into(),
                _ => "what had been made from it before stands".into(),
            };
            checked.lose(Finding { id: "lost", what, place, since, remedy });
        }
    }
    Ok(())
}
