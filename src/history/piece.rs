//! Cutting an interval into the coarsest rows that fit it, and those into finer ones.

use std::ops::Range;
use std::rc::Rc;

use super::Level;
use crate::calendar::Zone;
use crate::units::{Span, Stamp};

/// A stretch that one row of `level` covers, and what is asked of it.
#[derive(Clone, Debug)]
pub(super) struct Piece {
    pub range: Range<Stamp>,
    pub level: Level,
    /// Index of the interval that it counts to.
    pub interval: usize,
    /// Index of the epoch that holds it.
    pub epoch: usize,
    /// Which sums of the epoch are asked for; `None` for all.
    pub sums: Option<Rc<[usize]>>,
}

impl Piece {
    /// The same question in finer rows, for some of the sums.
    pub fn finer(&self, zone: &Zone, sums: Vec<usize>) -> Vec<Self> {
        let level = match self.level {
            Level::Month => Level::Day,
            Level::Day => Level::Hour,
            Level::Hour => Level::Quarter,
            Level::Quarter | Level::Minute => Level::Minute,
        };
        let sums: Rc<[usize]> = sums.into();
        let tiles = tile(zone, level, self.range.clone());
        tiles
            .into_iter()
            .map(|(level, range)| Self { range, level, sums: Some(sums.clone()), ..*self })
            .collect()
    }
}

/// Cuts `range` into rows, each as coarse as fits, none coarser than `coarsest`. The ends are taken
/// at the full minute.
pub(super) fn tile(zone: &Zone, coarsest: Level, range: Range<Stamp>) -> Vec<(Level, Range<Stamp>)> {
    /// Shorter than any local day and month that has a length worth looking for: what is shorter
    /// need not ask the calendar.
    const SHORT_OF_A_DAY: Span = Span::from_seconds(20 * 3600);
    const SHORT_OF_A_MONTH: Span = Span::from_seconds(27 * 86_400);
    let end = range.end.floor(Span::MINUTE);
    let mut at = range.start.floor(Span::MINUTE);
    let mut tiles = Vec::new();
    while at < end {
        let left = end - at;
        let whole = |range: &Range<Stamp>| range.start == at && range.end <= end && !range.is_empty();
        let month = || Some(zone.month_range(zone.month_of(at))).filter(&whole);
        let day = || Some(zone.day_range(zone.day_of(at))).filter(&whole);
        let tile = if let Some(month) =
            (coarsest >= Level::Month && left >= SHORT_OF_A_MONTH).then(month).flatten()
        {
            (Level::Month, month)
        } else if let Some(day) = (coarsest >= Level::Day && left >= SHORT_OF_A_DAY).then(day).flatten() {
            (Level::Day, day)
        } else if coarsest >= Level::Hour && at.floor(Span::HOUR) == at && left >= Span::HOUR {
            (Level::Hour, at..at + Span::HOUR)
        } else if coarsest >= Level::Quarter && at.floor(Span::QUARTER) == at && left >= Span::QUARTER {
            (Level::Quarter, at..at + Span::QUARTER)
        } else {
            (Level::Minute, at..at + Span::MINUTE)
        };
        at = tile.1.end;
        tiles.push(tile);
    }
    tiles
}

/// Splits pieces of one level, sorted by start, into runs whose rows are read at once: minutes of a
/// local day, longer ones up to days of a local month. So a read is as long as what a store keeps together, and
/// what is held in memory is little and does not grow with the range that is asked for.
pub(super) fn runs<'a>(zone: &Zone, pieces: &'a [Piece]) -> Vec<&'a [Piece]> {
    let mut runs = Vec::new();
    let mut rest = pieces;
    while let Some(first) = rest.first() {
        let start = first.range.start;
        let limit = match first.level {
            Level::Minute => zone.day_range(zone.day_of(start)).end,
            Level::Quarter | Level::Hour | Level::Day => zone.month_range(zone.month_of(start)).end,
            Level::Month => Stamp::MAX,
        };
        let length = rest.partition_point(|piece| piece.range.start < limit).max(1);
        let (run, later) = rest.split_at(length);
        runs.push(run);
        rest = later;
    }
    runs
}
