//! Notes beside the figures: written by people, and by the program as a map changes.

use std::ops::Range;
use std::path::Path;
use std::sync::{Arc, mpsc};

use rusqlite::{Connection, OptionalExtension, params};

use crate::history::{Note, NoteBy, map_changes};
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::units::{Span, Stamp, TENTHS};

use super::catalog::{Catalog, NO_ROW};
use super::reader::Reader;
use super::{Error, FILE_NAME, Result, lock, schema};

/// Notes of people that a site may have: some for every week of ten years. At 300 characters they take
/// half a megabyte.
pub const MAX_NOTES: i64 = 2_000;

/// Notes of changed maps that are kept of a site, the oldest go: a map that a script rewrites every
/// minute must not fill the store.
const MAX_MAP_NOTES: i64 = 1_000;

/// Notes that one question is answered with, the newest of its range.
pub const NOTES_AT_ONCE: i64 = 1_000;

/// What is to become of the notes of a site.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NoteChange {
    /// One more.
    Add {
        /// When it begins; taken down to the second.
        start: Stamp,
        /// When it ends; at `start` for a moment.
        end: Stamp,
        /// What it says, as [`crate::history::note_text`] gives it.
        text: String,
    },
    /// One less.
    Remove {
        /// Its number.
        id: i64,
    },
}

/// Why a note was not added or removed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoteRefused {
    /// The site has no such note.
    #[error("there is no note {0} of this site; `panelwright annotate list` shows them with their numbers")]
    Unknown(i64),
    /// There are too many.
    #[error("the site has {MAX_NOTES} notes, and more are not kept; remove some")]
    Full,
    /// The store has no such site.
    #[error("the store knows no such site yet")]
    NoSite,
}

/// The note that was added or removed.
pub type NoteOutcome = std::result::Result<Note, NoteRefused>;

/// Where the outcome of a [`NoteChange`] goes.
pub type NoteAnswer = mpsc::Sender<NoteOutcome>;

impl Reader {
    /// The notes of a site that touch `range`, by start; of more than [`NOTES_AT_ONCE`] the newest.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn notes(&self, site: SiteIndex, range: Range<Stamp>) -> Result<Vec<Note>> {
        let Some(row) = self.shared().catalog().entry(site).map(|entry| entry.row) else {
            return Ok(Vec::new());
        };
        self.shared().read(|db| {
            let mut select = db.prepare_cached(
                "SELECT id, from_s, to_s, origin, text FROM annotation
                 WHERE site = ?1 AND from_s <= ?3 AND (to_s >= ?2 OR from_s >= ?2)
                 ORDER BY from_s DESC, id DESC LIMIT ?4",
            )?;
            let bounds = params![row, range.start.seconds(), range.end.seconds(), NOTES_AT_ONCE];
            let found = select.query_map(bounds, note)?.collect::<rusqlite::Result<Vec<Note>>>()?;
            Ok(found.into_iter().rev().filter(|note| note.touches(&range)).collect())
        })
    }
}

fn note(row: &rusqlite::Row<'_>) -> rusqlite::Result<Note> {
    let by: String = row.get(3)?;
    Ok(Note {
        id: row.get(0)?,
        start: Stamp::from_seconds(row.get(1)?),
        end: Stamp::from_seconds(row.get(2)?),
        by: NoteBy::from_word(&by),
        text: row.get(4)?,
    })
}

/// Adds or removes a note of the site with that row.
pub(super) fn change(db: &mut Connection, site: i64, change: &NoteChange) -> Result<NoteOutcome> {
    if site == NO_ROW {
        return Ok(Err(NoteRefused::NoSite));
    }
    let tx = db.transaction()?;
    let outcome = match change {
        NoteChange::Add { start, end, text } => {
            let count: i64 = tx.query_row(
                "SELECT count(*) FROM annotation WHERE site = ?1 AND origin <> 'map'",
                [site],
                |row| row.get(0),
            )?;
            if count >= MAX_NOTES {
                Err(NoteRefused::Full)
            } else {
                Ok(add(&tx, site, *start..*end, NoteBy::Person, text)?)
            }
        }
        NoteChange::Remove { id } => {
            let found = tx
                .query_row(
                    "SELECT id, from_s, to_s, origin, text FROM annotation WHERE id = ?1 AND site = ?2",
                    params![id, site],
                    note,
                )
                .optional()?;
            tx.execute("DELETE FROM annotation WHERE id = ?1 AND site = ?2", params![id, site])?;
            found.ok_or(NoteRefused::Unknown(*id))
        }
    };
    tx.commit()?;
    Ok(outcome)
}

fn add(db: &Connection, site: i64, range: Range<Stamp>, by: NoteBy, text: &str) -> Result<Note> {
    let (from_s, to_s) = (range.start.seconds(), range.end.max(range.start).seconds());
    db.execute(
        "INSERT INTO annotation (site, from_s, to_s, text, origin) VALUES (?1, ?2, ?3, ?4, ?5)",
        params![site, from_s, to_s, text, by.as_str()],
    )?;
    let (start, end) = (Stamp(from_s * TENTHS), Stamp(to_s * TENTHS));
    Ok(Note { id: db.last_insert_rowid(), start, end, by, text: text.to_owned() })
}

/// Compares each map's form with the one that was last in force, notes at `at` what changed, and keeps
/// the new form. The same form again changes nothing.
pub(super) fn keep_forms(db: &mut Connection, at: Stamp, forms: &[(i64, &str)]) -> Result<()> {
    let tx = db.transaction()?;
    for (site, form) in forms.iter().filter(|(site, _)| *site != NO_ROW) {
        let before: Option<String> =
            tx.query_row("SELECT form FROM map_form WHERE site = ?1", [site], |row| row.get(0)).optional()?;
        if before.as_deref() == Some(*form) {
            continue;
        }
        if let Some(text) = before.and_then(|before| map_changes(&before, form)) {
            add(&tx, *site, at..at, NoteBy::Map, &text)?;
            tx.execute(
                "DELETE FROM annotation WHERE site = ?1 AND origin = 'map' AND id <=
                 (SELECT id FROM annotation WHERE site = ?1 AND origin = 'map'
                  ORDER BY id DESC LIMIT 1 OFFSET ?2)",
                params![site, MAX_MAP_NOTES],
            )?;
        }
        tx.execute("REPLACE INTO map_form (site, form) VALUES (?1, ?2)", params![site, form])?;
    }
    Ok(tx.commit()?)
}

/// Adds or removes a note in a store that no daemon has open.
///
/// # Errors
/// When there is no store, when another process has it, or when it cannot be written.
pub fn change_notes(
    directory: &Path,
    sites: &[Arc<Site>],
    site: SiteIndex,
    wanted: &NoteChange,
) -> Result<NoteOutcome> {
    let path = directory.join(FILE_NAME);
    if !path.exists() {
        return Err(Error::Missing { path });
    }
    let _lock = lock::Lock::take(directory)?;
    let mut db = schema::open(&path)?;
    // As a daemon does it first: it may have been an older version that wrote this store.
    let row = Catalog::register(&mut db, sites)?.entry(site).map_or(NO_ROW, |entry| entry.row);
    change(&mut db, row, wanted)
}

impl NoteChange {
    /// A note from `start` to `end`, or of the moment `start`.
    pub fn add(start: Stamp, end: Option<Stamp>, text: String) -> Self {
        let start = start.floor(Span::TICK);
        Self::Add { start, end: end.map_or(start, |end| end.floor(Span::TICK).max(start)), text }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn opened() -> (tempfile::TempDir, Connection) {
        let directory = tempfile::tempdir().expect("a directory");
        let db = schema::open(&directory.path().join(FILE_NAME)).expect("it opens");
        (directory, db)
    }

    fn texts(db: &Connection) -> Vec<String> {
        let mut select = db.prepare("SELECT text FROM annotation ORDER BY id").expect("a statement");
        let rows = select.query_map([], |row| row.get(0)).expect("rows");
        rows.collect::<rusqlite::Result<_>>().expect("texts")
    }

    #[test]
    fn a_changed_form_makes_one_note() {
        let (_directory, mut db) = opened();
        let form = |doubled: &str| {
            format!("map form 1\ncircuit dryer\tlabel\tDryer\ncircuit dryer\tdoubled\t{doubled}\n")
        };
        let mut keep = |second, form: &str| {
            keep_forms(&mut db, Stamp::from_seconds(second), &[(1, form)]).expect("kept");
            texts(&db)
        };
        assert_eq!(keep(1, &form("true")), Vec::<String>::new());
        assert_eq!(keep(2, &form("false")), ["Dryer: doubled true -> false"]);
        assert_eq!(keep(3, &form("false")), ["Dryer: doubled true -> false"]);
        assert_eq!(keep(4, &form("true")).len(), 2);
        // What another version of the program wrote is replaced without a word.
        assert_eq!(keep(5, "map form 2\n").len(), 2);
        assert_eq!(keep(6, &form("false")).len(), 2);
    }

    #[test]
    fn notes_of_maps_are_bounded_and_leave_those_of_people_alone() {
        let (_directory, mut db) = opened();
        let person = NoteChange::add(Stamp(0), None, "dryer replaced".into());
        change(&mut db, 1, &person).expect("written").expect("added");
        for second in 0..MAX_MAP_NOTES + 5 {
            let form = format!("map form 1\nsite\tname\t{second}\n");
            keep_forms(&mut db, Stamp::from_seconds(second), &[(1, form.as_str())]).expect("kept");
        }
        let texts = texts(&db);
        assert_eq!(texts.len() as i64, MAX_MAP_NOTES + 1);
        assert_eq!(texts[0], "dryer replaced");
        assert_eq!(texts.last().map(String::as_str), Some("site: name 1003 -> 1004"));
    }

    #[test]
    fn notes_of_people_are_bounded_and_removed_by_their_number() {
        let (_directory, mut db) = opened();
        let add = NoteChange::add(Stamp(15), Some(Stamp(3)), "x".into());
        let first = change(&mut db, 1, &add).expect("written").expect("added");
        assert_eq!((first.start, first.end, first.by), (Stamp(10), Stamp(10), NoteBy::Person));
        for _ in 1..MAX_NOTES {
            change(&mut db, 1, &add).expect("written").expect("added");
        }
        assert_eq!(change(&mut db, 1, &add).expect("asked"), Err(NoteRefused::Full));
        assert!(change(&mut db, 2, &add).expect("asked").is_ok(), "another site has room");
        // A note belongs to its site.
        let remove = NoteChange::Remove { id: first.id };
        assert_eq!(change(&mut db, 2, &remove).expect("asked"), Err(NoteRefused::Unknown(first.id)));
        assert_eq!(change(&mut db, 1, &remove).expect("asked"), Ok(first.clone()));
        assert_eq!(change(&mut db, 1, &remove).expect("asked"), Err(NoteRefused::Unknown(first.id)));
        assert_eq!(change(&mut db, NO_ROW, &add).expect("asked"), Err(NoteRefused::NoSite));
    }
}
