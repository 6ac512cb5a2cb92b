//! What the writer's thread and the readers have in common.

use std::path::PathBuf;
use std::sync::{
    Arc, Condvar, Mutex, MutexGuard, OnceLock, PoisonError, RwLock, RwLockReadGuard, RwLockWriteGuard,
};
use std::time::Duration;

use rusqlite::Connection;
use tokio::sync::mpsc;

use super::catalog::Catalog;
use super::outbox::Spool;
use super::recent::Recent;
use super::{Command, Result, schema};

/// Idle reading connections that are kept: the API, the central stores and a page or two read at
/// the same time; more are opened when needed and closed after.
const IDLE: usize = 8;

/// Held by [`super::Store`], its writer and its readers.
#[derive(Debug)]
pub(super) struct Shared {
    path: PathBuf,
    /// Without a writer in this process the unsealed minutes are counted from the journal.
    offline: bool,
    catalog: RwLock<Arc<Catalog>>,
    recent: RwLock<Recent>,
    idle: Mutex<Vec<Connection>>,
    outbox: Mutex<Spool>,
    /// Where the writer listens; weak, so that it does not keep the queue open.
    queue: OnceLock<mpsc::WeakSender<Command>>,
    closing: Mutex<bool>,
    closed: Condvar,
}

// A lock is poisoned by a panic elsewhere; what these guard is whole after every statement, so the
// others go on.
impl Shared {
    pub(super) fn new(path: PathBuf, catalog: Catalog, spool: Spool) -> Self {
        Self {
            path,
            offline: false,
            catalog: RwLock::new(Arc::new(catalog)),
            recent: RwLock::default(),
            idle: Mutex::default(),
            outbox: Mutex::new(spool),
            queue: OnceLock::new(),
            closing: Mutex::new(false),
            closed: Condvar::new(),
        }
    }

    /// For a reader without a writer in this process.
    pub(super) fn offline(path: PathBuf, catalog: Catalog) -> Self {
        Self { offline: true, ..Self::new(path, catalog, Spool::default()) }
    }

    /// Says where the writer listens.
    pub(super) fn listen(&self, queue: mpsc::WeakSender<Command>) {
        // It is said once, as the store opens.
        let _ = self.queue.set(queue);
    }

    /// Lets the writer look whether there is work; with a full queue it will look by itself.
    pub(super) fn nudge(&self) {
        if let Some(queue) = self.queue.get().and_then(mpsc::WeakSender::upgrade) {
            let _ = queue.try_send(Command::Look);
        }
    }

    /// Whether there is no writer in this process.
    pub(super) fn is_offline(&self) -> bool {
        self.offline
    }

    /// The names in force.
    pub(super) fn catalog(&self) -> Arc<Catalog> {
        Arc::clone(&self.catalog.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Puts new names in force.
    pub(super) fn set_catalog(&self, catalog: Catalog) {
        *self.catalog.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(catalog);
    }

    /// The unsealed minutes. A reader looks at them BEFORE it begins its transaction: a minute that is
    /// sealed in between is then in both, never in neither.
    pub(super) fn recent(&self) -> RwLockReadGuard<'_, Recent> {
        self.recent.read().unwrap_or_else(PoisonError::into_inner)
    }

    /// The unsealed minutes, to change.
    pub(super) fn recent_mut(&self) -> RwLockWriteGuard<'_, Recent> {
        self.recent.write().unwrap_or_else(PoisonError::into_inner)
    }

    /// What the central stores have done and the file does not say yet.
    pub(super) fn outbox(&self) -> MutexGuard<'_, Spool> {
        self.outbox.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether anybody drains the outbox.
    pub(super) fn has_centrals(&self) -> bool {
        self.outbox().has_centrals()
    }

    /// Reads in one transaction: what it sees belongs together.
    pub(super) fn read<T>(&self, read: impl FnOnce(&Connection) -> Result<T>) -> Result<T> {
        let mut db = self.connection()?;
        let tx = db.transaction()?;
        let answer = read(&tx)?;
        tx.finish()?;
        self.give_back(db);
        Ok(answer)
    }

    /// A connection that reads; give it back with [`Self::give_back`].
    pub(super) fn connection(&self) -> Result<Connection> {
        match self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop() {
            Some(db) => Ok(db),
            None => schema::open_read_only(&self.path),
        }
    }

    /// Keeps the connection for the next reader.
    pub(super) fn give_back(&self, db: Connection) {
        let mut idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner);
        if idle.len() < IDLE && !*self.closing() {
            idle.push(db);
        }
    }

    /// Tells the writer to end once nothing is queued, and to give up what cannot be written.
    pub(super) fn close(&self) {
        *self.closing() = true;
        self.closed.notify_all();
        // The last connection that goes takes the write-ahead log with it.
        self.idle.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }

    /// Whether the store is closing.
    pub(super) fn is_closing(&self) -> bool {
        *self.closing()
    }

    /// Waits, but no longer than until the store closes. Whether it closes.
    pub(super) fn wait(&self, time: Duration) -> bool {
        let waited = self.closed.wait_timeout_while(self.closing(), time, |closing| !*closing);
        *waited.unwrap_or_else(PoisonError::into_inner).0
    }

    fn closing(&self) -> MutexGuard<'_, bool> {
        self.closing.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
