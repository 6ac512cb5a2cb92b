//! Saving the rows of a file that SQLite cannot read in full.
//!
//! Rows are read in the order of their key until an error, and then from the other end until an error;
//! what lies in between is lost. They go into a new file; the old one is kept beside it.

use std::path::{Path, PathBuf};

use rusqlite::types::Value;
use rusqlite::{Connection, params_from_iter};

use super::{Error, Result, schema};

/// Rows that are written in one transaction.
const BATCH: usize = 1000;

/// What was saved.
pub(super) struct Saved {
    /// The file as it was.
    pub original: PathBuf,
    /// What could not be read, a line a table.
    pub unsaved: Vec<String>,
}

/// A table of the present format.
struct Table {
    name: String,
    columns: Vec<String>,
    /// The columns of its key, or `rowid`.
    key: Vec<String>,
}

/// Puts a new file with every row that can be read in the place of `path`.
pub(super) fn salvage(path: &Path) -> Result<Saved> {
    let part = beside(path, ".saved");
    for leftover in [part.clone(), beside(&part, "-wal"), beside(&part, "-shm")] {
        remove(&leftover)?;
    }
    let mut unsaved = Vec::new();
    {
        let old = Connection::open(path)?;
        let mut new = schema::open(&part)?;
        let tables = tables(&new)?;
        // What a new file starts with makes room for what was.
        for table in tables {
            if let Some(what) = copy(&old, &mut new, &table)? {
                unsaved.push(what);
            }
        }
        new.pragma_update(None, "journal_mode", "DELETE")?;
        new.close().map_err(|(_, error)| Error::from(error))?;
    }
    sync(&part)?;
    let original = (1..).map(|n| beside(path, &format!(".damaged-{n}"))).find(|path| !path.exists());
    let original = original.unwrap_or_else(|| beside(path, ".damaged"));
    // The log belongs to the old file; what was in it is among the rows.
    for end in ["-wal", "-shm"] {
        let log = beside(path, end);
        if log.exists() {
            rename(&log, &beside(&original, end))?;
        }
    }
    rename(path, &original)?;
    rename(&part, path)?;
    Ok(Saved { original, unsaved })
}

fn tables(db: &Connection) -> Result<Vec<Table>> {
    let mut select = db.prepare(
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND (name NOT LIKE 'sqlite%' OR name = 'sqlite_sequence')
         ORDER BY name",
    )?;
    let names: Vec<String> = select.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    let mut tables = Vec::new();
    for name in names {
        let mut info = db.prepare("SELECT name, pk FROM pragma_table_info(?1) ORDER BY cid")?;
        let columns: Vec<(String, i64)> = info
            .query_map([&name], |row| Ok((row.get(0)?, row.get(1)?)))?
            .collect::<rusqlite::Result<_>>()?;
        let mut key: Vec<(i64, String)> =
            columns.iter().filter(|(_, pk)| *pk > 0).map(|(name, pk)| (*pk, name.clone())).collect();
        key.sort();
        let mut key: Vec<String> = key.into_iter().map(|(_, name)| name).collect();
        if key.is_empty() {
            key.push("rowid".into());
        }
        let columns = columns.into_iter().map(|(name, _)| name).collect();
        tables.push(Table { name, columns, key });
    }
    Ok(tables)
}

/// Copies what can be read of a table; what could not, in words.
fn copy(old: &Connection, new: &mut Connection, table: &Table) -> Result<Option<String>> {
    let (last, broken) = one_way(old, new, table, None)?;
    let Some(why) = broken else { return Ok(None) };
    let (first, _) = one_way(old, new, table, Some(&last))?;
    let show = |key: &[Value]| match key {
        [] => "the end".to_owned(),
        key => key.iter().map(|value| format!("{value:?}")).collect::<Vec<_>>().join(" "),
    };
    Ok(Some(format!(
        "{}: the rows between key {} and key {} cannot be read ({why})",
        table.name,
        show(&last),
        show(&first)
    )))
}

/// Copies rows in the order of the key, or, down to what is there already, from the end. The last key
/// that was read, and why it went no further.
fn one_way(
    old: &Connection,
    new: &mut Connection,
    table: &Table,
    down_to: Option<&[Value]>,
) -> Result<(Vec<Value>, Option<String>)> {
    let direction = if down_to.is_some() { "DESC" } else { "ASC" };
    let order: Vec<String> = table.key.iter().map(|column| format!("{column} {direction}")).collect();
    let select = format!(
        "SELECT {}, {} FROM {} ORDER BY {}",
        table.key.join(", "),
        table.columns.join(", "),
        table.name,
        order.join(", ")
    );
    let holes = vec!["?"; table.columns.len()].join(", ");
    let insert =
        format!("INSERT OR IGNORE INTO {} ({}) VALUES ({holes})", table.name, table.columns.join(", "));
    let mut last = Vec::new();
    let mut statement = match old.prepare(&select) {
        Ok(statement) => statement,
        Err(error) => return Ok((last, Some(error.to_string()))),
    };
    let mut rows = statement.query([])?;
    let width = table.key.len();
    loop {
        let tx = new.transaction()?;
        for _ in 0..BATCH {
            let row = match rows.next() {
                Ok(Some(row)) => row,
                Ok(None) => {
                    tx.commit()?;
                    return Ok((last, None));
                }
                Err(error) => {
                    tx.commit()?;
                    return Ok((last, Some(error.to_string())));
                }
            };
            let mut values = Vec::with_capacity(width + table.columns.len());
            for index in 0..width + table.columns.len() {
                match row.get::<_, Value>(index) {
                    Ok(value) => values.push(value),
                    Err(error) => {
                        tx.commit()?;
                        return Ok((last, Some(error.to_string())));
                    }
                }
            }
            let contents = values.split_off(width);
            if down_to.is_some_and(|end| end == values.as_slice()) {
                tx.commit()?;
                return Ok((last, None));
            }
            last = values;
            tx.prepare_cached(&insert)?.execute(params_from_iter(contents))?;
        }
        tx.commit()?;
    }
}

/// A file of that name with something at its end.
pub(super) fn beside(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    PathBuf::from(name)
}

/// Takes a file away if it is there.
pub(super) fn remove(path: &Path) -> Result<()> {
    match std::fs::remove_file(path) {
        Err(source) if source.kind() != std::io::ErrorKind::NotFound => {
            Err(Error::Io { path: path.to_owned(), source })
        }
        _ => Ok(()),
    }
}

/// Gives a file its final name, durably.
pub(super) fn rename(from: &Path, to: &Path) -> Result<()> {
    std::fs::rename(from, to).map_err(|source| Error::Io { path: to.to_owned(), source })?;
    sync_directory(to)
}

/// Waits until a file is on the disk.
pub(super) fn sync(path: &Path) -> Result<()> {
    let file = std::fs::OpenOptions::new().read(true).write(true).open(path);
    file.and_then(|file| file.sync_all()).map_err(|source| Error::Io { path: path.to_owned(), source })
}

/// Waits until the names in the directory of `path` are on the disk.
pub(super) fn sync_directory(path: &Path) -> Result<()> {
    let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let directory = std::fs::OpenOptions::new().read(true).open(parent);
    directory
        .and_then(|directory| directory.sync_all())
        .map_err(|source| Error::Io { path: parent.to_owned(), source })
}
