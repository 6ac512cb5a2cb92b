//! Readings on their way to the disk, and the acknowledgements that wait for them.
//!
//! A message is acknowledged to the broker only once the batch that holds its readings is
//! committed, and in the order in which messages came (MQTT 5, 4.6.0-2), so the messages that gave
//! no reading wait in the same line.

use std::collections::VecDeque;
use std::ops::Range;
use std::time::Duration;

use tokio::time::Instant;

use crate::flow::ClosedMinute;
use crate::reading::{Reading, SiteIndex};
use crate::store::Batch;
use crate::units::Stamp;

/// A batch is committed at this many readings even if its time has not come: 64 Ki readings are
/// about 1 MiB in memory and a quarter of that on the disk.
pub(super) const FULL: usize = 1 << 16;
/// No more readings are taken in while this many wait: two batches, of which one is being written.
const ROOM: usize = 2 * FULL;
/// Closed minutes that wait while the disk does not take them, or that a burst of old readings closes at
/// once. Beyond this (an hour of a thousand sites) they are only named, and recounted from the readings.
const MINUTES: usize = 60_000;

/// The open batch and the ones under way. `A` is what acknowledges a message.
#[derive(Debug)]
pub(super) struct Batches<A> {
    open: Batch,
    acks: Vec<A>,
    /// When the open batch has to go at the latest.
    deadline: Option<Instant>,
    commit_every: Duration,
    under_way: VecDeque<(u64, Vec<A>)>,
    unacknowledged: usize,
    next: u64,
}

impl<A> Batches<A> {
    pub fn new(commit_every: Duration) -> Self {
        Self {
            open: Batch::default(),
            acks: Vec::new(),
            deadline: None,
            commit_every,
            under_way: VecDeque::new(),
            unacknowledged: 0,
            next: 1,
        }
    }

    fn opened(&mut self, now: Instant) {
        self.deadline.get_or_insert(now + self.commit_every);
    }

    pub fn keep(&mut self, reading: Reading, now: Instant) {
        self.open.readings.push(reading);
        self.opened(now);
    }

    pub fn minute(&mut self, site: SiteIndex, minute: ClosedMinute, now: Instant) {
        if self.open.minutes.len() < MINUTES {
            self.open.minutes.push((site, minute));
        } else {
            self.recount(site, &minute.range());
        }
        self.opened(now);
    }

    pub fn late(&mut self, site: SiteIndex, range: Range<Stamp>, now: Instant) {
        self.open.late.push((site, range));
        self.opened(now);
    }

    /// Has minutes counted from the readings: one stretch a site, however many they are.
    fn recount(&mut self, site: SiteIndex, range: &Range<Stamp>) {
        match self.open.late.iter_mut().find(|(other, _)| *other == site) {
            Some((_, whole)) => *whole = whole.start.min(range.start)..whole.end.max(range.end),
            None => self.open.late.push((site, range.clone())),
        }
    }

    /// A message was handled; `ack` goes when everything kept so far is on the disk.
    pub fn ack(&mut self, ack: A, now: Instant) {
        self.acks.push(ack);
        self.unacknowledged += 1;
        self.opened(now);
    }

    /// Messages that the broker does not know to be received yet.
    pub fn unacknowledged(&self) -> usize {
        self.unacknowledged
    }

    /// When the open batch has to go; `None` if there is nothing in it.
    pub fn deadline(&self) -> Option<Instant> {
        self.deadline
    }

    /// Whether the open batch has to go now: its time has come, it is full, or three quarters of
    /// what the broker sends without an acknowledgement (`window`) are used up.
    pub fn due(&self, now: Instant, window: usize) -> bool {
        let Some(deadline) = self.deadline else { return false };
        let pressed = !self.acks.is_empty() && self.unacknowledged >= (window * 3 / 4).max(1);
        now >= deadline || pressed || self.open.readings.len() >= FULL
    }

    /// Whether more messages may come in.
    pub fn has_room(&self) -> bool {
        self.open.readings.len() < ROOM
    }

    /// The open batch, to be committed; `None` if there is nothing in it.
    pub fn take(&mut self) -> Option<Batch> {
        self.deadline.take()?;
        let ticket = self.next;
        self.next += 1;
        self.under_way.push_back((ticket, std::mem::take(&mut self.acks)));
        Some(Batch { ticket, ..std::mem::take(&mut self.open) })
    }

    /// The batch with this ticket, and all before it, are on the disk: what may be acknowledged.
    pub fn committed(&mut self, ticket: u64) -> Vec<A> {
        let mut acks = Vec::new();
        while self.under_way.front().is_some_and(|(other, _)| *other <= ticket) {
            acks.extend(self.under_way.pop_front().into_iter().flat_map(|(_, acks)| acks));
        }
        self.unacknowledged -= acks.len();
        acks
    }

    /// Whether everything is on the disk.
    pub fn is_idle(&self) -> bool {
        self.under_way.is_empty() && self.deadline.is_none()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Sample;
    use crate::site::ChannelIndex;
    use crate::units::Span;

    fn reading(n: i64) -> Reading {
        Reading { site: SiteIndex(0), channel: ChannelIndex(0), sample: Sample { at: Stamp(n), value: n } }
    }

    #[tokio::test]
    async fn acknowledgements_wait_for_their_commit_and_keep_their_order() {
        let now = Instant::now();
        let mut batches = Batches::new(Duration::from_secs(5));
        batches.keep(reading(1), now);
        batches.ack('a', now);
        batches.ack('b', now);
        let first = batches.take().expect("a batch");
        batches.keep(reading(2), now);
        batches.ack('c', now);
        let second = batches.take().expect("a batch");
        assert_eq!((first.readings.len(), second.readings.len()), (1, 1));
        assert_eq!(batches.unacknowledged(), 3);
        assert_eq!(batches.committed(first.ticket), vec!['a', 'b']);
        assert_eq!(batches.committed(second.ticket), vec!['c']);
        assert_eq!(batches.committed(second.ticket), Vec::<char>::new());
        assert!(batches.is_idle());
        assert_eq!(batches.take(), None);
    }

    #[tokio::test]
    async fn minutes_beyond_what_it_holds_are_named_for_a_recount() {
        let now = Instant::now();
        let mut batches = Batches::<()>::new(Duration::from_secs(5));
        let start = |n: usize| Stamp(n as i64 * Span::MINUTE.0);
        for n in 0..MINUTES + 300 {
            batches.minute(SiteIndex(0), ClosedMinute { start: start(n), rows: Vec::new() }, now);
        }
        batches.minute(SiteIndex(1), ClosedMinute { start: start(7), rows: Vec::new() }, now);
        let batch = batches.take().expect("a batch");
        assert_eq!(batch.minutes.len(), MINUTES);
        let rest = start(MINUTES)..start(MINUTES + 300);
        assert_eq!(batch.late, [(SiteIndex(0), rest), (SiteIndex(1), start(7)..start(8))]);
    }

    #[tokio::test]
    async fn a_batch_is_due_by_time_by_size_and_by_the_window() {
        let now = Instant::now();
        let mut batches = Batches::<()>::new(Duration::from_secs(5));
        assert!(!batches.due(now + Duration::from_secs(60), 20), "nothing in it");
        batches.keep(reading(1), now);
        assert!(!batches.due(now, 20));
        assert!(batches.due(now + Duration::from_secs(5), 20));

        let mut batches = Batches::new(Duration::from_secs(5));
        for n in 0..14 {
            batches.ack(n, now);
        }
        assert!(!batches.due(now, 20));
        batches.ack(14, now);
        assert!(batches.due(now, 20), "15 of 20");
        // What is under way counts: the broker is as close to its limit.
        let _ = batches.take();
        assert!(!batches.due(now, 20), "nothing more to commit");
        batches.ack(15, now);
        assert!(batches.due(now, 20));

        let mut batches = Batches::<()>::new(Duration::from_secs(5));
        for n in 0..FULL as i64 {
            batches.keep(reading(n), now);
        }
        assert!(batches.due(now, 20));
        assert!(batches.has_room());
        for n in 0..FULL as i64 {
            batches.keep(reading(n), now);
        }
        assert!(!batches.has_room());
    }
}
