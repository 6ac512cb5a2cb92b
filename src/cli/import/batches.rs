//! Readings in groups that the store takes one by one: sorted by time, bounded in number and in the time
//! that they span.

use crate::reading::Sample;
use crate::site::ChannelIndex;
use crate::units::{Span, Stamp};

/// Readings of a group for the daemon: some 40 minutes of a common panel with a reading a second. As a table they
/// are below what a request may hold, and its writer does nothing else for a fraction of a second.
pub(super) const FOR_THE_DAEMON: usize = 40_000;
/// Readings of a group for the store itself, where nobody waits: an hour of a large panel. Where counters stand
/// beside power whole hours are counted again, so a group had better hold one.
pub(super) const FOR_THE_STORE: usize = 200_000;
/// Time of a group. Every second of it is counted again, at a million seconds a second or so.
const LONGEST: Span = Span(7 * Span::DAY.0);
/// Readings that are sorted together: a file of one channel after the other then still makes groups of
/// many. They take 12 MB.
const SORTED: usize = 500_000;

/// A group.
pub(super) type Batch = Vec<(ChannelIndex, Sample)>;

/// What was read and is not in the store yet.
#[derive(Debug)]
pub(super) struct Batches {
    most: usize,
    waiting: Batch,
    ready: std::collections::VecDeque<Batch>,
}

impl Batches {
    /// Groups of at most so many readings.
    pub(super) fn of(most: usize) -> Self {
        Self { most, waiting: Batch::new(), ready: std::collections::VecDeque::new() }
    }

    /// Takes one.
    pub(super) fn add(&mut self, channel: ChannelIndex, sample: Sample) {
        self.waiting.push((channel, sample));
        if self.waiting.len() >= SORTED {
            self.cut();
        }
    }

    /// The next group, if enough was read.
    pub(super) fn full(&mut self) -> Option<Batch> {
        self.ready.pop_front()
    }

    /// All that is left.
    pub(super) fn rest(&mut self) -> impl Iterator<Item = Batch> {
        self.cut();
        std::mem::take(&mut self.ready).into_iter()
    }

    fn cut(&mut self) {
        let mut all = std::mem::take(&mut self.waiting);
        // Stable: of two with the same channel and time the later one of the file holds.
        all.sort_by_key(|(_, sample)| sample.at);
        let mut batch: Batch = Vec::new();
        let mut since = Stamp::MAX;
        for one in all {
            if batch.len() >= self.most || (!batch.is_empty() && one.1.at - since > LONGEST) {
                self.ready.push_back(std::mem::take(&mut batch));
            }
            if batch.is_empty() {
                since = one.1.at;
            }
            batch.push(one);
        }
        if !batch.is_empty() {
            self.ready.push_back(batch);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn groups_are_by_time_and_bounded() {
        let mut batches = Batches::of(20_000);
        // Two channels one after the other, an hour each reading, 60 days.
        for channel in 0..2 {
            for hour in 0..60 * 24 {
                batches.add(ChannelIndex(channel), Sample { at: Stamp(hour * Span::HOUR.0), value: hour });
            }
        }
        assert_eq!(batches.full(), None);
        let all: Vec<Batch> = batches.rest().collect();
        assert_eq!(all.iter().map(Vec::len).sum::<usize>(), 2 * 60 * 24);
        assert_eq!(all.len(), 9);
        for batch in &all {
            assert!(batch.is_sorted_by_key(|(_, sample)| sample.at));
            assert!(batch[batch.len() - 1].1.at - batch[0].1.at <= LONGEST);
        }
        for second in 0..50_000 {
            batches.add(ChannelIndex(0), Sample { at: Stamp(second * 10), value: 0 });
        }
        assert_eq!(batches.rest().map(|batch| batch.len()).collect::<Vec<_>>(), [20_000, 20_000, 10_000]);
    }
}
