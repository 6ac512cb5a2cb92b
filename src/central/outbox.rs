//! What the embedded store offers a central store's task.

use std::ops::Range;

use crate::history;
use crate::reading::SiteIndex;
use crate::units::Stamp;

/// The outbox of one daemon. Every method may block on a disk; the task calls them off the
/// asynchronous threads.
///
/// Marks have a sequence number that only grows. A central store that is new to the outbox begins
/// with the oldest mark that is kept.
pub trait Outbox: Send + 'static {
    /// The marks after the cursor of `central`, by sequence number, at most `limit`.
    fn pending(&mut self, central: &str, limit: usize) -> anyhow::Result<Vec<Mark>>;

    /// Moves the cursor of `central`: it is done with every mark up to and including `seq`.
    ///
    /// The move need not be durable at once: after a crash the same points are written again, which
    /// changes nothing.
    fn advance(&mut self, central: &str, seq: u64) -> anyhow::Result<()>;

    /// Sets a record aside that the server will not take, with its answer, so that the rest can go
    /// on. It is durable, or certain to become so before a later `advance` does.
    fn refuse(&mut self, central: &str, refused: &Refused) -> anyhow::Result<()>;

    /// How far behind `central` is.
    fn backlog(&mut self, central: &str) -> anyhow::Result<Backlog>;

    /// The rows of a site, as history reads them.
    fn source(&mut self, site: SiteIndex) -> impl history::Source;
}

/// Minutes of one site that closed or changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark {
    /// Its place in the outbox.
    pub seq: u64,
    /// Which site.
    pub site: SiteIndex,
    /// From the start of the first minute to the end of the last.
    pub range: Range<Stamp>,
    /// After a correction of the map: the figures ([`crate::site::figure_name`]) that follow from other
    /// sums than before. What history does not know of them any more is taken back.
    pub corrected: Vec<String>,
}

/// A record that a server will not take.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// The record, one line of line protocol without its end.
    pub record: String,
    /// Status and body of the answer, clipped.
    pub answer: String,
    /// When it was refused.
    pub at: Stamp,
}

/// How far behind a central store is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Backlog {
    /// Marks that it has not taken.
    pub marks: u64,
    /// Where the oldest of them starts.
    pub oldest: Option<Stamp>,
}
