//! The file: how it is opened, its tables, and how an older format becomes the present one.

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};

use super::{Error, Result};

/// The store's file in its directory.
pub const FILE_NAME: &str = "panelwright.db";

/// `PWST` as a number: tells a store from any other database.
const APPLICATION: i64 = 0x5057_5354;

/// One step of the format a script; the number of steps done is the file's `user_version`.
const STEPS: &[&str] = &[
    include_str!("schema.sql"),
    include_str!("hour.sql"),
    include_str!("notes.sql"),
    include_str!("keep.sql"),
    include_str!("proof.sql"),
    include_str!("correction.sql"),
    include_str!("run_day.sql"),
    include_str!("week_sum.sql"),
    include_str!("week_sum_9.sql"),
    include_str!("month_days.sql"),
];

/// Pages of the write-ahead log after which it goes into the file: 16 MB. The journal fills its
/// last page some ten times, and a page that changed ten times is copied once.
const CHECKPOINT_PAGES: u32 = 4096;

/// The log is cut down to this after it has gone into the file, in bytes.
const LOG_KEPT: u32 = 4096 * 4096;

/// How long a statement waits for another connection: only a backup or a check can be in the way.
const PATIENCE: Duration = Duration::from_secs(10);

/// Opens the file for writing, creating it or bringing it to the present format.
pub(super) fn open(path: &Path) -> Result<Connection> {
    if path.exists() {
        // Looked at without the right to write first: a file that is not ours stays untouched.
        version(&read_only(path)?, path)?;
    }
    let mut db = Connection::open(path)?;
    db.busy_timeout(PATIENCE)?;
    db.set_prepared_statement_cache_capacity(64);
    // The page size holds only for a file that is still empty.
    db.execute_batch(&format!(
        "PRAGMA page_size = 4096; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;
         PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}; PRAGMA journal_size_limit = {LOG_KEPT};
         PRAGMA cache_size = -4096; PRAGMA foreign_keys = OFF; PRAGMA temp_store = MEMORY;"
    ))?;
    migrate(&mut db, path)?;
    Ok(db)
}

/// Opens the file for reading. Works beside a running daemon, and in a directory that this user
/// cannot write to if the daemon was stopped in order.
pub(super) fn open_read_only(path: &Path) -> Result<Connection> {
    if !path.exists() {
        return Err(Error::Missing { path: path.to_owned() });
    }
    let db = read_only(path)?;
    match version(&db, path)? {
        found if found == STEPS.len() as i64 => Ok(db),
        0 => Err(Error::Missing { path: path.to_owned() }),
        // Only a writer may bring it forward.
        found => Err(Error::Older { path: path.to_owned(), found, known: STEPS.len() as i64 }),
    }
}

/// Opens a store for reading, whatever its format.
pub(super) fn open_any(path: &Path) -> Result<Connection> {
    let db = read_only(path)?;
    version(&db, path)?;
    Ok(db)
}

fn read_only(path: &Path) -> Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags)?;
    db.busy_timeout(PATIENCE)?;
    db.set_prepared_statement_cache_capacity(32);
    // No statement is to be planned anew for what is bound to it.
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    match db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get::<_, i64>(0)) {
        Ok(_) => Ok(db),
        Err(error) if cannot_share(&error) && !log_of(path).exists() => {
            // Without a log nothing is written meanwhile, and the file is all there is.
            let mut uri = String::from("file:");
            for byte in path.as_os_str().as_encoded_bytes() {
                match byte {
                    b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'.' | b'-' | b'_' => {
                        uri.push(*byte as char)
                    }
                    _ => uri.push_str(&format!("%{byte:02X}")),
                }
            }
            uri.push_str("?immutable=1");
            let db = Connection::open_with_flags(uri, flags | OpenFlags::SQLITE_OPEN_URI)?;
            Ok(db)
        }
        Err(error) => Err(error.into()),
    }
}

/// Whether a file in WAL mode could not be read because its shared memory cannot be made.
fn cannot_share(error: &rusqlite::Error) -> bool {
    use rusqlite::ErrorCode::{CannotOpen, ReadOnly};
    matches!(error.sqlite_error_code(), Some(CannotOpen | ReadOnly))
}

fn log_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push("-wal");
    PathBuf::from(name)
}

/// The file's format, if this program may use it; 0 for an empty file.
fn version(db: &Connection, path: &Path) -> Result<i64> {
    let pragma = |name: &str| db.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    let found = pragma("user_version")?;
    let application = pragma("application_id")?;
    let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    let known = STEPS.len() as i64;
    match (application, found) {
        (APPLICATION, found) if found > known => Err(Error::Newer { path: path.to_owned(), found, known }),
        (APPLICATION, found) => Ok(found),
        (0, 0) if tables == 0 => Ok(0),
        _ => Err(Error::Foreign { path: path.to_owned() }),
    }
}

fn migrate(db: &mut Connection, path: &Path) -> Result<()> {
    let done = version(db, path)? as usize;
    for (index, step) in STEPS.iter().enumerate().skip(done) {
        let step_done = index + 1;
        let tx = db.transaction()?;
        tx.execute_batch(step)?;
        tx.pragma_update(None, "application_id", APPLICATION)?;
        tx.pragma_update(None, "user_version", step_done as i64)?;
        tx.commit()?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(path: &Path) -> u32 {
        #[expect(clippy::disallowed_methods, reason = "the test looks at the file itself")]
        let bytes = std::fs::read(path).expect("the file is there");
        crc32fast::hash(&bytes)
    }

    #[test]
    fn a_new_file_gets_the_present_format_and_opens_again() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join(FILE_NAME);
        assert!(matches!(open_read_only(&path), Err(Error::Missing { .. })));
        for _ in 0..2 {
            let db = open(&path).unwrap();
            let page: i64 = db.pragma_query_value(None, "page_size", |row| row.get(0)).unwrap();
            let mode: String = db.pragma_query_value(None, "journal_mode", |row| row.get(0)).unwrap();
            let synchronous: i64 = db.pragma_query_value(None, "synchronous", |row| row.get(0)).unwrap();
            assert_eq!((page, mode.as_str(), synchronous), (4096, "wal", 2));
        }
        assert!(open_read_only(&path).is_ok());
    }

    #[test]
    fn a_file_of_every_former_format_is_brought_forward() {
        let directory = tempfile::tempdir().unwrap();
        for former in 1..STEPS.len() {
            let path = directory.path().join(format!("{former}.db"));
            let db = Connection::open(&path).unwrap();
            STEPS[..former].iter().for_each(|step| db.execute_batch(step).unwrap());
            db.pragma_update(None, "application_id", APPLICATION).unwrap();
            db.pragma_update(None, "user_version", former as i64).unwrap();
            db.execute_batch(
                "INSERT INTO site (name, time_zone) VALUES ('heron-lane', 'America/Denver');
                 INSERT INTO annotation (site, from_s, to_s, text) VALUES (1, 60, 60, 'dryer replaced');
                 INSERT INTO outbox (site, from_minute, to_minute) VALUES (1, 5, 7);",
            )
            .unwrap();
            drop(db);
            assert!(matches!(open_read_only(&path), Err(Error::Older { .. })), "format {former}");
            let db = open(&path).unwrap();
            let note: (String, String) = db
                .query_row("SELECT text, origin FROM annotation", [], |row| Ok((row.get(0)?, row.get(1)?)))
                .unwrap();
            assert_eq!(note, ("dryer replaced".to_owned(), "person".to_owned()), "format {former}");
            let mark: (i64, Option<String>) = db
                .query_row("SELECT to_minute, figures FROM outbox", [], |row| Ok((row.get(0)?, row.get(1)?)))
                .unwrap();
            assert_eq!(mark, (7, None), "format {former}: a mark of no correction");
            assert!(open_read_only(&path).is_ok(), "format {former}");
        }
    }

    #[test]
    fn a_newer_file_is_refused_untouched() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join(FILE_NAME);
        drop(open(&path).unwrap());
        let newer = Connection::open(&path).unwrap();
        newer.pragma_update(None, "user_version", STEPS.len() as i64 + 1).unwrap();
        newer.pragma_update(None, "journal_mode", "DELETE").unwrap();
        drop(newer);
        let before = bytes(&path);
        let error = open(&path).unwrap_err();
        let known_now = STEPS.len() as i64;
        let newer = |found: i64, known: i64| found == known_now + 1 && known == known_now;
        assert!(matches!(error, Error::Newer { found, known, .. } if newer(found, known)), "{error}");
        assert!(error.to_string().contains("left untouched"), "{error}");
        assert!(matches!(open_read_only(&path), Err(Error::Newer { .. })));
        assert_eq!(bytes(&path), before);
    }

    #[test]
    fn another_programs_database_is_refused_untouched() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join(FILE_NAME);
        Connection::open(&path).unwrap().execute_batch("CREATE TABLE recipe (name TEXT)").unwrap();
        let before = bytes(&path);
        assert!(matches!(open(&path), Err(Error::Foreign { .. })));
        assert_eq!(bytes(&path), before);
    }

    #[test]
    fn a_step_that_fails_leaves_nothing_behind() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join(FILE_NAME);
        let db = Connection::open(&path).unwrap();
        db.pragma_update(None, "application_id", APPLICATION).unwrap();
        // The step makes this table too, after others.
        db.execute_batch("CREATE TABLE outbox (x)").unwrap();
        drop(db);
        assert!(open(&path).is_err());
        let db = Connection::open(&path).unwrap();
        let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).unwrap();
        assert_eq!(tables, 1);
    }
}
