//! The tables of what is kept beside the rows: of a stretch of time a body that follows from its rows, and the
//! fingerprint of the rule that it was made by. What another rule made is not used, and what is missing is made
//! again, so that a body may be taken away at any time.

use std::ops::Range;

use rusqlite::{Connection, OptionalExtension, params};

use crate::units::{Span, Stamp};

use super::{Result, rows};

/// From when to when something is kept, and what is wrong with it.
pub(super) type Wrong = (Range<Stamp>, String);

/// At how many bodies a check looked, and what is wrong.
pub(super) type Looked = (u64, Vec<Wrong>);

/// A table, or those of its bodies that are of one kind of stretch.
pub(super) struct Shelf {
    pub table: &'static str,
    /// Its column `stretch`, where it has one.
    pub stretch: Option<i64>,
    /// Longer than any stretch that is kept there.
    pub longest: Span,
}

impl Shelf {
    /// Takes away whatever `range` touches.
    pub(super) fn forget(&self, db: &Connection, site: i64, range: &Range<Stamp>) -> Result<()> {
        let (table, kind) = (self.table, self.kind());
        db.prepare_cached(&format!(
            "DELETE FROM {table} WHERE site = ?1 AND start_s > ?2 AND start_s < ?3 AND end_s > ?4{kind}"
        ))?
        .execute(params![
            site,
            (range.start - self.longest).seconds(),
            rows::bound(range.end),
            range.start.seconds()
        ])?;
        Ok(())
    }

    /// The body of exactly that stretch, if it was made by that rule and can be read.
    pub(super) fn find<T>(
        &self,
        db: &Connection,
        site: i64,
        range: &Range<Stamp>,
        rule: i64,
        read: impl FnOnce(&[u8]) -> Option<T>,
    ) -> Result<Option<T>> {
        let found = self.row(db, site, range, rule, |row| Ok(read(row.get_ref(2)?.as_blob()?)))?;
        Ok(found.flatten())
    }

    /// Whether there is one.
    pub(super) fn is_there(
        &self,
        db: &Connection,
        site: i64,
        range: &Range<Stamp>,
        rule: i64,
    ) -> Result<bool> {
        Ok(self.row(db, site, range, rule, |_| Ok(()))?.is_some())
    }

    /// Puts a body in place of whatever its range touches: what is of another zone may overlap it.
    pub(super) fn put(
        &self,
        db: &Connection,
        site: i64,
        range: &Range<Stamp>,
        rule: i64,
        body: &[u8],
    ) -> Result<()> {
        self.forget(db, site, range)?;
        let (column, value) = match self.stretch {
            Some(stretch) => (", stretch", format!(", {stretch}")),
            None => ("", String::new()),
        };
        let table = self.table;
        db.prepare_cached(&format!(
            "INSERT INTO {table} (site, start_s, end_s, rule, body{column}) VALUES (?1, ?2, ?3, ?4, ?5{value})"
        ))?
        .execute(params![site, range.start.seconds(), range.end.seconds(), rule, body])?;
        Ok(())
    }

    /// What the row of exactly that stretch and that rule says; its body is read if it is asked for.
    fn row<T>(
        &self,
        db: &Connection,
        site: i64,
        range: &Range<Stamp>,
        rule: i64,
        read: impl FnOnce(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Option<T>> {
        let (table, kind) = (self.table, self.kind());
        let mut select = db.prepare_cached(&format!(
            "SELECT end_s, rule, body FROM {table} WHERE site = ?1 AND start_s = ?2{kind}"
        ))?;
        let of_use = |row: &rusqlite::Row<'_>| -> rusqlite::Result<bool> {
            Ok(row.get::<_, i64>(0)? == range.end.seconds() && row.get::<_, i64>(1)? == rule)
        };
        let found = select
            .query_row(params![site, range.start.seconds()], |row| {
                of_use(row)?.then(|| read(row)).transpose()
            })
            .optional()?;
        Ok(found.flatten())
    }

    fn kind(&self) -> String {
        self.stretch.map_or_else(String::new, |stretch| format!(" AND stretch = {stretch}"))
    }
}
