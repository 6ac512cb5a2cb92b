//! The outbox: what the central stores have to be told, and how far each has come.
//!
//! A mark is written in the transaction of the commit that closed its minutes, or of the count that
//! changed them. How far a central store has come is known here at once and goes to the file with
//! the next commit, so that draining costs no writes of its own; after a crash some points are
//! written again, which changes nothing.

use std::ops::Range;
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension, params};
use rustc_hash::FxHashMap;

use crate::reading::SiteIndex;
use crate::units::{Span, Stamp};

use super::shared::Shared;
use super::{Result, Source};

/// Refused records that wait for the next commit; the oldest go first beyond it. A server that
/// refuses everything is a fault of its settings, and a thousand answers show it.
const REFUSED_WAITING: usize = 1000;

/// Refused records kept in the file, for the same reason; the oldest go first.
const REFUSED_KEPT: i64 = 10_000;

/// Minutes of one site that closed or changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark {
    /// Its place in the outbox.
    pub seq: u64,
    /// Which site.
    pub site: SiteIndex,
    /// From the start of the first minute to the end of the last.
    pub range: Range<Stamp>,
    /// After a correction of the map: the names of the figures that follow from other sums than
    /// before ([`crate::site::figure_name`]). Those that are not known any more have to be taken back.
    pub corrected: Vec<String>,
}

/// A record that a server will not take.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// The name of the central store.
    pub central: String,
    /// The record.
    pub record: String,
    /// What the server answered.
    pub answer: String,
    /// When.
    pub at: Stamp,
}

/// What is known here and not in the file yet.
#[derive(Debug, Default)]
pub(super) struct Spool {
    /// How far each central store of the settings has come.
    cursors: FxHashMap<String, i64>,
    refused: Vec<Refused>,
    moved: bool,
}

/// What the next commit takes along.
#[derive(Clone, Debug)]
pub(super) struct News {
    cursors: Vec<(String, i64)>,
    refused: Vec<Refused>,
}

impl Spool {
    /// Reads the cursors; a central store that is new begins with the oldest mark that is kept.
    /// Cursors of stores that the settings do not name any more go, so that they hold nothing up.
    pub(super) fn open(db: &mut Connection, centrals: Vec<String>) -> Result<Self> {
        let tx = db.transaction()?;
        let mut cursors = FxHashMap::default();
        for central in centrals {
            let seq = tx
                .query_row("SELECT seq FROM central_cursor WHERE central = ?1", [&central], |row| row.get(0))
                .optional()?;
            cursors.insert(central, seq.unwrap_or(0));
        }
        let mut select = tx.prepare("SELECT central FROM central_cursor")?;
        let known: Vec<String> = select.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
        drop(select);
        for gone in known.iter().filter(|name| !cursors.contains_key(*name)) {
            tx.execute("DELETE FROM central_cursor WHERE central = ?1", [gone])?;
        }
        if cursors.is_empty() {
            tx.execute_batch("DELETE FROM outbox; DELETE FROM correction")?;
        }
        tx.commit()?;
        Ok(Self { cursors, refused: Vec::new(), moved: false })
    }

    pub(super) fn has_centrals(&self) -> bool {
        !self.cursors.is_empty()
    }

    /// How far the central store has come that is ahead of the others.
    pub(super) fn foremost(&self) -> i64 {
        self.cursors.values().copied().max().unwrap_or(i64::MAX)
    }

    /// What is to be written, if anything is.
    pub(super) fn news(&self) -> Option<News> {
        (self.moved || !self.refused.is_empty()).then(|| News {
            cursors: self.cursors.iter().map(|(name, seq)| (name.clone(), *seq)).collect(),
            refused: self.refused.clone(),
        })
    }

    /// The news are in the file. What came meanwhile stays.
    pub(super) fn written(&mut self, news: &News) {
        let written = news.refused.len().min(self.refused.len());
        self.refused.drain(..written);
        self.moved = news.cursors.iter().any(|(name, seq)| self.cursors.get(name) != Some(seq));
    }
}

/// Writes the news, and takes away what every central store has.
pub(super) fn write(db: &Connection, news: &News) -> Result<()> {
    for refused in &news.refused {
        db.prepare_cached(
            "INSERT INTO outbox_refused (central, at_s, record, answer) VALUES (?1, ?2, ?3, ?4)",
        )?
        .execute(params![refused.central, refused.at.seconds(), refused.record, refused.answer])?;
    }
    if !news.refused.is_empty() {
        db.prepare_cached(
            "DELETE FROM outbox_refused WHERE id <= (SELECT max(id) FROM outbox_refused) - ?1",
        )?
        .execute([REFUSED_KEPT])?;
    }
    for (central, seq) in &news.cursors {
        db.prepare_cached("REPLACE INTO central_cursor (central, seq) VALUES (?1, ?2)")?
            .execute(params![central, seq])?;
    }
    if let Some(all_have) = news.cursors.iter().map(|(_, seq)| *seq).min() {
        db.prepare_cached("DELETE FROM outbox WHERE seq <= ?1")?.execute([all_have])?;
    }
    Ok(())
}

/// Marks minutes of a site (a row of `site`), and remembers up to where it was marked.
pub(super) fn mark(db: &Connection, site: i64, range: &Range<Stamp>) -> Result<()> {
    let minute = |at: Stamp| at.0.div_euclid(Span::MINUTE.0);
    db.prepare_cached("INSERT INTO outbox (site, from_minute, to_minute) VALUES (?1, ?2, ?3)")?
        .execute(params![site, minute(range.start), minute(range.end)])?;
    db.prepare_cached("UPDATE site SET marked_ds = ?2 WHERE id = ?1 AND marked_ds < ?2")?
        .execute(params![site, range.end.0])?;
    Ok(())
}

/// Minutes of corrections that the outbox has not got yet.
pub(super) fn corrections_left(db: &Connection) -> Result<u64> {
    let mut select = db.prepare_cached("SELECT coalesce(sum(to_minute - from_minute), 0) FROM correction")?;
    Ok(select.query_row([], |row| row.get::<_, i64>(0))? as u64)
}

/// Minutes of a correction that are marked at a time: a day, which at minute resolution is some
/// 60,000 points, a dozen requests.
const CORRECTED: i64 = 24 * 60;

/// Marks the newest day of the newest correction of a site that `has_map`; the mark's number.
pub(super) fn correct(db: &Connection, has_map: impl Fn(i64) -> bool) -> Result<Option<i64>> {
    let mut select = db.prepare_cached(
        "SELECT id, site, from_minute, to_minute, figures FROM correction ORDER BY to_minute DESC, id",
    )?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let (id, site, from, to): (i64, i64, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
        let figures: String = row.get(4)?;
        if !has_map(site) {
            continue;
        }
        let first = from.max((to - 1).div_euclid(CORRECTED) * CORRECTED);
        db.prepare_cached(
            "INSERT INTO outbox (site, from_minute, to_minute, figures) VALUES (?1, ?2, ?3, ?4)",
        )?
        .execute(params![site, first, to, figures])?;
        let seq = db.last_insert_rowid();
        if first > from {
            db.prepare_cached("UPDATE correction SET to_minute = ?2 WHERE id = ?1")?.execute([id, first])?;
        } else {
            db.prepare_cached("DELETE FROM correction WHERE id = ?1")?.execute([id])?;
        }
        return Ok(Some(seq));
    }
    Ok(None)
}

/// The outbox as a central store's task sees it. Methods may block on the disk.
#[derive(Clone, Debug)]
pub struct Outbox {
    shared: Arc<Shared>,
}

impl Outbox {
    pub(super) fn new(shared: Arc<Shared>) -> Self {
        Self { shared }
    }

    /// The marks after the cursor of `central`, by sequence number, at most `limit`. Marks of sites
    /// that no map in force has are passed over.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn pending(&self, central: &str, limit: usize) -> Result<Vec<Mark>> {
        let after = self.cursor(central);
        let catalog = self.shared.catalog();
        self.shared.read(|db| {
            let mut select = db.prepare_cached(
                "SELECT seq, site, from_minute, to_minute, figures FROM outbox WHERE seq > ?1 ORDER BY seq LIMIT ?2",
            )?;
            let mut rows = select.query(params![after, i64::try_from(limit).unwrap_or(i64::MAX)])?;
            let mut marks = Vec::new();
            while let Some(row) = rows.next()? {
                let (from, to): (i64, i64) = (row.get(2)?, row.get(3)?);
                if let Some(site) = catalog.site_of(row.get(1)?) {
                    let range = Stamp(from * Span::MINUTE.0)..Stamp(to * Span::MINUTE.0);
                    let figures: Option<String> = row.get(4)?;
                    let corrected =
                        figures.iter().flat_map(|figures| figures.lines()).map(str::to_owned).collect();
                    marks.push(Mark { seq: row.get::<_, i64>(0)? as u64, site, range, corrected });
                }
            }
            Ok(marks)
        })
    }

    /// Moves the cursor of `central` on: it has everything up to and including `seq`.
    pub fn advance(&self, central: &str, seq: u64) {
        let mut spool = self.shared.outbox();
        if let Some(cursor) = spool.cursors.get_mut(central)
            && (*cursor as u64) < seq
        {
            *cursor = seq as i64;
            spool.moved = true;
            drop(spool);
            // A correction may have waited for this.
            self.shared.nudge();
        }
    }

    /// Sets a record aside that the server will not take. It goes to the file before, or with, the
    /// next move of a cursor.
    pub fn refuse(&self, refused: Refused) {
        let mut spool = self.shared.outbox();
        if spool.refused.len() >= REFUSED_WAITING {
            spool.refused.remove(0);
        }
        spool.refused.push(refused);
    }

    /// How many marks `central` has not taken, and where the oldest of them starts.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn backlog(&self, central: &str) -> Result<(u64, Option<Stamp>)> {
        let after = self.cursor(central);
        self.shared.read(|db| {
            let mut select =
                db.prepare_cached("SELECT count(*), min(from_minute) FROM outbox WHERE seq > ?1")?;
            Ok(select.query_row([after], |row| {
                let oldest: Option<i64> = row.get(1)?;
                let oldest = oldest.map(|minute| Stamp(minute * Span::MINUTE.0));
                Ok((row.get::<_, i64>(0)? as u64, oldest))
            })?)
        })
    }

    /// The rows of a site, as history reads them.
    pub fn source(&self, site: SiteIndex) -> Source {
        Source::new(Arc::clone(&self.shared), site)
    }

    fn cursor(&self, central: &str) -> i64 {
        self.shared.outbox().cursors.get(central).copied().unwrap_or(0)
    }
}
