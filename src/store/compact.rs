//! Giving free pages back: the file is written anew without them.
//!
//! Not in the running daemon: SQLite can give pages back step by step only in a file that keeps a map of
//! all pages, which every commit would have to write along, and each page that moves is written
//! twice. Here every page that is in use is written once, to a new file that takes the old one's
//! place in one step; whatever happens before that leaves the store as it was.

use std::path::Path;

use rusqlite::Connection;

use super::salvage::{beside, remove, rename, sync};
use super::{Error, FILE_NAME, Result, lock, schema};

/// Bytes of the file before and after.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Compacted {
    /// Before.
    pub before: u64,
    /// After.
    pub after: u64,
}

/// Compacts the store in `directory`, which no other process may have open. The directory needs room
/// for a second file of the size that is in use.
///
/// # Errors
/// [`Error::Held`] while another process has it; when the file cannot be read, or there is no room.
pub fn compact(directory: &Path) -> Result<Compacted> {
    let path = directory.join(FILE_NAME);
    if !path.exists() {
        return Err(Error::Missing { path });
    }
    let _lock = lock::Lock::take(directory)?;
    let part = beside(&path, ".compacted");
    // What a run that was cut short left behind.
    remove(&part)?;
    remove(&beside(&part, "-journal"))?;
    let db = schema::open(&path)?;
    let len = |path: &Path| std::fs::metadata(path).map_or(0, |data| data.len());
    // Leaving WAL brings the log into the file and takes it away; SQLite refuses that while anybody
    // else has the file open, so nobody can be left with a log that belongs to another file.
    let mode: String = db
        .query_row("PRAGMA journal_mode = DELETE", [], |row| row.get(0))
        .map_err(|_| Error::Busy { path: path.clone() })?;
    if mode != "delete" {
        return Err(Error::Busy { path });
    }
    let before = len(&path);
    let written = write(&db, &part);
    drop(db);
    if let Err(error) = written {
        remove(&part)?;
        return Err(error);
    }
    rename(&part, &path)?;
    // Back to how the daemon has it, so that a reader without the right to write can open it.
    drop(schema::open(&path)?);
    Ok(Compacted { before, after: len(&path) })
}

fn write(db: &Connection, part: &Path) -> Result<()> {
    let name = part.to_str().ok_or_else(|| Error::Io {
        path: part.to_owned(),
        source: std::io::Error::other("the store's directory has a name that is not UTF-8"),
    })?;
    db.execute("VACUUM INTO ?1", [name])?;
    sync(part)
}
