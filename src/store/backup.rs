//! A copy of the store while it is written.

use std::path::Path;

use rusqlite::Connection;
use rusqlite::backup::{Backup, StepResult};

use super::{Error, FILE_NAME, Result, schema};

/// Copies the store in `directory` to the new file `to` by SQLite's online backup: all of it as it
/// was at one moment, whether a daemon writes meanwhile or not.
///
/// # Errors
/// When there is no store, when `to` is there already, or when either cannot be used. What was
/// written of `to` by then is taken away.
pub fn backup(directory: &Path, to: &Path) -> Result<()> {
    let from = schema::open_read_only(&directory.join(FILE_NAME))?;
    let fail = |source| Error::Io { path: to.to_owned(), source };
    // An earlier backup is never written over.
    std::fs::OpenOptions::new().write(true).create_new(true).open(to).map_err(fail)?;
    let copied = copy(&from, to);
    if copied.is_err() {
        std::fs::remove_file(to).map_err(fail)?;
    }
    copied
}

fn copy(from: &Connection, to: &Path) -> Result<()> {
    let mut copy = Connection::open(to)?;
    // In one step: between two steps another process could write, and the backup would begin anew.
    match Backup::new(from, &mut copy)?.step(-1)? {
        StepResult::Done => {}
        _ => return Err(Error::Damaged("the backup did not come to its end; try again".into())),
    }
    // One file, readable wherever it is put.
    copy.pragma_update(None, "journal_mode", "DELETE")?;
    copy.close().map_err(|(_, error)| error.into())
}
