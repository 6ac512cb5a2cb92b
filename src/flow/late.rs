//! Closed minutes that late readings have changed, until they are recounted.

use std::collections::BTreeSet;
use std::ops::Range;

use crate::units::{Span, Stamp};

/// Minutes that are remembered one by one at most: a week and a bit. Beyond it, one range from the
/// first to the last stands for all of them.
const MINUTES: usize = 11_000;

/// Minutes to recount.
#[derive(Clone, Debug, Default)]
pub(super) struct Late {
    minutes: BTreeSet<Stamp>,
    /// In place of `minutes`, once there are too many of them. Whole minutes.
    range: Option<Range<Stamp>>,
}

impl Late {
    /// Remembers every minute that `range` touches.
    pub fn mark(&mut self, range: &Range<Stamp>) {
        if range.start >= range.end {
            return;
        }
        let start = range.start.floor(Span::MINUTE);
        let end = (range.end + Span::MINUTE - Span(1)).floor(Span::MINUTE);
        let count = ((end - start).0 / Span::MINUTE.0) as usize;
        if self.range.is_none() && self.minutes.len() + count <= MINUTES {
            self.minutes.extend((0..count as i64).map(|n| start + Span(n * Span::MINUTE.0)));
            return;
        }
        let all = self.range.get_or_insert(start..end);
        let first = self.minutes.first().map_or(start, |first| start.min(*first));
        let last = self.minutes.last().map_or(end, |last| end.max(*last + Span::MINUTE));
        *all = all.start.min(first)..all.end.max(last);
        self.minutes.clear();
    }

    /// The minutes before `open` as ranges, oldest first; they are forgotten here.
    pub fn take(&mut self, open: Stamp) -> Vec<Range<Stamp>> {
        if let Some(all) = self.range.take() {
            // What is not closed yet is at most the open minute.
            self.mark(&(all.start.max(open)..all.end));
            let closed = all.start..all.end.min(open);
            return if closed.start < closed.end { vec![closed] } else { vec![] };
        }
        let later = self.minutes.split_off(&open);
        let mut ranges: Vec<Range<Stamp>> = Vec::new();
        for minute in std::mem::replace(&mut self.minutes, later) {
            match ranges.last_mut() {
                Some(last) if last.end == minute => last.end = minute + Span::MINUTE,
                _ => ranges.push(minute..minute + Span::MINUTE),
            }
        }
        ranges
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minutes(from: i64, to: i64) -> Range<Stamp> {
        Stamp(from * Span::MINUTE.0)..Stamp(to * Span::MINUTE.0)
    }

    fn check(marks: &[Range<Stamp>], open: i64, now: &[Range<Stamp>], then: &[Range<Stamp>]) {
        let mut late = Late::default();
        marks.iter().for_each(|range| late.mark(range));
        assert!(late.minutes.len() <= MINUTES);
        assert_eq!(late.take(minutes(open, open).start), now, "{marks:?}");
        assert_eq!(late.take(Stamp::MAX), then, "{marks:?}, once the open minute is closed");
        assert_eq!(late.take(Stamp::MAX), vec![]);
    }

    #[test]
    fn minutes_are_named_once_they_are_closed() {
        check(&[], 5, &[], &[]);
        check(&[Stamp(30)..Stamp(30)], 5, &[], &[]);
        check(&[Stamp(599)..Stamp(601)], 5, &[minutes(0, 2)], &[]);
        check(&[minutes(3, 4), minutes(0, 1), minutes(1, 2)], 5, &[minutes(0, 2), minutes(3, 4)], &[]);
        check(&[minutes(3, 6)], 5, &[minutes(3, 5)], &[minutes(5, 6)]);
    }

    #[test]
    fn too_many_are_one_range_with_its_end() {
        let many: Vec<_> = (0..20_000).map(|n| minutes(2 * n, 2 * n + 1)).collect();
        check(&many, 50_000, &[minutes(0, 39_999)], &[]);
        check(&[minutes(7, 20_007)], 50_000, &[minutes(7, 20_007)], &[]);
        check(&[minutes(30_000, 30_001), minutes(7, 20_007)], 50_000, &[minutes(7, 30_001)], &[]);
        check(
            &[minutes(7, 20_007), minutes(1, 2)],
            20_006,
            &[minutes(1, 20_006)],
            &[minutes(20_006, 20_007)],
        );
    }
}
