//! A range of any length in chunks that each fit into memory.

use std::ops::Range;

use crate::calendar::{By, CalendarError, Interval, Zone, intervals};
use crate::units::{Span, Stamp};

/// The intervals of a local day, or of a local month where intervals are days; longer ones are all
/// in one chunk.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chunk {
    /// The day, month or range, as far as it was asked for.
    pub range: Range<Stamp>,
    /// Its intervals, one after the other.
    pub intervals: Vec<Interval>,
}

/// Cuts `range`, which snaps outwards to whole intervals, into chunks.
///
/// # Errors
/// What [`intervals`] finds wrong: an empty range, or more days than it takes.
pub fn chunks(
    zone: &Zone,
    by: By,
    billing_day: u8,
    range: Range<Stamp>,
) -> Result<impl Iterator<Item = Chunk>, CalendarError> {
    let fine = matches!(by, By::Minute | By::Quarter | By::Hour);
    // Where it starts and ends after snapping; also what finds fault with the range.
    let edge = |range: Range<Stamp>| intervals(zone, by, billing_day, range);
    let whole = match fine {
        false => {
            let all = edge(range.clone())?;
            all.first().map_or(range.start, |i| i.start)..all.last().map_or(range.end, |i| i.end)
        }
        true if range.start >= range.end => {
            edge(range.clone())?;
            range.clone()
        }
        true => {
            let first = edge(range.start..range.start + Span(1))?;
            let last = edge(range.end - Span(1)..range.end)?;
            first.first().map_or(range.start, |i| i.start)..last.last().map_or(range.end, |i| i.end)
        }
    };
    let zone = zone.clone();
    let mut at = whole.start;
    Ok(std::iter::from_fn(move || {
        while at < whole.end {
            let end = match by {
                By::Minute | By::Quarter | By::Hour => zone.day_range(zone.day_of(at)).end,
                By::Day => zone.month_range(zone.month_of(at)).end,
                _ => whole.end,
            };
            let end = end.min(whole.end).max(at + Span(1));
            let start = std::mem::replace(&mut at, end);
            // A day that does not start on a full interval shares one with the day before.
            let mut all = intervals(&zone, by, billing_day, start..end).unwrap_or_default();
            all.retain(|interval| interval.start >= start);
            if !all.is_empty() {
                return Some(Chunk { range: start..end, intervals: all });
            }
        }
        None
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chunks_are_the_intervals_that_the_whole_range_has() {
        let check = |zone: &str, by, from: &str, to: &str, count| {
            let zone = Zone::new(zone).expect("a zone");
            let range = zone.parse(from).expect("a time")..zone.parse(to).expect("a time");
            let all: Vec<Interval> = chunks(&zone, by, 5, range.clone())
                .expect("chunks")
                .flat_map(|chunk| chunk.intervals)
                .collect();
            assert_eq!(all, intervals(&zone, by, 5, range).expect("intervals"), "{} {by}", zone.name());
            assert_eq!(all.len(), count);
        };
        check("America/Denver", By::Hour, "2025-03-08T12:30", "2025-03-10", 12 + 23);
        check("Australia/Lord_Howe", By::Hour, "2025-04-05", "2025-04-08", 24 + 25 + 24);
        // The clock changed at 00:01 there.
        check("America/St_Johns", By::Hour, "2010-11-06", "2010-11-09", 74);
        check("Asia/Kathmandu", By::Quarter, "2025-01-01T00:01", "2025-01-02T23:59", 192);
        check("America/Denver", By::Day, "2025-01-15", "2025-04-02", 77);
        check("America/Denver", By::Billing, "2025-01-15", "2025-04-02", 3);
        check("Pacific/Apia", By::Day, "2011-12-29", "2012-01-02", 3);
    }

    #[test]
    fn a_year_of_minutes_comes_day_by_day() {
        let zone = Zone::new("America/Denver").expect("a zone");
        let range = zone.parse("2025-01-01").expect("a time")..zone.parse("2026-01-01").expect("a time");
        let all: Vec<usize> =
            chunks(&zone, By::Minute, 1, range).expect("chunks").map(|chunk| chunk.intervals.len()).collect();
        assert_eq!((all.len(), all.iter().sum::<usize>(), all.iter().max()), (365, 525_600, Some(&1500)));
        let empty = Stamp(0)..Stamp(0);
        assert!(chunks(&zone, By::Hour, 1, empty).map(|_| ()).is_err());
    }
}
