//! The thread that writes.
//!
//! It owns the only connection that writes, so nothing ever waits for a lock inside the file. What
//! cannot be written is kept and tried again: nothing is dropped, and because the queue is bounded
//! the daemon stops reading from the broker, which holds the rest.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use rusqlite::{Connection, params};
use rustc_hash::FxHashMap;
use tokio::sync::mpsc::{self, error::TryRecvError};

use crate::flow::ClosedMinute;
use crate::reading::SiteIndex;
use crate::units::{Span, Stamp};

use super::catalog::Catalog;
use super::journal::{self, Kept};
use super::shared::Shared;
use super::{Batch, Command, Event, QUEUE, Result};

/// First and longest wait before a failed write is tried again.
const BACK_OFF: (Duration, Duration) = (Duration::from_millis(250), Duration::from_secs(15));

/// How far one site has come.
#[derive(Clone, Copy, Debug)]
struct Progress {
    /// Minutes before this are in blocks.
    sealed: Stamp,
    /// The outbox has been told of minutes before this.
    marked: Stamp,
}

/// The thread's state.
pub(super) struct Writer {
    db: Connection,
    shared: Arc<Shared>,
    centrals: Vec<String>,
    queue: mpsc::Receiver<Command>,
    /// Taken from the queue while a write was failing.
    held: VecDeque<Command>,
    on_event: Box<dyn Fn(Event) + Send>,
    progress: FxHashMap<i64, Progress>,
    troubled: bool,
}

/// Minutes since 1970.
fn minute_number(at: Stamp) -> i64 {
    at.0.div_euclid(Span::MINUTE.0)
}

impl Writer {
    pub(super) fn new(
        db: Connection,
        shared: Arc<Shared>,
        centrals: Vec<String>,
        queue: mpsc::Receiver<Command>,
        on_event: Box<dyn Fn(Event) + Send>,
    ) -> Self {
        let held = VecDeque::new();
        let progress = FxHashMap::default();
        Self { db, shared, centrals, queue, held, on_event, progress, troubled: false }
    }

    /// Works until it is told to end.
    pub(super) fn run(mut self) {
        while let Some(command) = self.next() {
            match command {
                Command::Commit(batch) => self.commit(batch),
                Command::Seal { .. } => {}
                Command::Sites(_) => {}
                Command::Flush => (self.on_event)(Event::Flushed),
                Command::Shutdown => break,
            }
        }
    }

    /// The next command; `None` when the store closes and nothing is queued.
    fn next(&mut self) -> Option<Command> {
        if let Some(command) = self.held.pop_front() {
            return Some(command);
        }
        match self.queue.try_recv() {
            Ok(command) => Some(command),
            Err(TryRecvError::Disconnected) => None,
            Err(TryRecvError::Empty) if self.shared.is_closing() => None,
            Err(TryRecvError::Empty) => self.queue.blocking_recv(),
        }
    }

    /// Does it until it succeeds; `None` when the store closes before that.
    fn insist<T>(&mut self, mut write: impl FnMut(&mut Connection) -> Result<T>) -> Option<T> {
        let mut wait = BACK_OFF.0;
        loop {
            match write(&mut self.db) {
                Ok(done) => {
                    if std::mem::take(&mut self.troubled) {
                        (self.on_event)(Event::Recovered);
                    }
                    return Some(done);
                }
                Err(error) => {
                    if !std::mem::replace(&mut self.troubled, true) {
                        (self.on_event)(Event::Trouble { why: error.to_string() });
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

    fn commit(&mut self, batch: Batch) {
        let catalog = self.shared.catalog();
        let readings = batch.readings.len();
        let coded = journal::encode(kept(&catalog, &batch));
        let marks = self.take_minutes(&catalog, &batch.minutes);
        let done = self.insist(|db| {
            if coded.is_none() && marks.is_empty() {
                return Ok(());
            }
            let tx = db.transaction()?;
            if let Some(coded) = &coded {
                tx.prepare_cached("INSERT INTO journal (from_ds, to_ds, body) VALUES (?1, ?2, ?3)")?
                    .execute(params![coded.range.start.0, coded.range.end.0, coded.body])?;
            }
            Ok(tx.commit()?)
        });
        if done.is_some() {
            (self.on_event)(Event::Committed { ticket: batch.ticket, readings });
        }
    }

    /// Shows the minutes to the readers; gives what the outbox has to be told.
    fn take_minutes(&mut self, catalog: &Catalog, minutes: &[(SiteIndex, ClosedMinute)]) -> Vec<(i64, i64)> {
        let mut marks = Vec::new();
        let mut recent = self.shared.recent_mut();
        for (site, minute) in minutes {
            let Some(entry) = catalog.entry(*site) else { continue };
            let rows: Vec<_> =
                minute.rows.iter().map(|(series, row)| (entry.series_row(*series), *row)).collect();
            recent.put(entry.row, minute.start, &rows);
            if !self.centrals.is_empty() {
                marks.push((entry.row, minute_number(minute.start)));
            }
        }
        marks
    }
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
