//! SQLite: journal, blocks, rows, outbox.
//!
//! One file, `panelwright.db`, in WAL mode. One thread owns the connection that writes; readers
//! have read-only connections of their own. The way of a reading:
//!
//! 1. A [`Batch`] becomes ONE row of the *journal*, durably; then [`Event::Committed`] lets its
//!    acknowledgements go.
//! 2. Once an hour is over, [`Command::Seal`] merges the journal's readings into compressed *blocks*
//!    (one a channel and hour; one a channel and UTC day once the day is over) and the journal's
//!    rows go.
//! 3. From the blocks the *minutes* of that hour are computed by [`crate::flow::account`] and kept
//!    in one compressed block a series and UTC day, and added up into plain rows by quarter hour,
//!    local day and local month that any SQL tool reads.
//!
//! Minutes that closed and are not sealed yet live in memory (`recent`) for the readers; after a
//! restart the journal is replayed and they come again. Sealing is idempotent: a reading is its
//! series and time, and the value committed last holds. So a seal that was cut short is redone.
//!
//! A corrected map leaves channels as they are. Splits that follow from another rule than before are
//! derived again from the readings (`rederive`), and central stores are told again what changed
//! (`record`, `outbox`); both in steps, between commits.
//!
//! `docs/store.md` describes the file precisely enough to write a reader from.

mod backup;
mod block;
mod catalog;
mod check;
mod columns;
mod compact;
mod counted;
mod decode;
mod error;
mod evidence;
mod finding;
mod import;
mod journal;
mod keep;
mod lock;
mod month_days;
mod notes;
mod outbox;
mod proofs;
mod reader;
mod readings;
mod recent;
mod record;
mod recount;
mod rederive;
mod repair;
mod rezoned;
mod rows;
mod rule;
mod run_days;
mod salvage;
mod schema;
mod seal;
mod shared;
mod shelf;
mod size;
mod source;
mod steps;
#[cfg(test)]
mod tests;
mod walk;
mod week_sums;
mod wire;
mod writer;

use std::ops::Range;
use std::path::PathBuf;
use std::sync::Arc;
use std::thread::JoinHandle;

use tokio::sync::mpsc;

use crate::flow::ClosedMinute;
use crate::reading::{Reading, SiteIndex};
use crate::site::Site;
use crate::units::Stamp;
use crate::verify::Proof;

pub use backup::{backup, copy_before_repair};
pub use check::{Checked, check};
pub use compact::{Compacted, compact};
pub use error::{Error, Result};
pub use finding::Finding;
pub use import::{Import, Imported};
pub use keep::{Keep, LEAST, Retention};
pub use notes::{MAX_NOTES, NOTES_AT_ONCE, NoteAnswer, NoteChange, NoteOutcome, NoteRefused, change_notes};
pub use outbox::{Mark, Outbox, Refused};
pub use reader::Reader;
pub use repair::{Repaired, repair};
pub use schema::FILE_NAME;
pub use size::{Part, Size, size};
pub use source::Source;

/// How many commands may wait: a batch waits for the one before it to reach the disk, and a few
/// more are room for seals and reloads. What waits beyond that waits in the daemon, which then
/// stops reading from the broker.
const QUEUE: usize = 8;

/// Where the store is and whom it serves.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Options {
    /// The directory of the file; it is created if it is not there.
    pub directory: PathBuf,
    /// Names of the central stores that drain the outbox. With none nothing is marked.
    pub centrals: Vec<String>,
    /// How long readings and minutes are kept.
    pub keep: Keep,
}

/// What the daemon gives to be kept.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Batch {
    /// The daemon's own number; it comes back in [`Event::Committed`].
    pub ticket: u64,
    /// In the order of arrival. Of two with the same channel and time the later one holds.
    pub readings: Vec<Reading>,
    /// Minutes that closed.
    pub minutes: Vec<(SiteIndex, ClosedMinute)>,
    /// Stretches for which readings came after their minutes had closed: they are computed again
    /// from the readings. Widened to whole minutes.
    pub late: Vec<(SiteIndex, Range<Stamp>)>,
}

/// What the writer is asked to do. Commands are carried out in order, except that sealing goes on
/// between later commands, a group of sites at a time.
#[derive(Clone, Debug)]
pub enum Command {
    /// Keep this, durably.
    Commit(Batch),
    /// Seal every hour that ends at or before this moment.
    Seal {
        /// Taken down to a whole hour.
        before: Stamp,
    },
    /// Put these readings from a file into the store, whatever their age.
    Import(Import),
    /// The maps changed: batches after this one follow these. A site keeps its place; new ones
    /// come at the end.
    Sites(Vec<Arc<Site>>),
    /// The maps in force, as [`crate::history::map_form`] writes them: what changed since they were
    /// last written becomes a note.
    Maps {
        /// When the change was noticed.
        at: Stamp,
        /// Each map's form.
        forms: Vec<(SiteIndex, String)>,
    },
    /// Add or remove a note.
    Note {
        /// The site.
        site: SiteIndex,
        /// What is to be done.
        change: NoteChange,
        /// Where the outcome goes, once it is on the disk.
        answer: NoteAnswer,
    },
    /// Keep what a load step proved.
    Proof {
        /// The site.
        site: SiteIndex,
        /// What was proved.
        proof: Proof,
        /// Told once it is on the disk, whether the store knew the site.
        answer: std::sync::mpsc::Sender<bool>,
    },
    /// See whether there is work to go on with.
    Look,
    /// Finish sealing, all late work and what a corrected map left to derive, and bring the
    /// write-ahead log into the file; then
    /// [`Event::Flushed`].
    Flush,
    /// Finish what is queued before this, and end the thread. Sealing is left for the next start.
    Shutdown,
}

/// What the writer reports, from its own thread.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event {
    /// The batch is on the disk.
    Committed {
        /// The batch's ticket.
        ticket: u64,
        /// How many readings it held.
        readings: usize,
    },
    /// Nothing can be written (disk full, read-only, I/O error). Said once; the batch is kept and
    /// tried again.
    Trouble {
        /// The reason.
        why: String,
    },
    /// Writing works again.
    Recovered,
    /// All hours up to this moment are sealed.
    Sealed {
        /// End of the last sealed hour.
        until: Stamp,
    },
    /// Splits of a UTC day were derived again after a correction of the map.
    Rederived {
        /// The id of the site.
        site: String,
        /// The start of the day.
        day: Stamp,
        /// Whether it had anything to derive; else the days that were looked at were as they should be.
        derived: bool,
        /// Days of that site that are left; 0 when all is done.
        left: u64,
    },
    /// The outbox was given a part of what a correction of the map changed.
    Corrected {
        /// Minutes of all sites that it has not got yet.
        left: u64,
    },
    /// [`Command::Flush`] is done.
    Flushed,
    /// What is kept, where it is not all: said at the start, and when something was let go.
    Kept(Retention),
    /// Something in the file cannot be read; it was set aside and the rest goes on.
    Damaged {
        /// What and where.
        what: String,
    },
}

/// The open store. Dropping it ends the thread after what is queued.
pub struct Store {
    sender: mpsc::Sender<Command>,
    shared: Arc<shared::Shared>,
    thread: Option<JoinHandle<()>>,
    _lock: lock::Lock,
}

impl Store {
    /// Opens or creates the store, registers the sites and starts the writer's thread, which
    /// reports through `on_event`.
    ///
    /// # Errors
    /// When another process has it, when a newer version wrote it, or when it cannot be opened.
    pub fn open(options: Options, sites: &[Arc<Site>], on_event: Box<dyn Fn(Event) + Send>) -> Result<Self> {
        let lock = lock::Lock::take(&options.directory)?;
        let path = options.directory.join(FILE_NAME);
        let mut db = schema::open(&path)?;
        let catalog = catalog::Catalog::register(&mut db, sites)?;
        let spool = outbox::Spool::open(&mut db, options.centrals)?;
        let shared = Arc::new(shared::Shared::new(path, catalog, spool));
        let (sender, queue) = mpsc::channel(QUEUE);
        let mut writer = writer::Writer::new(db, Arc::clone(&shared), queue, on_event);
        writer.keep = options.keep;
        shared.listen(sender.downgrade());
        let thread = std::thread::Builder::new()
            .name("store".into())
            .spawn(move || writer.run())
            .map_err(|source| Error::Io { path: options.directory, source })?;
        Ok(Self { sender, shared, thread: Some(thread), _lock: lock })
    }

    /// Where commands go. The queue is bounded: await room.
    pub fn sender(&self) -> mpsc::Sender<Command> {
        self.sender.clone()
    }

    /// A reader of this store.
    pub fn reader(&self) -> Reader {
        Reader::new(Arc::clone(&self.shared))
    }

    /// The outbox, for a central store's task.
    pub fn outbox(&self) -> Outbox {
        Outbox::new(Arc::clone(&self.shared))
    }

    /// Gives every reading that is not sealed yet, commit by commit, each by time: the engine
    /// rebuilds its state from them. A row that cannot be read is left out and reported.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn replay(&self, each: impl FnMut(Reading)) -> Result<()> {
        reader::replay(&self.shared, each)
    }

    /// Ends the thread after what is queued, and waits for it.
    pub fn close(mut self) {
        self.end();
    }

    fn end(&mut self) {
        let Some(thread) = self.thread.take() else { return };
        self.shared.close();
        // Full or gone: the flag above is seen in either case.
        let _ = self.sender.try_send(Command::Shutdown);
        let _ = thread.join();
    }
}

impl Drop for Store {
    fn drop(&mut self) {
        self.end();
    }
}
