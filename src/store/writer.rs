//! The thread that writes.
//!
//! It owns the only connection that writes, so nothing ever waits for a lock inside the file. What
//! cannot be written is kept and tried again: nothing is dropped, and because the queue is bounded
//! the daemon stops reading from the broker, which holds the rest.

use std::collections::{BTreeMap, VecDeque};
use std::ops::Range;
use std::sync::Arc;
use std::time::Duration;

use rusqlite::{Connection, params};
use rustc_hash::FxHashMap;
use tokio::sync::mpsc::{self, error::TryRecvError};

use crate::flow::ClosedMinute;
use crate::reading::{Reading, SiteIndex};
use crate::site::Site;
use crate::units::{Span, Stamp};
use crate::verify::Proof;

use super::catalog::{Catalog, Entry};
use super::journal::{self, Kept};
use super::keep::{Keep, Retention};
use super::recount::tidy;
use super::seal::{self, Sealing};
use super::shared::Shared;
use super::steps::Waits;
use super::{
    Batch, Command, Error, Event, NoteAnswer, NoteChange, QUEUE, Result, catalog, notes, outbox, proofs,
};

/// First and longest wait before a failed write is tried again.
const BACK_OFF: (Duration, Duration) = (Duration::from_millis(250), Duration::from_secs(15));

/// Commands that are carried out one after the other before a step of the work that waits goes between
/// them. Without it a feed that never pauses would keep hours from being sealed, and the journal, the
/// file and the memory of the seal to come would grow with it. A commit waits one step at most.
const IN_A_ROW: usize = 4;

/// Late stretches of one site that are remembered one by one; beyond it they become one.
const LATE: usize = 64;

/// Late readings that the journal holds at most, 2 MB of it: with more of them it is sealed again before
/// its hour, so that a start after a kill has no more than that to read and to count again.
const LATE_UNSEALED: usize = 1 << 18;

/// How far one site has come.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Progress {
    /// Minutes before this are in blocks.
    pub sealed: Stamp,
    /// The outbox has been told of minutes before this.
    pub marked: Stamp,
}

/// The thread's state.
pub(super) struct Writer {
    pub(super) db: Connection,
    pub(super) shared: Arc<Shared>,
    queue: mpsc::Receiver<Command>,
    /// Taken from the queue while a write was failing.
    held: VecDeque<Command>,
    on_event: Box<dyn Fn(Event) + Send>,
    /// By row of `site`.
    pub(super) progress: FxHashMap<i64, Progress>,
    /// The journal's next row. Counted here, so that a number is never used twice while a seal is on
    /// its way, without a table for it that every commit would write.
    pub(super) next_row: i64,
    /// Minutes to count again, by row of `site`.
    pub(super) late: BTreeMap<i64, Vec<Range<Stamp>>>,
    pub(super) sealing: Option<Sealing>,
    /// Seals asked for and not begun.
    pub(super) to_seal: Option<ToSeal>,
    /// Days before this have hours to join.
    pub(super) to_join: Option<Stamp>,
    /// Everything before this is sealed, and what is too old may go.
    pub(super) to_let_go: Option<Stamp>,
    /// How long readings and minutes are kept.
    pub(super) keep: Keep,
    /// Readings that were committed since the last seal began and are of sealed hours.
    pub(super) late_unsealed: usize,
    /// Whether splits may wait to be derived again.
    pub(super) to_rederive: bool,
    /// Whether corrections may wait to be marked, and the last mark that was made of one.
    pub(super) to_correct: bool,
    pub(super) corrected: i64,
    /// Time of sites (by row of `site`) in which days may be over of which it is not kept what their minutes
    /// say.
    pub(super) to_count: Waits,
    /// The same of stretches whose sums by slot of the week are not kept.
    pub(super) to_sum: Waits,
    /// The same of months whose days are not kept together.
    pub(super) to_lay_together: Waits,
    troubled: bool,
    /// Commands since work that waits had its turn.
    in_a_row: usize,
}

/// A seal that was asked for.
#[derive(Clone, Copy, Debug)]
pub(super) struct ToSeal {
    /// Hours that end at or before this are to be sealed.
    pub before: Stamp,
    /// Where the slice before ended: the next one ends later.
    pub beyond: Stamp,
}

impl Writer {
    pub(super) fn new(
        db: Connection,
        shared: Arc<Shared>,
        queue: mpsc::Receiver<Command>,
        on_event: Box<dyn Fn(Event) + Send>,
    ) -> Self {
        Self {
            db,
            shared,
            queue,
            held: VecDeque::new(),
            on_event,
            progress: FxHashMap::default(),
            next_row: 1,
            late: BTreeMap::new(),
            sealing: None,
            to_seal: None,
            to_join: None,
            to_let_go: None,
            keep: Keep::default(),
            late_unsealed: 0,
            to_rederive: true,
            to_correct: true,
            corrected: 0,
            to_count: BTreeMap::new(),
            to_sum: BTreeMap::new(),
            to_lay_together: BTreeMap::new(),
            troubled: false,
            in_a_row: 0,
        }
    }

    /// Works until it is told to end.
    pub(super) fn run(mut self) {
        self.start();
        while let Some(command) = self.next() {
            match command {
                Command::Commit(batch) => self.commit(batch),
                Command::Seal { before } => {
                    let before = before.floor(Span::HOUR);
                    self.seal_later(before, Stamp::MIN);
                }
                Command::Import(import) => self.import(import),
                Command::Sites(sites) => self.new_sites(&sites),
                Command::Maps { at, forms } => self.keep_forms(at, &forms),
                Command::Note { site, change, answer } => self.note(site, &change, &answer),
                Command::Proof { site, proof, answer } => self.keep_proof(site, &proof, &answer),
                // It was looked for before this was taken from the queue.
                Command::Look => {}
                Command::Flush => self.flush(),
                Command::Shutdown => break,
            }
        }
        self.write_outbox();
    }

    pub(super) fn report(&self, event: Event) {
        (self.on_event)(event);
    }

    pub(super) fn damaged(&self, damage: Vec<String>) {
        damage.into_iter().for_each(|what| self.report(Event::Damaged { what }));
    }

    /// The next command; `None` when the store closes and nothing is queued. While nothing is
    /// queued the work that waits goes on, a step at a time.
    fn next(&mut self) -> Option<Command> {
        self.in_a_row += 1;
        if self.in_a_row > IN_A_ROW {
            self.in_a_row = 0;
            self.step();
        }
        loop {
            if let Some(command) = self.held.pop_front() {
                return Some(command);
            }
            match self.queue.try_recv() {
                Ok(command) => return Some(command),
                Err(TryRecvError::Disconnected) => return None,
                Err(TryRecvError::Empty) if self.shared.is_closing() => return None,
                Err(TryRecvError::Empty) if self.step() => self.in_a_row = 0,
                Err(TryRecvError::Empty) => return self.queue.blocking_recv(),
            }
        }
    }

    /// Does it until it succeeds; `None` when the store closes before that, or when it cannot
    /// succeed because of damage, which is reported.
    pub(super) fn insist<T>(&mut self, mut write: impl FnMut(&mut Connection) -> Result<T>) -> Option<T> {
        let mut wait = BACK_OFF.0;
        loop {
            match write(&mut self.db) {
                Ok(done) => {
                    if std::mem::take(&mut self.troubled) {
                        self.report(Event::Recovered);
                    }
                    return Some(done);
                }
                Err(Error::Damaged(what)) => {
                    self.report(Event::Damaged { what });
                    return None;
                }
                Err(error) => {
                    if !std::mem::replace(&mut self.troubled, true) {
                        self.report(Event::Trouble { why: error.to_string() });
                    }
                }
            }
            if self.shared.wait(wait) || self.told_to_end() {
                return None;
            }
            wait = (wait * 2).min(BACK_OFF.1);
        }
    }

    /// Whether the end is queued. What is before it stays queued here.
    fn told_to_end(&mut self) -> bool {
        while self.held.len() < QUEUE
            && let Ok(command) = self.queue.try_recv()
        {
            self.held.push_back(command);
        }
        self.held.iter().any(|command| matches!(command, Command::Shutdown))
    }

    /// Looks where the file stands: sets aside what cannot be read of the journal, and counts again
    /// what late readings were about to change when the last run ended.
    fn start(&mut self) {
        let catalog = self.shared.catalog();
        let found = self.insist(|db| {
            let tx = db.transaction()?;
            let damage = seal::mend(&tx)?;
            let progress = progress(&tx)?;
            let last: i64 =
                tx.query_row("SELECT coalesce(max(seq), 0) FROM journal", [], |row| row.get(0))?;
            let late = seal::left_late(&tx, &catalog, &progress)?;
            tx.commit()?;
            Ok((damage, progress, last, late))
        });
        if let Some((damage, progress, last, late)) = found {
            self.damaged(damage);
            self.progress = progress;
            self.next_row = last + 1;
            late.into_iter().for_each(|(site, range)| self.count_later(site, range));
        }
        self.count_all_days();
        self.say_what_is_kept();
    }

    pub(super) fn say_what_is_kept(&mut self) {
        let keep = self.keep;
        if let Some(Some(retention)) = self.insist(|db| Retention::look_up(db, keep)) {
            self.report(Event::Kept(retention));
        }
    }

    fn new_sites(&mut self, sites: &[Arc<Site>]) {
        let done = self.insist(|db| {
            let catalog = Catalog::register(db, sites)?;
            Ok((progress(db)?, catalog))
        });
        let Some((progress, catalog)) = done else { return };
        self.progress = progress;
        let before = self.shared.catalog();
        self.shared.set_catalog(catalog);
        (self.to_rederive, self.to_correct) = (true, true);
        self.count_all_days();
        self.count_unsealed(&before);
    }

    /// Remembers the unsealed minutes of sites whose splits follow from another rule than before.
    fn count_unsealed(&mut self, before: &Catalog) {
        let catalog = self.shared.catalog();
        for (_, entry) in catalog.entries().filter(|(_, entry)| !entry.site.channels.is_empty()) {
            let Some(shown) = self.shared.recent().span(entry.row) else { continue };
            let same = before.entry_of(entry.row).is_some_and(|old| same_splits(old, entry, &shown));
            if !same {
                self.count_later(entry.row, shown);
            }
        }
    }

    /// Notes what changed in the maps.
    fn keep_forms(&mut self, at: Stamp, forms: &[(SiteIndex, String)]) {
        let catalog = self.shared.catalog();
        let row = |site: SiteIndex| catalog.entry(site).map_or(catalog::NO_ROW, |entry| entry.row);
        let forms: Vec<(i64, &str)> = forms.iter().map(|(site, form)| (row(*site), form.as_str())).collect();
        self.insist(|db| notes::keep_forms(db, at, &forms));
    }

    fn note(&mut self, site: SiteIndex, change: &NoteChange, answer: &NoteAnswer) {
        let row = self.shared.catalog().entry(site).map_or(catalog::NO_ROW, |entry| entry.row);
        if let Some(outcome) = self.insist(|db| notes::change(db, row, change)) {
            // Whoever asked may have stopped waiting.
            let _ = answer.send(outcome);
        }
    }

    fn keep_proof(&mut self, site: SiteIndex, proof: &Proof, answer: &std::sync::mpsc::Sender<bool>) {
        let row = self.shared.catalog().entry(site).map_or(catalog::NO_ROW, |entry| entry.row);
        if let Some(kept) = self.insist(|db| proofs::keep(db, row, proof)) {
            // Whoever asked may have stopped waiting.
            let _ = answer.send(kept);
        }
    }

    fn flush(&mut self) {
        while self.step() {}
        self.write_outbox();
        let done = self.insist(|db| {
            // Busy with readers it does what it can; the rest goes with a later checkpoint.
            db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
            Ok(())
        });
        if done.is_some() {
            self.report(Event::Flushed);
        }
    }

    fn commit(&mut self, batch: Batch) {
        let catalog = self.shared.catalog();
        let readings = batch.readings.len();
        let coded = journal::encode(kept(&catalog, &batch));
        let marks = self.take_minutes(&catalog, &batch.minutes);
        let (row, shared) = (self.next_row, Arc::clone(&self.shared));
        let done = self.insist(|db| {
            let news = shared.outbox().news();
            if coded.is_none() && marks.is_empty() && news.is_none() {
                return Ok(None);
            }
            let tx = db.transaction()?;
            if let Some(coded) = &coded {
                tx.prepare_cached("INSERT INTO journal (seq, from_ds, to_ds, body) VALUES (?1, ?2, ?3, ?4)")?
                    .execute(params![row, coded.range.start.0, coded.range.end.0, coded.body])?;
            }
            for (site, range) in &marks {
                outbox::mark(&tx, *site, range)?;
            }
            if let Some(news) = &news {
                outbox::write(&tx, news)?;
            }
            tx.commit()?;
            Ok(news)
        });
        let Some(news) = done else { return };
        if let Some(news) = news {
            self.shared.outbox().written(&news);
        }
        self.next_row += i64::from(coded.is_some());
        for (site, range) in marks {
            let progress = self.progress.entry(site).or_default();
            progress.marked = progress.marked.max(range.end);
        }
        self.report(Event::Committed { ticket: batch.ticket, readings });
        self.note_late(&catalog, &batch.readings);
        for (site, range) in batch.late {
            if let Some(entry) = catalog.entry(site) {
                self.count_later(entry.row, range);
            }
        }
    }

    /// Asks for a seal when too many late readings wait for one.
    fn note_late(&mut self, catalog: &Catalog, readings: &[Reading]) {
        let sealed = |site: SiteIndex| {
            let progress = catalog.entry(site).and_then(|entry| self.progress.get(&entry.row));
            progress.map_or(Stamp::MIN, |progress| progress.sealed)
        };
        let late = readings.iter().filter(|reading| reading.sample.at < sealed(reading.site)).count();
        self.late_unsealed += late;
        if self.late_unsealed >= LATE_UNSEALED {
            let before = self.progress.values().map(|progress| progress.sealed).max();
            self.seal_later(before.unwrap_or(Stamp::MIN), Stamp::MIN);
        }
    }

    /// Moves of cursors go along with commits; this writes them where none comes.
    fn write_outbox(&mut self) {
        let shared = Arc::clone(&self.shared);
        let Some(news) = shared.outbox().news() else { return };
        let done = self.insist(|db| {
            let tx = db.transaction()?;
            outbox::write(&tx, &news)?;
            Ok(tx.commit()?)
        });
        if done.is_some() {
            shared.outbox().written(&news);
        }
    }

    /// Remembers what to seal; of two the longer.
    pub(super) fn seal_later(&mut self, before: Stamp, beyond: Stamp) {
        let before = self.to_seal.map_or(before, |other| other.before.max(before));
        self.to_seal = Some(ToSeal { before, beyond });
    }

    /// Remembers minutes to count again.
    pub(super) fn count_later(&mut self, site: i64, range: Range<Stamp>) {
        let ranges = self.late.entry(site).or_default();
        ranges.push(range);
        *ranges = tidy(std::mem::take(ranges));
        if ranges.len() > LATE {
            *ranges = vec![ranges[0].start..ranges[ranges.len() - 1].end];
        }
    }

    /// Shows the minutes to the readers; gives what the outbox has to be told. A minute whose hour is
    /// sealed already is counted again from the readings in place of being taken as it comes.
    fn take_minutes(
        &mut self,
        catalog: &Catalog,
        minutes: &[(SiteIndex, ClosedMinute)],
    ) -> Vec<(i64, Range<Stamp>)> {
        let mut marks: Vec<(i64, Range<Stamp>)> = Vec::new();
        for (site, minute) in minutes {
            let Some(entry) = catalog.entry(*site) else { continue };
            let progress = self.progress.get(&entry.row).copied().unwrap_or_default();
            if minute.start < progress.sealed {
                self.count_later(entry.row, minute.range());
                continue;
            }
            let rows: Vec<_> =
                minute.rows.iter().map(|(series, row)| (entry.series_row(*series), *row)).collect();
            self.shared.recent_mut().put(entry.row, minute.start, &rows);
            if !self.shared.has_centrals() || minute.start < progress.marked {
                continue;
            }
            match marks.iter_mut().rev().find(|(other, _)| *other == entry.row) {
                Some((_, range)) if range.end == minute.start => range.end = minute.range().end,
                _ => marks.push((entry.row, minute.range())),
            }
        }
        marks
    }
}

/// Whether two maps of a site have the same splits by the same rules in `range`.
fn same_splits(old: &Entry, new: &Entry, range: &Range<Stamp>) -> bool {
    let named = |entry: &Entry| -> BTreeMap<String, i64> {
        let splits = 0..entry.site.splits.len();
        let there = splits.filter(|split| entry.rules.exists(*split, range));
        let series = there.map(|split| entry.site.split_series(split));
        series.map(|series| (entry.site.series_name(series), entry.rules.print(series, range))).collect()
    };
    named(old) == named(new)
}

/// How far every site has come.
fn progress(db: &Connection) -> Result<FxHashMap<i64, Progress>> {
    let mut select = db.prepare("SELECT id, sealed_ds, marked_ds FROM site")?;
    let rows = select.query_map([], |row| {
        Ok((row.get(0)?, Progress { sealed: Stamp(row.get(1)?), marked: Stamp(row.get(2)?) }))
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// The batch's readings under the names of the store.
fn kept(catalog: &Catalog, batch: &Batch) -> Vec<Kept> {
    let kept = batch.readings.iter().filter_map(|reading| {
        let entry = catalog.entry(reading.site)?;
        let series = *entry.channel_rows().get(reading.channel.0 as usize)?;
        Some(Kept { site: entry.row, series, sample: reading.sample })
    });
    kept.collect()
}
