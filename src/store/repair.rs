//! Making good what can be made good: the minutes from the readings, quarter hours from the minutes,
//! days and months from those. What cannot be read is put away, never dropped, and what is lost is named.
//!
//! It works on a store that nobody else has open, in many small transactions; cut short, it can be
//! begun again, and a second run finds nothing to do.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rusqlite::Connection;

use crate::site::Site;

use super::catalog::Catalog;
use super::check::{self, Checked};
use super::finding::{Finding, Names};
use super::keep::Kept;
use super::recount::fill_hours;
use super::walk::Walk;
use super::{FILE_NAME, Result, decode, lock, salvage, schema};

/// What a repair did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Repaired {
    /// What was wrong.
    pub found: Vec<Finding>,
    /// The file as it was, where SQLite itself could not read all of it and its rows had to be saved one by one.
    pub replaced: Option<PathBuf>,
    /// Rows that could not be saved from a broken file, in words.
    pub unsaved: Vec<String>,
    /// What a check finds now.
    pub after: Checked,
}

/// Repairs the store in `directory`, which no daemon may have open.
///
/// # Errors
/// [`super::Error::Held`] while another process has it; when the file cannot be opened or written.
pub fn repair(directory: &Path, sites: &[Arc<Site>]) -> Result<Repaired> {
    let path = directory.join(FILE_NAME);
    // A store that is not there is not made.
    if !path.exists() {
        return Err(super::Error::Missing { path });
    }
    let _lock = lock::Lock::take(directory)?;
    let mut repaired = Repaired::default();
    let mut db = schema::open(&path)?;
    let broken = check::integrity(&db);
    if broken.as_ref().map_or(true, |answers| !answers.is_empty()) {
        let what = broken.map_or_else(|error| error.to_string(), |answers| answers.join("; "));
        repaired.found.push(Finding {
            id: "file",
            what,
            place: "the file".into(),
            since: None,
            remedy: "every row that could be read was saved to a new file".into(),
        });
        drop(db);
        let saved = salvage::salvage(&path)?;
        repaired.replaced = Some(saved.original);
        repaired.unsaved = saved.unsaved;
        db = schema::open(&path)?;
    }
    contents(&mut db, sites, &mut repaired)?;
    drop(db);
    repaired.after = check::check(&path, sites)?;
    Ok(repaired)
}

fn contents(db: &mut Connection, sites: &[Arc<Site>], repaired: &mut Repaired) -> Result<()> {
    let names = Names::look_up(db)?;
    let mut before = Checked::default();
    let bad = decode::all(db, &names, &mut before)?;
    check::columns_of_journal(db, &names, &mut before)?;
    check::outbox(db, &names, &mut before)?;
    check::aside(db, &names, Kept::look_up(db)?, &mut before)?;
    decode::put_away(db, &bad)?;
    let tx = db.transaction()?;
    tx.execute("DELETE FROM outbox WHERE from_minute >= to_minute OR site NOT IN (SELECT id FROM site)", [])?;
    tx.execute(
        "UPDATE central_cursor SET seq = min(seq,
           max(coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'outbox'), 0),
               coalesce((SELECT max(seq) FROM outbox), 0)))",
        [],
    )?;
    // Down, so that nothing counts as sealed that is not: sealing is done again from the journal.
    tx.execute("UPDATE site SET sealed_ds = sealed_ds - sealed_ds % 36000 WHERE sealed_ds % 36000 <> 0", [])?;
    tx.commit()?;
    let kept = Kept::look_up(db)?;
    let catalog = Catalog::look_up(db, sites)?;
    // What did not decode is gone by now; the walk sees it as missing and makes it anew.
    let nothing = decode::Bad::default();
    for (_, entry) in catalog.entries() {
        fill_hours(db, entry)?;
        let entry = &entry.as_in_file();
        Walk { db, entry, kept, bad: &nothing, mend: true, checked: &mut before }.site()?;
    }
    db.execute("UPDATE set_aside SET repaired = 1 WHERE repaired = 0", [])?;
    repaired.found.append(&mut before.findings);
    Ok(())
}
