//! A copy of the store while it is written.

use std::path::Path;

use rusqlite::Connection;
use rusqlite::backup::{Backup, StepResult};

use super::salvage::{beside, remove, sync, sync_directory};
use super::{Error, FILE_NAME, Result, lock, schema};

/// Copies the store in `directory` to `to` by SQLite's online backup: all of it as it was at one
/// moment, whether a daemon writes meanwhile or not. It is written under another name beside `to`
/// and gets its own when all of it is on the disk, so there is never half a backup.
///
/// # Errors
/// When there is no store, when `to` is there already and `replace` is not set, or when either
/// cannot be used.
pub fn backup(directory: &Path, to: &Path, replace: bool) -> Result<()> {
    let from = schema::open_read_only(&directory.join(FILE_NAME))?;
    backup_of(&from, to, replace)
}

/// A copy of the store that nobody has open, whatever its format, before it is repaired.
///
/// # Errors
/// [`Error::Held`] while another process has it; as [`backup`].
pub fn copy_before_repair(directory: &Path, to: &Path) -> Result<()> {
    let path = directory.join(FILE_NAME);
    if !path.exists() {
        return Err(Error::Missing { path });
    }
    let _lock = lock::Lock::take(directory)?;
    backup_of(&schema::open_any(&path)?, to, false)
}

fn backup_of(from: &Connection, to: &Path, replace: bool) -> Result<()> {
    let fail = |source| Error::Io { path: to.to_owned(), source };
    if !replace && to.exists() {
        return Err(Error::Exists { path: to.to_owned() });
    }
    let part = beside(to, ".part");
    remove(&part)?;
    // Made here, since SQLite would say less of what is wrong with the place.
    std::fs::OpenOptions::new().write(true).create_new(true).open(&part).map_err(fail)?;
    let copied = copy(from, &part).and_then(|()| sync(&part)).and_then(|()| {
        if replace {
            return std::fs::rename(&part, to).map_err(fail);
        }
        // A link, unlike a new name, never takes the place of a file that came meanwhile.
        match std::fs::hard_link(&part, to) {
            Ok(()) => remove(&part),
            Err(source) if source.kind() == std::io::ErrorKind::AlreadyExists => {
                Err(Error::Exists { path: to.to_owned() })
            }
            // File systems of memory sticks have no links.
            Err(_) => std::fs::rename(&part, to).map_err(fail),
        }
    });
    if copied.is_err() {
        remove(&part)?;
    }
    copied?;
    sync_directory(to)
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
